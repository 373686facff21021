"""The recipe language as a JSON Schema, so that editors complete and check keys."""

from __future__ import annotations

from typing import Any

from runner.recipe.alignment import WeightedFeatures
from runner.recipe.characteristics import PointFile
from runner.recipe.features import FacesAt
from runner.recipe.schema import VERSION, Recipe
from runner.recipe.sections import Judge


def json_schema() -> dict[str, Any]:
    """Return the schema (draft 2020-12). Cross references and units are checked by ``runner check`` only."""
    schema = Recipe.model_json_schema(by_alias=True)
    definitions = schema.setdefault("$defs", {})
    for model in (Judge, FacesAt, PointFile, WeightedFeatures):
        definitions.setdefault(model.__name__, model.model_json_schema(by_alias=True))
    _tidy(schema)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"Inspection recipe, language version {VERSION}",
        **{key: value for key, value in schema.items() if key != "title"},
    }


def _twins(node: dict[str, Any]) -> None:
    """Let an optional key of several words also be written with underscores, as the language does."""
    properties = node.get("properties")
    if isinstance(properties, dict) and node.get("additionalProperties") is False:
        for key, value in list(properties.items()):
            if " " in key and key not in node.get("required", ()):
                properties[key.replace(" ", "_")] = dict(value)


def _tidy(node: Any) -> None:
    """Remove null alternatives and defaults (an absent key is absent), and put references where models are named."""
    if isinstance(node, dict):
        options = node.get("anyOf")
        if isinstance(options, list) and {"type": "null"} in options:
            rest = [option for option in options if option != {"type": "null"}]
            if len(rest) == 1:
                node.pop("anyOf")
                for key, value in rest[0].items():
                    node.setdefault(key, value)
            else:
                node["anyOf"] = rest
        _twins(node)
        if "default" in node and node["default"] is None:
            node.pop("default")
        for key, value in node.items():
            if isinstance(value, dict) and set(value) == {"model"}:
                node[key] = {"$ref": f"#/$defs/{value['model']}"}
            _tidy(value)
    elif isinstance(node, list):
        for i, item in enumerate(node):
            if isinstance(item, dict) and set(item) == {"model"}:
                node[i] = {"$ref": f"#/$defs/{item['model']}"}
            _tidy(item)
