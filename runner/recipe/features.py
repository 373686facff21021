"""Features: the nominal elements, how they are found on the scan, and patterns of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Union

from pydantic import Discriminator, Field, PlainValidator, Tag, WithJsonSchema, model_validator

from runner.recipe.base import Section
from runner.recipe.kinds import FEATURE_KINDS, PATTERN_FEATURES
from runner.recipe.scalars import (
    Angle,
    Count,
    Counts,
    Direction,
    Fraction,
    Length,
    LengthOrZero,
    OneOf,
    Place,
    Places,
    Refused,
    Span,
    Steps,
    parse_places,
    word_parser,
)
from runner.recipe.text import spaced

ASSOCIATIONS = ("least squares", "minimum zone", "maximum inscribed", "minimum circumscribed", "outside material")


class PlaneElement(Section):
    """A plane."""

    at: Place = Field(description="A point on the face meant, drawing's unit, nominal's frame.")
    normal: Direction = Field(description="Direction out of the material.")


class LineElement(Section):
    """A straight edge."""

    at: Place = Field(description="A point on the edge.")
    direction: Direction = Field(description="Direction along the edge.")


class CircleElement(Section):
    """A circle, usually the edge of a hole in sheet."""

    at: Place = Field(description="Centre.")
    axis: Direction = Field(description="Out of the sheet, on the side on which the edge is meant.")
    diameter: Length = Field(description="Diameter, drawing's unit.")


class CylinderElement(Section):
    """A bore or a shaft."""

    at: Place = Field(description="A point on the axis.")
    axis: Direction = Field(description="Direction of the axis.")
    diameter: Length = Field(description="Diameter, drawing's unit.")


class ConeElement(Section):
    """A conical face, by its apex or by the diameter at a point of its axis."""

    apex: Place | None = Field(default=None, description="The apex; or else at and diameter.")
    at: Place | None = Field(default=None, description="A point on the axis where the cone has the stated diameter.")
    axis: Direction = Field(description="From the apex into the opening.")
    angle: Angle = Field(description="Included angle, degrees.")
    diameter: Length | None = Field(default=None, description="Diameter at the point at.")

    @model_validator(mode="after")
    def _placed_once(self) -> ConeElement:
        if (self.apex is None) == (self.at is None) or (self.at is None) != (self.diameter is None):
            raise Refused("a cone is placed by its apex, or by at and diameter", "apex, or at with diameter")
        _cone_angle(self.angle)
        return self


def _cone_angle(angle: float) -> None:
    if not 0 < angle < 180:
        allowed = "an included angle above 0° and below 180°"
        raise Refused(f"a cone with an included angle of {angle:g}°", allowed, key="angle")


class SphereElement(Section):
    """A sphere."""

    at: Place = Field(description="Centre.")
    diameter: Length = Field(description="Diameter, drawing's unit.")


class SlotElement(Section):
    """An elongated hole."""

    at: Place = Field(description="Centre.")
    axis: Direction = Field(description="Out of the sheet, on the side on which the edge is meant.")
    along: Direction = Field(description="Direction of the length.")
    length: Length = Field(description="Overall length, drawing's unit.")
    width: Length = Field(description="Width, drawing's unit.")
    ends: Annotated[str, OneOf("round", "square", what="end of a slot")] | None = Field(
        default=None, description="round (default) or square."
    )

    @model_validator(mode="after")
    def _longer_than_wide(self) -> SlotElement:
        _slot_shape(self.length, self.width)
        return self


def _slot_shape(length: float, width: float) -> None:
    if not length > width:
        raise Refused(f"a slot {length:g} long and {width:g} wide", "a length above the width", key="length")


class FeatureOptions(Section):
    """What every feature may state."""

    kind: ClassVar[str] = ""
    search: Length | None = Field(
        default=None,
        description="How far from nominal the real feature may lie and must still be found, drawing's unit; "
        "default 1 mm.",
    )
    margin: LengthOrZero | None = Field(
        default=None,
        description="Points nearer than this to the border of a face are not used, drawing's unit; by default chosen "
        "from the point spacing.",
    )
    coverage: Fraction | None = Field(
        default=None,
        description="Least share of the nominal extent that must carry points, or it is not measured; default 30 %.",
    )
    points: Count | None = Field(default=None, description="Least number of points; by default what the element needs.")
    associate: Annotated[str, OneOf(*ASSOCIATIONS, what="association")] | None = Field(
        default=None, description="How the element is fitted; default least squares."
    )


FromSurface = Annotated[str, OneOf("surface", what="source of points")]
FromEither = Annotated[str, OneOf("surface", "edges", what="source of points")]
Side = Annotated[str, OneOf("near", "far", what="side")]
_SIDE_TEXT = (
    "near: the edge on the side the axis points out of, as placed (default); far: the edge on the sheet's other side, "
    "one sheet thickness against the axis."
)
_FROM_TEXT = "Points of the surface or of the edge; default {}."


class PlaneFeature(FeatureOptions):
    """A plane."""

    kind = "plane"
    plane: PlaneElement = Field(description="The nominal plane.")
    from_: FromSurface | None = Field(default=None, description=_FROM_TEXT.format("surface"))
    extent: Annotated[str, OneOf("connected", "coplanar", what="extent")] | None = Field(
        default=None, description="connected: the face at the point (default); coplanar: all faces in that plane."
    )


class LineFeature(FeatureOptions):
    """A straight edge."""

    kind = "line"
    line: LineElement = Field(description="The nominal line.")
    from_: FromEither | None = Field(default=None, description=_FROM_TEXT.format("edges"))
    span: Span | None = Field(default=None, description="Part of the line used, from the given point, drawing's unit.")


class CircleFeature(FeatureOptions):
    """A circle."""

    kind = "circle"
    circle: CircleElement = Field(description="The nominal circle.")
    from_: FromEither | None = Field(default=None, description=_FROM_TEXT.format("edges"))
    side: Side | None = Field(default=None, description=_SIDE_TEXT)


class CylinderFeature(FeatureOptions):
    """A bore or a shaft."""

    kind = "cylinder"
    cylinder: CylinderElement = Field(description="The nominal cylinder.")
    from_: FromSurface | None = Field(default=None, description=_FROM_TEXT.format("surface"))
    span: Span | None = Field(default=None, description="Part of the axis used, from the given point, drawing's unit.")


class ConeFeature(FeatureOptions):
    """A cone."""

    kind = "cone"
    cone: ConeElement = Field(description="The nominal cone.")
    from_: FromSurface | None = Field(default=None, description=_FROM_TEXT.format("surface"))
    span: Span | None = Field(default=None, description="Part of the axis used, from the apex, drawing's unit.")


class SphereFeature(FeatureOptions):
    """A sphere."""

    kind = "sphere"
    sphere: SphereElement = Field(description="The nominal sphere.")
    from_: FromSurface | None = Field(default=None, description=_FROM_TEXT.format("surface"))


class SlotFeature(FeatureOptions):
    """An elongated hole."""

    kind = "slot"
    slot: SlotElement = Field(description="The nominal slot.")
    from_: FromEither | None = Field(default=None, description=_FROM_TEXT.format("edges"))
    side: Side | None = Field(default=None, description=_SIDE_TEXT)


class FacesAt(Section):
    """Faces of the nominal, named by points on them (face numbers change between exports)."""

    at: Places = Field(description="One point on each face meant.")


def parse_region(value: Any) -> str | FacesAt:
    """Return ``all`` or the faces at given points."""
    if isinstance(value, str):
        return word_parser(("all",), {"all surfaces": "all"}, "region")(value)
    if isinstance(value, list):
        return FacesAt(at=parse_places(value))
    return FacesAt.model_validate(value)


class SurfaceFeature(FeatureOptions):
    """A free surface: all of the nominal, or the faces at given points."""

    kind = "surface"
    surface: Annotated[
        Any, PlainValidator(parse_region), WithJsonSchema({"anyOf": [{"enum": ["all"]}, {"model": "FacesAt"}]})
    ] = Field(description='"all", or {at: [[x, y, z], ...]} with one point on each face meant.')
    from_: FromSurface | None = Field(default=None, description=_FROM_TEXT.format("surface"))


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
        _cone_angle(self.angle)
        return self


class SlotMember(Section):
    """A slot of a pattern."""

    length: Length = Field(description="Overall length, drawing's unit.")
    width: Length = Field(description="Width, drawing's unit.")
    along: Direction | None = Field(
        default=None,
        description="Direction of the length of every member; default radial on a circle, along on a grid.",
    )
    ends: Annotated[str, OneOf("round", "square", what="end of a slot")] | None = Field(
        default=None, description="round (default) or square."
    )

    @model_validator(mode="after")
    def _longer_than_wide(self) -> SlotMember:
        _slot_shape(self.length, self.width)
        return self


class Member(Section):
    """What a pattern repeats."""

    circle: CircleMember | None = Field(default=None, description="Circles, usually edges of holes.")
    cylinder: CircleMember | None = Field(default=None, description="Bores or shafts.")
    cone: ConeMember | None = Field(default=None, description="Cones.")
    sphere: CircleMember | None = Field(default=None, description="Spheres.")
    slot: SlotMember | None = Field(default=None, description="Slots.")

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
        default=None, description=_FROM_TEXT.format("edges for circles and slots, else surface")
    )
    side: Side | None = Field(default=None, description=_SIDE_TEXT)
    span: Span | None = Field(
        default=None, description="Part of each axis used, from the place, drawing's unit; bores and cones."
    )

    @model_validator(mode="after")
    def _fitting(self) -> PatternFeature:
        member = self.of.repeated
        if member not in ("circle", "slot"):
            if self.from_ == "edges":
                raise Refused(f"a {member} is not taken from edges", "from: surface")
            if self.side is not None:
                raise Refused(f"a {member} has no side", "side for circles and slots only")
        if self.span is not None and member not in ("cylinder", "cone"):
            raise Refused(f"a {member} has no span", "span for cylinders and cones only")
        return self


FEATURE_MODELS: dict[str, type[FeatureOptions]] = {
    model.kind: model
    for model in (
        PlaneFeature,
        LineFeature,
        CircleFeature,
        CylinderFeature,
        ConeFeature,
        SphereFeature,
        SlotFeature,
        SurfaceFeature,
        PatternFeature,
    )
}
assert tuple(FEATURE_MODELS) == (*FEATURE_KINDS, "pattern")


def tag_of(kind: str) -> str:
    """Return the union tag of a kind, spelt so that it can't be a key of a recipe."""
    return f"<{kind}>"


def _feature_tag(value: Any) -> str | None:
    """Return the tag of the first kind among a feature's keys."""
    if isinstance(value, FeatureOptions):
        return tag_of(value.kind)
    if isinstance(value, dict):
        keys = {spaced(str(key)) for key in value}
        kind = next((kind for kind in ("pattern", *FEATURE_KINDS) if kind in keys), None)
        return tag_of(kind) if kind else None
    return None


if TYPE_CHECKING:
    AnyFeature = FeatureOptions
else:
    AnyFeature = Annotated[
        Union[tuple(Annotated[model, Tag(tag_of(kind))] for kind, model in FEATURE_MODELS.items())],  # noqa: UP007
        Discriminator(_feature_tag, custom_error_type="no_kind", custom_error_message="no kind"),
    ]
