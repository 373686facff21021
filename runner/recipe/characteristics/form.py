"""Form."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from runner.recipe.characteristics.options import Measured, Shape
from runner.recipe.names import Reference
from runner.recipe.scalars import Direction, Length, OneOf
from runner.recipe.sections import JudgeRule


class Form(Measured):
    """Base of the form characteristics."""

    zone: Length = Field(description="Width of the tolerance zone, drawing's unit.")
    judge: JudgeRule | None = Field(
        default=None,
        description='Which zone is judged: "all points", {filter: gaussian, cutoff: ...} (ISO 16610) or '
        "{central: 95 %, agreement: ...}. No default here; defaults: characteristics: judge states it for all.",
    )


class Straightness(Form):
    """Straightness (ISO 1101): of an edge, of an axis, of the lines of a round face, or of lines in a plane."""

    kind = "straightness"
    straightness: Reference = Field(description="The line, cylinder, cone or plane.")
    of: Annotated[str, OneOf("axis", "generators", what="line of a round face")] | None = Field(
        default=None,
        description="axis: the derived median line; generators: every line of the surface. Required for a cylinder or "
        "cone, not allowed elsewhere.",
    )
    along: Direction | None = Field(
        default=None, description="Direction of the lines in a plane, nominal's frame; required there."
    )
    shape: Shape | None = Field(
        default=None,
        description="diametral or two planes; required for an axis and for an edge, other lines have two planes.",
    )
    direction: Direction | None = Field(default=None, description="Direction across a zone of two planes of an axis.")


class Flatness(Form):
    """Flatness (ISO 1101): width of the narrowest zone between two parallel planes."""

    kind = "flatness"
    flatness: Reference = Field(description="The plane.")


class Roundness(Form):
    """Roundness (ISO 1101): width of the narrowest ring, section by section."""

    kind = "roundness"
    roundness: Reference = Field(description="The circle, cylinder, cone or sphere.")


class Cylindricity(Form):
    """Cylindricity (ISO 1101): width of the narrowest zone between two coaxial cylinders."""

    kind = "cylindricity"
    cylindricity: Reference = Field(description="The cylinder.")
