"""Constructed features: made of others, by the same function for the nominal and for the measured ones."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from runner.recipe.features.options import Feature
from runner.recipe.names import Group, Group2, Pair
from runner.recipe.scalars import Direction, OneOf


class Constructed(Feature):
    """Base of the constructed features."""

    @property
    def parents(self) -> tuple[str, ...]:
        """Names of what it is made of, in order; a pattern stands for its members."""
        value = getattr(self, self.kind.replace(" ", "_"))
        return value if isinstance(value, tuple) else (value,)


class MidpointFeature(Constructed):
    """The point half way between two centres, or the plane or line half way between two parallel planes or axes."""

    kind = "midpoint"
    midpoint: Pair = Field(description="The two features.")


class IntersectionFeature(Constructed):
    """Where features meet.

    Two planes give a line, an axis and a plane a point, two axes the point between them where they are nearest, three
    planes a point.
    """

    kind = "intersection"
    intersection: Group2 = Field(description="Two features, or three planes.")


class CentreFeature(Constructed):
    """The centre of a feature, or the mean of several centres; a pattern stands for its members."""

    kind = "centre"
    centre: Group = Field(description="The feature, a pattern, or several features.")


class ProjectionFeature(Constructed):
    """A point projected onto a plane or an axis, or an axis projected onto a plane."""

    kind = "projection"
    projection: Pair = Field(description="What is projected, then onto what.")
    along: Direction | None = Field(
        default=None, description="Direction of projection onto a plane; default the plane's normal."
    )


class SymmetryPlaneFeature(Constructed):
    """The plane that halves two planes, or a slot or rectangle."""

    kind = "symmetry plane"
    symmetry_plane: Group = Field(description="Two planes, or a slot or rectangle.")
    across: Annotated[str, OneOf("width", "length", what="direction across a slot")] | None = Field(
        default=None, description="Which size of a slot or rectangle is halved; required there, not allowed elsewhere."
    )


class AxisFeature(Constructed):
    """The axis of one round feature, or the line through the centres of several."""

    kind = "axis"
    axis: Group = Field(description="One cylinder, cone or torus, or two or more features with a centre.")


class CentreCircleFeature(Constructed):
    """The circle through three or more centres: the bolt circle of a pattern."""

    kind = "centre circle"
    centre_circle: Group = Field(description="A pattern, or three or more features with a centre.")
