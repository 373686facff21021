"""What of a recipe is valid so far, so that cross references can be checked even where single entries are wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from runner.recipe.alignment import Alignment
from runner.recipe.base import Section
from runner.recipe.characteristics import AnyCharacteristic, CharacteristicOptions
from runner.recipe.datums import Datum
from runner.recipe.expand import count_of
from runner.recipe.features import AnyFeature, Feature, PatternFeature
from runner.recipe.frames import parse_system
from runner.recipe.places import Places
from runner.recipe.scalars import Refused
from runner.recipe.schema import Recipe
from runner.recipe.sections import Decision, Defaults, Drawing, Outputs, Scan, Sheet
from runner.recipe.text import spaced

S = TypeVar("S", bound=Section)

_FEATURE: TypeAdapter[AnyFeature] = TypeAdapter(AnyFeature)
_CHARACTERISTIC: TypeAdapter[AnyCharacteristic] = TypeAdapter(AnyCharacteristic)


@dataclass(frozen=True)
class Draft:
    """Valid sections and entries; an entry that is present but invalid is None."""

    places: Places
    drawing: Drawing | None = None
    decision: Decision | None = None
    sheet: Sheet | None = None
    scan: Scan | None = None
    alignment: Alignment | None = None
    outputs: Outputs | None = None
    defaults: Defaults | None = None
    features: Mapping[str, Feature | None] = field(default_factory=dict)
    datums: Mapping[str, Datum | None] = field(default_factory=dict)
    systems: Mapping[str, str | None] = field(default_factory=dict)
    characteristics: Mapping[str, CharacteristicOptions | None] = field(default_factory=dict)

    def kind_of(self, reference: str) -> str | None:
        """Return the kind of feature that a reference names, ``pattern of`` aside; None when unknown or invalid."""
        name = reference.removeprefix("each of ")
        found = self.features.get(name)
        if found is None and name not in self.features:
            pattern = self.pattern_of(name)
            found = self.features.get(pattern) if pattern else None
        if isinstance(found, PatternFeature):
            return found.of.repeated
        return found.kind if found is not None else None

    def pattern_of(self, name: str) -> str | None:
        """Return the pattern that a name such as ``bolt holes 3`` is a member of."""
        stem, _, number = name.rpartition(" ")
        if not (number.isascii() and number.isdigit() and number[0] != "0"):
            return None
        found = self.features.get(stem)
        if stem in self.features and found is None:
            return stem
        if isinstance(found, PatternFeature) and 1 <= int(number) <= count_of(found):
            return stem
        return None

    def knows(self, name: str) -> bool:
        """Return whether a name is a feature, a pattern or a member of one."""
        return name in self.features or self.pattern_of(name) is not None


def draft_of(data: Any, places: Places, recipe: Recipe | None) -> Draft:
    """Return the draft of a recipe's plain data; all of it valid when the recipe is."""
    if recipe is not None:
        return Draft(
            places,
            recipe.drawing,
            recipe.decision,
            recipe.sheet,
            recipe.scan,
            recipe.alignment,
            recipe.outputs,
            recipe.defaults,
            dict(recipe.features),
            dict(recipe.datums or {}),
            dict(recipe.datum_systems or {}),
            dict(recipe.characteristics),
        )
    if not isinstance(data, dict):
        return Draft(places)
    usual = {spaced(str(key)): value for key, value in data.items()}

    def section(key: str, model: type[S]) -> S | None:
        try:
            return model.model_validate(usual[key]) if key in usual else None
        except ValidationError:
            return None

    def entries(key: str, read: Any) -> dict[str, Any]:
        found: dict[str, Any] = {}
        values = usual.get(key)
        for name, value in values.items() if isinstance(values, dict) else ():
            try:
                found[" ".join(str(name).split())] = read(value)
            except (ValidationError, Refused):
                found[" ".join(str(name).split())] = None
        return found

    return Draft(
        places,
        section("drawing", Drawing),
        section("decision", Decision),
        section("sheet", Sheet),
        section("scan", Scan),
        section("alignment", Alignment),
        section("outputs", Outputs),
        section("defaults", Defaults),
        entries("features", _FEATURE.validate_python),
        entries("datums", Datum.model_validate),
        entries("datum systems", parse_system),
        entries("characteristics", _CHARACTERISTIC.validate_python),
    )
