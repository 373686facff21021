"""Sizes, distances, angles and coordinates."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from runner.recipe.characteristics.options import Across, CharacteristicOptions, Datumed, Measured
from runner.recipe.frames import Frame
from runner.recipe.limits import AngleLimitsText, LimitsText, SignedLimitsText
from runner.recipe.names import Pair, Reference, SizedFeature
from runner.recipe.scalars import Angle, Direction, Length, OneOf
from runner.recipe.sections import Need

SizeBy = Annotated[
    str,
    OneOf(
        "two-point",
        "GG",
        "GN",
        "GX",
        "envelope",
        what="definition of size",
        aliases={
            "LP": "two-point",
            "two point": "two-point",
            "least squares": "GG",
            "minimum circumscribed": "GN",
            "maximum inscribed": "GX",
            "Ⓔ": "envelope",
            "(E)": "envelope",
            "Ⓖ": "GG",
        },
    ),
]


class Size(Measured):
    """Size of a hole, shaft, sphere or slot, or between two facing planes."""

    kind = "size"
    size: SizedFeature = Field(
        description="The feature, or each of a pattern; [one, other] for the size between two facing planes."
    )
    limits: LimitsText = Field(description="Limits as the drawing writes them, drawing's unit.")
    by: SizeBy | None = Field(
        default=None,
        description="two-point, GG (least squares), GN (minimum circumscribed), GX (maximum inscribed) of ISO 14405-1, "
        "or envelope; default by the drawing's standard: two-point for ISO GPS, envelope for ASME Y14.5.",
    )
    across: Across | None = Field(
        default=None, description="Which size of a slot or rectangle; required there, not allowed elsewhere."
    )


class Distance(Measured):
    """Distance between two features."""

    kind = "distance"
    distance: Pair = Field(description="The two features.")
    limits: LimitsText = Field(description="Limits as the drawing writes them, drawing's unit.")
    along: Direction | None = Field(
        default=None,
        description="Direction along which it is measured, nominal's frame; default between the features' own places.",
    )
    datums: Frame | None = Field(default=None, description="Datum system whose frame the direction is stated in.")
    between: Annotated[str, OneOf("middles", "nearest", "farthest", what="way of taking a distance")] | None = Field(
        default=None, description="middles (default), or the nearest or farthest of both features."
    )


class AngleBetween(CharacteristicOptions):
    """Angle between two features."""

    kind = "angle"
    angle: Pair = Field(description="The two features.")
    limits: AngleLimitsText = Field(description="Limits as the drawing writes them, degrees.")
    along: Direction | None = Field(
        default=None, description="Direction along which both are looked at, nominal's frame; default in space."
    )
    datums: Frame | None = Field(default=None, description="Datum system whose frame the direction is stated in.")
    between: Annotated[str, OneOf("directions", "faces", what="way of taking an angle")] | None = Field(
        default=None,
        description="faces: of two planes from their vertex, as a protractor reads it (default between two planes); "
        "directions: of normals and axes (default elsewhere).",
    )
    shorter_side: Length | None = Field(
        default=None,
        description="Length of the angle's shorter side, drawing's unit; needed for a general class of ISO 2768-1.",
    )
    uncertainty: Angle | None = Field(
        default=None, description="Expanded uncertainty (k = 2), degrees, until it is computed."
    )
    need: Need | None = Field(default=None, description='What must have been seen before "conforms" may be said.')

    @property
    def angular(self) -> bool:
        """Whether its value is an angle."""
        return True


class Coordinates(Datumed):
    """One coordinate of a feature's centre, axis or face, in the nominal's frame seated on the datums."""

    kind = "coordinates"
    coordinates: Reference = Field(description="The feature, or each of a pattern.")
    axis: Annotated[str, OneOf("x", "y", "z", what="axis")] = Field(description="Which coordinate: x, y or z.")
    limits: SignedLimitsText = Field(description="Limits of the coordinate, drawing's unit; it may be negative.")
