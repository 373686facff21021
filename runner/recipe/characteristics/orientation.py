"""Orientation and runout."""

from __future__ import annotations

from pydantic import Field

from runner.recipe.characteristics.options import Datumed, Measured, Shape
from runner.recipe.frames import Frame
from runner.recipe.names import Reference
from runner.recipe.scalars import Direction, Length, Span
from runner.recipe.sections import JudgeRule


class Orientation(Measured):
    """Base of the orientation characteristics."""

    zone: Length = Field(description="Width or diameter of the tolerance zone, drawing's unit.")
    shape: Shape | None = Field(
        default=None,
        description="Zone of an axis: diametral or two planes; required for an axis, a plane has two planes.",
    )
    direction: Direction | None = Field(default=None, description="Direction across a zone of two planes of an axis.")
    datums: Frame | None = Field(default=None, description="Datum system, or datums such as A or [A, B].")
    to: Reference | None = Field(
        default=None, description="The feature it is stated against, where the drawing names no datum."
    )
    over: Span | None = Field(
        default=None, description="Part of the axis that is judged, from the feature's point, drawing's unit."
    )
    judge: JudgeRule | None = Field(
        default=None, description="Which zone is judged; default as in defaults, else all points."
    )


class Parallelism(Orientation):
    """Parallelism to a datum (ISO 1101)."""

    kind = "parallelism"
    parallelism: Reference = Field(description="The plane or axis.")


class Perpendicularity(Orientation):
    """Perpendicularity to a datum (ISO 1101)."""

    kind = "perpendicularity"
    perpendicularity: Reference = Field(description="The plane or axis.")


class Angularity(Orientation):
    """Angularity to a datum (ISO 1101), at the angle of the nominal."""

    kind = "angularity"
    angularity: Reference = Field(description="The plane or axis.")


class Runout(Datumed):
    """Base of the runouts."""

    zone: Length = Field(description="Width of the tolerance zone, drawing's unit.")
    judge: JudgeRule | None = Field(
        default=None, description="Which zone is judged; default as in defaults, else all points."
    )


class CircularRunout(Runout):
    """Circular runout (ISO 1101): section by section; of a plane it is axial, of a cone square to the surface."""

    kind = "circular runout"
    circular_runout: Reference = Field(description="The cylinder, cone, circle or plane.")
    step: Length | None = Field(
        default=None, description="Distance between sections, drawing's unit; by default chosen from the spacing."
    )


class TotalRunout(Runout):
    """Total runout (ISO 1101): of the whole face at once."""

    kind = "total runout"
    total_runout: Reference = Field(description="The cylinder or plane.")
