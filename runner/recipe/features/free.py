"""Free regions, sections, trim edges and single points."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, PlainValidator, WithJsonSchema, model_validator

from runner.recipe.base import Section
from runner.recipe.features.options import FROM_TEXT, FeatureOptions, FromSurface
from runner.recipe.scalars import Direction, Flag, OneOf, Place, Places, Refused, parse_places, word_parser

FromEdges = Annotated[str, OneOf("edges", what="source of points")]


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


Region = Annotated[
    Any, PlainValidator(parse_region), WithJsonSchema({"anyOf": [{"enum": ["all"]}, {"model": "FacesAt"}]})
]


class SurfaceFeature(FeatureOptions):
    """A free surface: all of the nominal, or the faces at given points."""

    kind = "surface"
    surface: Region = Field(description='"all", or {at: [[x, y, z], ...]} with one point on each face meant.')
    from_: FromSurface | None = Field(default=None, description=FROM_TEXT.format("surface"))


class CrossSectionElement(Section):
    """A plane that cuts the part."""

    at: Place = Field(description="A point of the cutting plane.")
    normal: Direction = Field(description="Normal of the cutting plane.")


class CrossSectionFeature(FeatureOptions):
    """The line in which a plane cuts the surface."""

    kind = "cross-section"
    cross_section: CrossSectionElement = Field(alias="cross-section", description="The cutting plane.")
    of: Region | None = Field(
        default=None, description='What is cut: "all" (default), or {at: [[x, y, z], ...]} with a point on each face.'
    )


class TrimEdgeElement(Section):
    """Where a free edge runs."""

    through: Places = Field(
        description="Points on the nominal edge, in order; one point means the whole chain of edges that it lies on."
    )
    normal: Direction = Field(description="Out of the sheet, on the side on which the edge is meant.")
    closed: Flag | None = Field(
        default=None, description="Whether the edge goes on from the last point to the first; default false."
    )

    @model_validator(mode="after")
    def _possible(self) -> TrimEdgeElement:
        if self.closed and len(self.through) < 3:
            raise Refused("a closed stretch through fewer than three points", "three points or more", key="closed")
        if len(set(self.through)) < len(self.through):
            raise Refused("the same point stands twice", "different points, in order", key="through")
        return self


class TrimEdgeFeature(FeatureOptions):
    """A free edge of sheet."""

    kind = "trim edge"
    trim_edge: TrimEdgeElement = Field(description="Where it runs.")
    from_: FromEdges | None = Field(default=None, description=FROM_TEXT.format("edges"))


class SurfacePointElement(Section):
    """A place on the surface."""

    at: Place = Field(description="The place, on the nominal's surface.")
    normal: Direction = Field(description="Direction out of the material there.")


class SurfacePointFeature(FeatureOptions):
    """A single point of the surface."""

    kind = "surface point"
    surface_point: SurfacePointElement = Field(description="The nominal point.")
    along: Direction | None = Field(
        default=None, description="Direction along which the deviation is taken; default the normal."
    )
    from_: FromSurface | None = Field(default=None, description=FROM_TEXT.format("surface"))


class EdgePointElement(Section):
    """A place on a free edge."""

    at: Place = Field(description="The place, on the nominal's edge.")
    normal: Direction = Field(description="Out of the sheet, on the side on which the edge is meant.")
    outward: Direction = Field(description="In the sheet, out of the material.")


class EdgePointFeature(FeatureOptions):
    """A single point of a free edge."""

    kind = "edge point"
    edge_point: EdgePointElement = Field(description="The nominal point.")
    from_: FromEdges | None = Field(default=None, description=FROM_TEXT.format("edges"))
