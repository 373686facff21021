"""The tables of kinds agree with the models, the measuring core, the schema and the reference."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from runner.measure import kinds as measured
from runner.recipe import kinds
from runner.recipe.base import Section
from runner.recipe.characteristics import CHARACTERISTIC_MODELS
from runner.recipe.features import FEATURE_MODELS
from runner.recipe.json_schema import json_schema
from runner.recipe.reference import language_reference
from runner.recipe.schema import Recipe


def every_model() -> set[type[Section]]:
    found: set[type[Section]] = set()

    def visit(model: type[Section]) -> None:
        for child in model.__subclasses__():
            found.add(child)
            visit(child)

    visit(Section)
    return found


def test_every_kind_has_a_model_and_a_key_of_its_own_name() -> None:
    assert tuple(FEATURE_MODELS) == (*kinds.FEATURE_KINDS, "pattern")
    assert tuple(CHARACTERISTIC_MODELS) == kinds.CHARACTERISTIC_KINDS
    for kind, model in {**FEATURE_MODELS, **CHARACTERISTIC_MODELS}.items():
        assert model.keys()[0] == kind


def test_no_kind_is_both_measured_and_later() -> None:
    assert not set(kinds.FEATURE_KINDS) & set(kinds.LATER_FEATURES)
    for meaning in kinds.CHARACTERISTIC_ALIASES.values():
        assert meaning in kinds.CHARACTERISTIC_KINDS
    assert set(kinds.WITHDRAWN_IN_ASME_2018) <= set(kinds.CHARACTERISTIC_KINDS)


def test_every_kind_is_measured_and_every_measured_kind_can_be_asked_for() -> None:
    assert set(kinds.CHARACTERISTIC_KINDS) == set(measured.KINDS)
    assert set(kinds.FEATURE_KINDS) == set(measured.FEATURE_KINDS)
    for kind in measured.KINDS.values():
        assert callable(kind.evaluate), kind.name
        assert set(kind.features) <= set(kinds.FEATURE_KINDS), kind.name
        assert kind.iso and kind.asme and kind.formula and kind.sentence, kind.name


def test_every_field_is_described() -> None:
    for model in every_model():
        for name, field in model.model_fields.items():
            assert field.description and field.description.endswith("."), f"{model.__name__}.{name}"
        assert model.__doc__ and model.__doc__.split("\n")[0].endswith("."), model.__name__


def test_the_reference_names_every_key_of_every_model() -> None:
    text = language_reference()
    for model in (*FEATURE_MODELS.values(), *CHARACTERISTIC_MODELS.values(), Recipe):
        for key in list(model.keys()):
            assert f"| `{key}` |" in text, f"{model.__name__}: {key}"
    for kind in (*FEATURE_MODELS, *CHARACTERISTIC_MODELS):
        assert f"\n### {kind}\n" in text
    for word in kinds.LATER_FEATURES:
        assert word in text


def test_the_reference_is_well_formed_markdown() -> None:
    for line in language_reference().splitlines():
        if line.startswith("|"):
            assert len(re.findall(r"(?<!\\)\|", line)) == 5, line


def test_the_schema_is_plain_json_and_its_references_hold() -> None:
    schema = json_schema()
    text = json.dumps(schema)
    for name in re.findall(r'"#/\$defs/([^"]+)"', text):
        assert name in schema["$defs"]
    assert '"null"' not in text
    assert schema["properties"]["recipe"] == {
        "const": 1,
        "title": "Recipe",
        "description": "Version of the recipe language: 1.",
    }
    assert set(schema["required"]) == {
        "recipe", "part", "drawing", "nominal", "scan", "features", "characteristics", "decision",
    }  # fmt: skip
    assert schema["additionalProperties"] is False


def test_the_schema_accepts_and_refuses(request: pytest.FixtureRequest) -> None:
    import jsonschema
    import yaml

    validator = jsonschema.Draft202012Validator(json_schema())
    path = request.path.parent / "gold" / "bearing_block.yaml"
    data = json.loads(json.dumps(yaml.safe_load(path.read_text(encoding="utf-8"))))
    data["drawing"]["edition"] = str(data["drawing"]["edition"])
    assert [error.message for error in validator.iter_errors(data)] == []
    data["features"]["foot"]["sreach"] = 1
    del data["decision"]
    assert len(list(validator.iter_errors(data))) == 2


def test_loading_the_room_loads_nothing_heavy() -> None:
    code = (
        "import sys, runner.recipe.load, runner.recipe.translate, runner.recipe.reference;"
        "heavy = ('open3d', 'OCP', 'numba', 'scipy', 'polars', 'openpyxl', 'sqlalchemy');"
        "print([m for m in heavy if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_the_reference_beside_the_recipes_is_the_generated_one() -> None:
    path = Path(__file__).parents[2] / "recipes" / "REFERENCE.md"
    assert path.read_text(encoding="utf-8") == language_reference() + "\n", "runner reference > recipes/REFERENCE.md"
