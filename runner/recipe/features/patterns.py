"""Patterns: places and what is repeated there."""

from __future__ import annotations

from pydantic import Field, model_validator

from runner.recipe.base import Section
from runner.recipe.features.faces import cone_angle
from runner.recipe.features.holes import Ends, corners_fit, slot_shape
from runner.recipe.features.options import FROM_TEXT, SIDE_TEXT, FeatureOptions, FromEither, Side
from runner.recipe.kinds import EDGE_FEATURES, PATTERN_FEATURES
from runner.recipe.scalars import (
    Angle,
    Count,
    Counts,
    Direction,
    Length,
    LengthOrZero,
    Place,
    Places,
    Refused,
    Span,
    Steps,
)


class CirclePattern(Section):
    """Equally spaced places on a circle."""

    at: Place = Field(description="Centre of the circle.")
    axis: Direction = Field(
        description="Axis of the circle and of its members; angles turn about it by the right hand."
    )
    diameter: Length = Field(description="Diameter of the circle, drawing's unit.")
    count: Count = Field(description="Number of members.")
    start: Angle | None = Field(
        default=None, description="Angle of the first member from the zero direction, degrees; default 0."
    )
    step: Angle | None = Field(
        default=None, description="Angle from one member to the next, degrees; default 360 / count."
    )
    zero: Direction | None = Field(
        default=None,
        description="Zero direction; default the nominal's x axis, or its y axis where the circle's axis is along x.",
    )


class GridPattern(Section):
    """Rows and columns."""

    at: Place = Field(description="Place of the first member.")
    axis: Direction = Field(description="Axis of the members.")
    along: Direction = Field(description="Direction of the first count.")
    across: Direction | None = Field(default=None, description="Direction of the second count; default axis × along.")
    count: Counts = Field(description="Number of members along and across, such as [4, 2].")
    step: Steps = Field(description="Distances along and across, drawing's unit.")


class PlacesPattern(Section):
    """Places one by one."""

    at: Places = Field(description="The places in the order of their numbers.")
    axis: Direction = Field(description="Axis of the members.")


class Pattern(Section):
    """Where the members of a pattern lie."""

    circle: CirclePattern | None = Field(default=None, description="Equally spaced on a circle.")
    grid: GridPattern | None = Field(default=None, description="Rows and columns.")
    places: PlacesPattern | None = Field(default=None, description="Places one by one.")

    @model_validator(mode="after")
    def _one(self) -> Pattern:
        if sum(item is not None for item in (self.circle, self.grid, self.places)) != 1:
            raise Refused("a pattern is laid out in one way", "one of circle, grid, places")
        return self


class CircleMember(Section):
    """A round member of a pattern."""

    diameter: Length = Field(description="Diameter, drawing's unit.")


class ConeMember(Section):
    """A cone of a pattern."""

    diameter: Length = Field(description="Diameter at the place, drawing's unit.")
    angle: Angle = Field(description="Included angle, degrees.")

    @model_validator(mode="after")
    def _possible(self) -> ConeMember:
        cone_angle(self.angle)
        return self


class SlotMember(Section):
    """A slot of a pattern."""

    length: Length = Field(description="Overall length, drawing's unit.")
    width: Length = Field(description="Width, drawing's unit.")
    along: Direction | None = Field(
        default=None,
        description="Direction of the length of every member; default radial on a circle, along on a grid.",
    )
    ends: Ends | None = Field(default=None, description="round (default) or square.")
    corner_radius: LengthOrZero | None = Field(
        default=None, description="Rounding of the corners of square ends, drawing's unit; default 0."
    )

    @model_validator(mode="after")
    def _longer_than_wide(self) -> SlotMember:
        slot_shape(self.length, self.width)
        corners_fit(self.corner_radius, self.length, self.width)
        if self.corner_radius is not None and self.ends != "square":
            raise Refused("round ends have no corners", "ends: square", key="corner radius")
        return self


class RectangleMember(Section):
    """A rectangle of a pattern."""

    length: Length = Field(description="Size along along, drawing's unit; it may be the smaller one.")
    width: Length = Field(description="Size across along, drawing's unit.")
    along: Direction | None = Field(
        default=None,
        description="Direction of the length of every member; default radial on a circle, along on a grid.",
    )
    corner_radius: LengthOrZero | None = Field(
        default=None, description="Rounding of the corners, drawing's unit; default 0."
    )

    @model_validator(mode="after")
    def _possible(self) -> RectangleMember:
        corners_fit(self.corner_radius, self.length, self.width)
        return self


class Member(Section):
    """What a pattern repeats."""

    circle: CircleMember | None = Field(default=None, description="Circles, usually edges of holes.")
    cylinder: CircleMember | None = Field(default=None, description="Bores or shafts.")
    cone: ConeMember | None = Field(default=None, description="Cones.")
    sphere: CircleMember | None = Field(default=None, description="Spheres.")
    slot: SlotMember | None = Field(default=None, description="Slots.")
    rectangle: RectangleMember | None = Field(default=None, description="Rectangles.")

    @property
    def repeated(self) -> str:
        """The kind of the members."""
        return next(name for name in PATTERN_FEATURES if getattr(self, name) is not None)

    @model_validator(mode="after")
    def _one(self) -> Member:
        if sum(getattr(self, name) is not None for name in PATTERN_FEATURES) != 1:
            raise Refused("a pattern repeats one kind of feature", "one of " + ", ".join(PATTERN_FEATURES))
        return self


class PatternFeature(FeatureOptions):
    """A pattern; its members are named after it: "bolt holes 1", "bolt holes 2" ..."""

    kind = "pattern"
    pattern: Pattern = Field(description="Where the members lie.")
    of: Member = Field(description="What is repeated.")
    from_: FromEither | None = Field(
        default=None, description=FROM_TEXT.format("edges for circles, slots and rectangles, else surface")
    )
    side: Side | None = Field(default=None, description=SIDE_TEXT)
    span: Span | None = Field(
        default=None, description="Part of each axis used, from the place, drawing's unit; bores and cones."
    )

    @model_validator(mode="after")
    def _fitting(self) -> PatternFeature:
        member = self.of.repeated
        if member not in EDGE_FEATURES:
            if self.from_ == "edges":
                raise Refused(f"a {member} is not taken from edges", "from: surface")
            if self.side is not None:
                raise Refused(f"a {member} has no side", "side for circles, slots and rectangles only")
        if self.span is not None and member not in ("cylinder", "cone"):
            raise Refused(f"a {member} has no span", "span for cylinders and cones only")
        return self
