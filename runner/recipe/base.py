"""The strict base of every map in a recipe."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, model_validator

from runner.recipe.scalars import Refused, nearest, shown
from runner.recipe.text import spaced


def _alias(name: str) -> str:
    """Return the key of a field: words with spaces."""
    return name.rstrip("_").replace("_", " ")


class Section(BaseModel):
    """A map with known keys; any other key is an error. Words of a key may be joined by spaces or underscores."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        alias_generator=_alias,
        validate_by_name=False,
        validate_by_alias=True,
        arbitrary_types_allowed=True,
        validate_default=False,
    )

    @model_validator(mode="before")
    @classmethod
    def _usual_spelling(cls, data: Any) -> Any:
        """Bring keys into their usual spelling; refuse what is no map."""
        if isinstance(data, cls):
            return data
        if not isinstance(data, dict):
            keys = ", ".join(cls.keys())
            if isinstance(data, str) and data == "":
                raise Refused("has no value", f"a map with the keys {keys}")
            raise Refused(f"{shown(data)} where a map belongs", f"a map with the keys {keys}")
        tidy: dict[str, Any] = {}
        for key, value in data.items():
            usual = spaced(str(key))
            if usual in tidy:
                raise Refused(f'the key "{usual}" stands twice, in two spellings', "each key once")
            tidy[usual] = value
        return tidy

    @classmethod
    def keys(cls) -> list[str]:
        """Return the allowed keys in the order of the reference, the kind first."""
        keys = [field.alias or name for name, field in cls.model_fields.items()]
        return sorted(keys, key=lambda key: key != getattr(cls, "kind", ""))

    @classmethod
    def suggestion(cls, key: str) -> str:
        """Return the nearest allowed key as a suggestion."""
        return nearest(key, cls.keys())
