"""Bends, thickness, depths, countersinks and chamfers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from runner.recipe.characteristics.options import Measured, References
from runner.recipe.limits import AngleLimitsText, EitherLimitsText, LimitsText
from runner.recipe.names import Pair, Reference, TwoPlanes
from runner.recipe.scalars import Flag, Length, Name, OneOf

_SHORTER = "Length of the angle's shorter side, drawing's unit; needed for a general class of ISO 2768-1 of an angle."


class BendAngle(Measured):
    """Angle through which sheet is bent, 0 for flat sheet, or the angle that its flanges include."""

    kind = "bend angle"
    bend_angle: Pair = Field(description="The planes of the two flanges.")
    limits: AngleLimitsText = Field(description="Limits as the drawing writes them, degrees.")
    included: Flag = Field(
        description="false: the angle bent through; true: the angle between the flanges. No default: drawings differ."
    )
    shorter_side: Length | None = Field(default=None, description=_SHORTER)

    @property
    def angular(self) -> bool:
        """Whether its value is an angle."""
        return True


class BendRadius(Measured):
    """Radius inside or outside a bend, by least squares."""

    kind = "bend radius"
    bend_radius: Reference = Field(description="The cylinder or arc inside or outside the bend.")
    limits: LimitsText = Field(description="Limits of the radius, drawing's unit.")


class Thickness(Measured):
    """Local thickness of sheet or wall; every local value is judged."""

    kind = "thickness"
    thickness: Pair = Field(description="A face and the face opposite to it.")
    limits: LimitsText = Field(description="Limits as the drawing writes them, drawing's unit.")


class Depth(Measured):
    """Depth of a bottom under the face it opens in."""

    kind = "depth"
    depth: Pair = Field(description="The face, then the bottom.")
    limits: LimitsText = Field(description="Limits as the drawing writes them, drawing's unit.")


class Countersink(Measured):
    """A countersink's diameter at the face, its depth, or its full angle."""

    kind = "countersink"
    countersink: Reference = Field(description="The cone, or each of a pattern.")
    of: Annotated[str, OneOf("diameter", "depth", "angle", what="dimension of a countersink")] = Field(
        description="diameter (where the cone meets the face), depth or angle (full). No default."
    )
    face: Name = Field(description="The plane in which it opens.")
    hole: Name | None = Field(
        default=None, description="depth only: the cylinder or circle below it; default the cone's nominal small end."
    )
    limits: EitherLimitsText = Field(description="Limits, drawing's unit; degrees for of: angle.")
    shorter_side: Length | None = Field(default=None, description=_SHORTER)

    @property
    def angular(self) -> bool:
        """Whether its value is an angle."""
        return self.of == "angle"

    @property
    def references(self) -> References:
        """The cone, the face, the hole."""
        hole: References = () if self.hole is None else ((("hole",), self.hole),)
        return (((self.kind,), self.countersink), (("face",), self.face), *hole)


class Chamfer(Measured):
    """A chamfer's width, its leg along the first face, or its angle to the first face."""

    kind = "chamfer"
    chamfer: Name = Field(description="The bevel: a plane, or a cone between a plane and a round face.")
    between: TwoPlanes = Field(description="The two faces it lies between, the one it is stated from first.")
    of: Annotated[str, OneOf("width", "leg", "angle", what="dimension of a chamfer")] = Field(
        description="width (of the bevel), leg (along the first face) or angle (to the first face). No default."
    )
    limits: EitherLimitsText = Field(description="Limits, drawing's unit; degrees for of: angle.")
    shorter_side: Length | None = Field(default=None, description=_SHORTER)

    @property
    def angular(self) -> bool:
        """Whether its value is an angle."""
        return self.of == "angle"

    @property
    def references(self) -> References:
        """The bevel, then both faces."""
        a, b = self.between
        return (((self.kind,), self.chamfer), (("between", 0), a), (("between", 1), b))
