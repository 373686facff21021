"""What every feature may state, and the words that several kinds share."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import Field

from runner.recipe.base import Section
from runner.recipe.scalars import Count, Fraction, Length, LengthOrZero, OneOf

ASSOCIATIONS = ("least squares", "minimum zone", "maximum inscribed", "minimum circumscribed", "outside material")


class Feature(Section):
    """Base of all features."""

    kind: ClassVar[str] = ""


class FeatureOptions(Feature):
    """What every feature found on the scan may state."""

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
    depth: Length | None = Field(
        default=None,
        description="From edges only: how far below the sheet's surface material still counts as the edge, so that an "
        "edge break or burr does not move it, drawing's unit; default 0.3 mm.",
    )


FromSurface = Annotated[str, OneOf("surface", what="source of points")]
FromEither = Annotated[str, OneOf("surface", "edges", what="source of points")]
Side = Annotated[str, OneOf("near", "far", what="side")]
SIDE_TEXT = (
    "near: the edge on the side the axis points out of, as placed (default); far: the edge on the sheet's other side, "
    "one sheet thickness against the axis."
)
FROM_TEXT = "Points of the surface or of the edge; default {}."
