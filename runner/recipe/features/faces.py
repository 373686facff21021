"""Planes, straight edges and round faces."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from runner.recipe.base import Section
from runner.recipe.features.options import FROM_TEXT, FeatureOptions, FromEither, FromSurface
from runner.recipe.scalars import Angle, Direction, Length, OneOf, Place, Refused, Span


class PlaneElement(Section):
    """A plane."""

    at: Place = Field(description="A point on the face meant, drawing's unit, nominal's frame.")
    normal: Direction = Field(description="Direction out of the material.")


class LineElement(Section):
    """A straight edge."""

    at: Place = Field(description="A point on the edge.")
    direction: Direction = Field(description="Direction along the edge.")


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
        cone_angle(self.angle)
        return self


def cone_angle(angle: float) -> None:
    """Refuse an included angle that no cone has."""
    if not 0 < angle < 180:
        allowed = "an included angle above 0° and below 180°"
        raise Refused(f"a cone with an included angle of {angle:g}°", allowed, key="angle")


class SphereElement(Section):
    """A sphere."""

    at: Place = Field(description="Centre.")
    diameter: Length = Field(description="Diameter, drawing's unit.")


class TorusElement(Section):
    """A torus: a tube bent to a ring."""

    at: Place = Field(description="Centre.")
    axis: Direction = Field(description="Axis of the ring.")
    diameter: Length = Field(description="Diameter of the ring, from middle to middle of the tube, drawing's unit.")
    tube: Length = Field(description="Diameter of the tube, drawing's unit.")

    @model_validator(mode="after")
    def _open_ring(self) -> TorusElement:
        if not self.tube < self.diameter:
            raise Refused(
                f"a tube of {self.tube:g} closes a ring of {self.diameter:g}",
                "a tube below the ring's diameter",
                key="tube",
            )
        return self


class PlaneFeature(FeatureOptions):
    """A plane."""

    kind = "plane"
    plane: PlaneElement = Field(description="The nominal plane.")
    from_: FromSurface | None = Field(default=None, description=FROM_TEXT.format("surface"))
    extent: Annotated[str, OneOf("connected", "coplanar", what="extent")] | None = Field(
        default=None, description="connected: the face at the point (default); coplanar: all faces in that plane."
    )


class LineFeature(FeatureOptions):
    """A straight edge."""

    kind = "line"
    line: LineElement = Field(description="The nominal line.")
    from_: FromEither | None = Field(
        default=None,
        description="edges: a free edge (default); surface: the line in which the planes of the two faces at it meet.",
    )
    span: Span | None = Field(default=None, description="Part of the line used, from the given point, drawing's unit.")


class CylinderFeature(FeatureOptions):
    """A bore or a shaft."""

    kind = "cylinder"
    cylinder: CylinderElement = Field(description="The nominal cylinder.")
    from_: FromSurface | None = Field(default=None, description=FROM_TEXT.format("surface"))
    span: Span | None = Field(default=None, description="Part of the axis used, from the given point, drawing's unit.")


class ConeFeature(FeatureOptions):
    """A cone."""

    kind = "cone"
    cone: ConeElement = Field(description="The nominal cone.")
    from_: FromSurface | None = Field(default=None, description=FROM_TEXT.format("surface"))
    span: Span | None = Field(default=None, description="Part of the axis used, from the apex, drawing's unit.")


class SphereFeature(FeatureOptions):
    """A sphere."""

    kind = "sphere"
    sphere: SphereElement = Field(description="The nominal sphere.")
    from_: FromSurface | None = Field(default=None, description=FROM_TEXT.format("surface"))


class TorusFeature(FeatureOptions):
    """A torus, such as a fillet turned about an axis or an O-ring groove."""

    kind = "torus"
    torus: TorusElement = Field(description="The nominal torus.")
    from_: FromSurface | None = Field(default=None, description=FROM_TEXT.format("surface"))
