"""Datums: the feature or targets they rest on, and how they are associated."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from runner.recipe.base import Section
from runner.recipe.scalars import Direction, Length, Name, OneOf, Place, Refused
from runner.recipe.sections import JudgeRule


class Target(Section):
    """One datum target: a point, a line up to end, or an area of a diameter."""

    at: Place = Field(description="The place, on the nominal's surface.")
    normal: Direction = Field(description="Direction out of the material there.")
    end: Place | None = Field(default=None, description="Line: its other end.")
    diameter: Length | None = Field(default=None, description="Area: its diameter, drawing's unit.")
    search: Length | None = Field(default=None, description="How far it is sought, drawing's unit; default 1 mm.")

    @model_validator(mode="after")
    def _one_sort(self) -> Target:
        if self.end is not None and self.diameter is not None:
            raise Refused("a target is a point, a line or an area", "end (line) or diameter (area), not both")
        if self.end == self.at:
            raise Refused("a target line without length", "two different ends", key="end")
        return self


class Datum(Section):
    """One datum."""

    feature: Name | None = Field(
        default=None, description="The datum feature; a pattern's name for a pattern as datum. Or else targets."
    )
    targets: list[Target] | None = Field(
        default=None, description="Datum targets in the order of their numbers: A1, A2 ..."
    )
    associate: Annotated[str, OneOf("outside material", "least squares", what="association")] | None = Field(
        default=None,
        description="How the datum is associated: outside material (ISO 5459, default), or least squares where agreed.",
    )
    filter: JudgeRule | None = Field(
        default=None,
        description="What the datum feature is filtered by before: {filter: gaussian, cutoff: ...} or all points; by "
        "default means over small cells.",
    )
    at: (
        Annotated[
            str,
            OneOf(
                "maximum material",
                "any size",
                what="material condition of a datum",
                aliases={
                    "Ⓜ": "maximum material",
                    "(M)": "maximum material",
                    "MMB": "maximum material",
                    "RMB": "any size",
                },
            ),
        ]
        | None
    ) = Field(
        default=None,
        description="maximum material: wherever this datum is used (Ⓜ, MMB); for one use write [A, BⓂ]. Default any "
        "size.",
    )
    virtual_size: Length | None = Field(
        default=None,
        description="Diameter or width of the datum's virtual condition (MMVC, MMB), drawing's unit; needed at maximum "
        "material.",
    )

    @model_validator(mode="after")
    def _rests_on_one(self) -> Datum:
        if (self.feature is None) == (not self.targets):
            raise Refused("a datum rests on a feature or on targets", "feature: a name, or targets: [...]")
        if self.targets and (self.at == "maximum material" or self.virtual_size is not None):
            raise Refused("datum targets have no material condition", "a datum feature of size", key="targets")
        return self
