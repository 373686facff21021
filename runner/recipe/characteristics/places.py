"""Trim edges, gaps and steps, and lists of surface and edge points."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, PlainValidator, WithJsonSchema, model_validator

from runner.recipe.base import Section
from runner.recipe.characteristics.options import Datumed, Measured, References
from runner.recipe.limits import LimitsText, SignedLimitsText
from runner.recipe.names import Pair, parse_group
from runner.recipe.scalars import Length, Name, Refused, Words

_STEP = "Distance between the places looked at, drawing's unit; by default chosen from the spacing."


class TrimEdge(Datumed):
    """Deviation of a free edge in the sheet, place by place; + is too much material."""

    kind = "trim edge"
    trim_edge: Name = Field(description="The trim edge.")
    limits: SignedLimitsText = Field(description="Limits of the deviation, such as ±0.3 or +0.5/-0.2, drawing's unit.")
    search: Length | None = Field(
        default=None, description="How far from nominal the edge is sought, drawing's unit; default the feature's."
    )
    step: Length | None = Field(default=None, description=_STEP)


class Gap(Measured):
    """Distance between two edges in the tangent plane of the first, place by place."""

    kind = "gap"
    gap: Pair = Field(description="A trim edge, then a trim edge or plane.")
    limits: LimitsText = Field(description="Limits as the drawing writes them, drawing's unit.")
    step: Length | None = Field(default=None, description=_STEP)


class Step(Measured):
    """Difference in height across a gap along the first feature's normal, place by place; + is the second higher."""

    kind = "step"
    step: Pair = Field(description="Two trim edges or planes.")
    limits: SignedLimitsText = Field(description="Limits, such as ±0.3 or 0 to 0.5, drawing's unit.")
    every: Length | None = Field(default=None, description=_STEP)


class PointFile(Section):
    """A list of points in a file."""

    file: Words = Field(description="CSV file; a relative path counts from the recipe's folder.")


def parse_points(value: Any) -> PointFile | tuple[str, ...]:
    """Return a file of points, or the names of point features."""
    if isinstance(value, dict | PointFile):
        return PointFile.model_validate(value)
    names = parse_group(value)
    return names if isinstance(names, tuple) else (names,)


Points = Annotated[
    Any,
    PlainValidator(parse_points),
    WithJsonSchema({"anyOf": [{"model": "PointFile"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}]}),
]


class PointList(Datumed):
    """Base of the lists of points."""

    limits: SignedLimitsText | None = Field(
        default=None, description="Limits of the deviation of named points, drawing's unit; a file has its own limits."
    )
    search: Length | None = Field(
        default=None, description="How far from nominal the points of a file are sought, drawing's unit; default 1 mm."
    )

    @property
    def points(self) -> Any:
        """The file, or the names of the points."""
        return getattr(self, self.kind.replace(" ", "_"))

    @property
    def point_file(self) -> str | None:
        """The file's name as the recipe writes it, or None."""
        return self.points.file if isinstance(self.points, PointFile) else None

    @property
    def references(self) -> References:
        """The named points."""
        if isinstance(self.points, PointFile):
            return ()
        return tuple(((self.kind, i), name) for i, name in enumerate(self.points))

    @model_validator(mode="after")
    def _limits_once(self) -> PointList:
        of_file = self.point_file is not None
        if of_file and self.limits is not None:
            raise Refused("the points of a file have their own limits", "columns lower and upper", key="limits")
        if not of_file and self.limits is None:
            raise Refused("named points need limits", "limits: such as ±0.2")
        if not of_file and self.search is not None:
            raise Refused("named points state their own search", "search of each feature", key="search")
        return self


class SurfacePoints(PointList):
    """Deviations of single points of the surface, each along its direction with its limits."""

    kind = "surface points"
    surface_points: Points = Field(
        description="{file: points.csv} with the columns name, x, y, z, i, j, k (direction out of the material), "
        "lower, upper; or a list of surface points."
    )


class EdgePoints(PointList):
    """Deviations of single points of free edges, each outward in the sheet with its limits."""

    kind = "edge points"
    edge_points: Points = Field(
        description="{file: points.csv} with the columns name, x, y, z, i, j, k (outward in the sheet), u, v, w (out "
        "of the sheet), lower, upper; or a list of edge points."
    )
