"""Holes, discs and arcs: what has an edge around it."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from runner.recipe.base import Section
from runner.recipe.features.options import FROM_TEXT, SIDE_TEXT, FeatureOptions, FromEither, Side
from runner.recipe.scalars import Angle, Direction, Length, LengthOrZero, OneOf, Place, Refused

Ends = Annotated[str, OneOf("round", "square", what="end of a slot")]


class CircleElement(Section):
    """A circle, usually the edge of a hole in sheet."""

    at: Place = Field(description="Centre.")
    axis: Direction = Field(description="Out of the sheet, on the side on which the edge is meant.")
    diameter: Length = Field(description="Diameter, drawing's unit.")


class ArcElement(Section):
    """A part of a circle."""

    at: Place = Field(description="Centre.")
    axis: Direction = Field(description="Out of the sheet, on the side on which the edge is meant.")
    diameter: Length = Field(description="Diameter, drawing's unit.")
    from_: Direction = Field(description="Direction from the centre to the arc's start.")
    turn: Angle = Field(description="From start to end, degrees, about the axis by the right hand; above 0 up to 360.")

    @model_validator(mode="after")
    def _possible(self) -> ArcElement:
        if not 0 < self.turn <= 360:
            raise Refused(f"an arc that turns by {self.turn:g}°", "above 0° up to 360°", key="turn")
        return self


class SlotElement(Section):
    """An elongated hole."""

    at: Place = Field(description="Centre.")
    axis: Direction = Field(description="Out of the sheet, on the side on which the edge is meant.")
    along: Direction = Field(description="Direction of the length.")
    length: Length = Field(description="Overall length, drawing's unit.")
    width: Length = Field(description="Width, drawing's unit.")
    ends: Ends | None = Field(default=None, description="round (default) or square.")
    corner_radius: LengthOrZero | None = Field(
        default=None, description="Rounding of the corners of square ends, drawing's unit; default 0."
    )

    @model_validator(mode="after")
    def _longer_than_wide(self) -> SlotElement:
        slot_shape(self.length, self.width)
        corners_fit(self.corner_radius, self.length, self.width)
        if self.corner_radius is not None and self.ends != "square":
            raise Refused("round ends have no corners", "ends: square", key="corner radius")
        return self


def slot_shape(length: float, width: float) -> None:
    """Refuse a slot that is not longer than wide."""
    if not length > width:
        raise Refused(f"a slot {length:g} long and {width:g} wide", "a length above the width", key="length")


def corners_fit(radius: float | None, length: float, width: float) -> None:
    """Refuse corners that leave no straight side."""
    if radius is not None and not 2 * radius < min(length, width):
        raise Refused(
            f"corners of {radius:g} leave no straight side", "less than half of the shorter side", key="corner radius"
        )


class RectangleElement(Section):
    """A rectangular hole or outline."""

    at: Place = Field(description="Centre.")
    axis: Direction = Field(description="Out of the sheet, on the side on which the edge is meant.")
    along: Direction = Field(description="Direction of the length.")
    length: Length = Field(description="Size along along, drawing's unit; it may be the smaller one.")
    width: Length = Field(description="Size across along, drawing's unit.")
    corner_radius: LengthOrZero | None = Field(
        default=None, description="Rounding of the corners, drawing's unit; default 0."
    )

    @model_validator(mode="after")
    def _possible(self) -> RectangleElement:
        corners_fit(self.corner_radius, self.length, self.width)
        return self


class CircleFeature(FeatureOptions):
    """A circle."""

    kind = "circle"
    circle: CircleElement = Field(description="The nominal circle.")
    from_: FromEither | None = Field(default=None, description=FROM_TEXT.format("edges"))
    side: Side | None = Field(default=None, description=SIDE_TEXT)


class ArcFeature(FeatureOptions):
    """A part of a circle."""

    kind = "arc"
    arc: ArcElement = Field(description="The nominal arc.")
    from_: FromEither | None = Field(default=None, description=FROM_TEXT.format("edges"))
    side: Side | None = Field(default=None, description=SIDE_TEXT)


class SlotFeature(FeatureOptions):
    """An elongated hole."""

    kind = "slot"
    slot: SlotElement = Field(description="The nominal slot.")
    from_: FromEither | None = Field(default=None, description=FROM_TEXT.format("edges"))
    side: Side | None = Field(default=None, description=SIDE_TEXT)


class RectangleFeature(FeatureOptions):
    """A rectangular hole or outline, also a square one."""

    kind = "rectangle"
    rectangle: RectangleElement = Field(description="The nominal rectangle.")
    from_: FromEither | None = Field(default=None, description=FROM_TEXT.format("edges"))
    side: Side | None = Field(default=None, description=SIDE_TEXT)
