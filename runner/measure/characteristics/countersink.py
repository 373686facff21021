"""Countersinks: diameter at the face, depth and angle, from a cone and the plane that it opens in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cone, Cylinder, Plane
from runner.measure.characteristics.common import Context, Finding, Missing, Value
from runner.measure.characteristics.gather import (
    coverage_of,
    gather,
    joined,
    points_of,
    spread_of,
    undecidable,
)
from runner.measure.element import array
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec

LARGEST_TILT = float(np.cos(np.radians(30.0)))
"""Between the cone's axis and the face's normal; beyond, its mouth is far from a circle."""


@dataclass(frozen=True)
class Mouth:
    """Where a cone meets a face."""

    height: float
    """mm along the axis from the apex to the face."""
    diameter: float
    """mm, in the section square to the axis where the axis meets the face: 2 h tan(half angle)."""
    longest: float
    """mm, the longest diameter of the mouth in the face: an ellipse where the axis leans."""
    tilt: float
    """rad between the cone's axis and the face's normal."""
    centre: Floats
    """(3,) where the axis meets the face."""


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the diameter or depth, mm, or the angle, rad, of a countersink."""
    features = gather(spec, context, "a countersink needs its cone and its face (and for the depth its hole);", 2, 3)
    if isinstance(features, Missing):
        return [features]
    cone = next((f for f in features if isinstance(f.shape, Cone)), None)
    face = next((f for f in features if isinstance(f.shape, Plane)), None)
    hole = next((f for f in features if isinstance(f.shape, Cylinder | Circle)), None)
    name = joined(features)
    if cone is None or face is None:
        return [Missing(name, "a countersink is asked of a cone and a plane")]
    assert isinstance(cone.shape, Cone) and isinstance(face.shape, Plane)
    found = mouth(cone.shape, face.shape)
    if isinstance(found, str):
        return [Missing(name, found)]
    wanted = spec.quantity or "diameter"
    got = _asked(wanted, cone, found, hole)
    if isinstance(got, str):
        return [Missing(name, got)]
    value, definition, standard = got
    details: dict[str, float | str] = {
        "definition": definition,
        "diameter at the face": found.diameter,
        "longest diameter in the face": found.longest,
        "angle, deg": float(np.degrees(2.0 * cone.shape.half_angle)),
        "tilt to the face, deg": float(np.degrees(found.tilt)),
    }
    if standard is not None:
        label = "standard deviation from noise" + (", deg" if wanted == "angle" else "")
        details[label] = float(np.degrees(standard)) if wanted == "angle" else standard
    return [
        Value(
            name,
            value,
            points=points_of(features),
            coverage=coverage_of(features),
            blocked=undecidable(standard, spec),
            details=details,
        )
    ]


def _asked(
    wanted: str, cone: FoundFeature, found: Mouth, hole: FoundFeature | None
) -> tuple[float, str, float | None] | str:
    """The value, its definition and what noise gives it."""
    shape = cone.shape
    assert isinstance(shape, Cone)
    slope = float(np.tan(shape.half_angle))
    of_diameter = diameter_noise(cone, found)
    if wanted == "diameter":
        text = "2 h tan(angle / 2): cone and face extended to where they meet, square to the cone's axis"
        return found.diameter, text, of_diameter
    if wanted == "angle":
        return 2.0 * shape.half_angle, "full angle of the least-squares cone", spread_of(cone.fit, {"half angle": 2.0})
    if wanted != "depth":
        return f"of a countersink the diameter, depth or angle is asked, not {wanted!r}"
    small, where = _small_diameter(cone, hole)
    if small is None:
        return where
    depth = (found.diameter - small) / (2.0 * slope)
    if depth <= 0:
        return "the hole is as wide as the countersink at the face: there is no depth"
    return depth, f"along the axis from the face to {where}", None if of_diameter is None else of_diameter / (2 * slope)


def _small_diameter(cone: FoundFeature, hole: FoundFeature | None) -> tuple[float | None, str]:
    """Diameter, mm, of the cone's small end, and what it is; or None and the reason."""
    if hole is not None:
        shape = hole.shape
        assert isinstance(shape, Cylinder | Circle)
        return 2.0 * shape.radius, f"the measured hole ({hole.spec.name})"
    nominal = cone.spec.shape
    if cone.patch is None or cone.patch.axial is None or not isinstance(nominal, Cone):
        return None, "the depth needs the hole, or the cone's nominal extent"
    small = 2.0 * max(cone.patch.axial[0], 0.0) * float(np.tan(nominal.half_angle))
    return small, f"the cone's nominal small end, diameter {small:.4g} mm"


def mouth(cone: Cone, face: Plane) -> Mouth | str:
    """Return where a cone meets a face, or why it doesn't.

    The axis meets the plane at h = ((q - apex) . n) / (axis . n); the section square to the axis there has the diameter
    2 h tan(half angle). With a lean the mouth in the face is an ellipse whose longest diameter follows from the two
    lines of the cone in the plane of axis and normal.
    """
    axis, normal = array(cone.axis), array(face.normal)
    cosine = float(axis @ normal)
    if cosine < 0:
        return "the cone opens into the material, not to the face"
    if cosine < LARGEST_TILT:
        return f"the cone's axis leans {np.degrees(np.arccos(cosine)):.0f} deg to the face: its mouth is no circle"
    height = float((array(face.point) - array(cone.apex)) @ normal) / cosine
    if height <= 0:
        return "the cone's apex lies above the face: they don't meet"
    tilt = float(np.arctan2(np.linalg.norm(np.cross(axis, normal)), cosine))
    if tilt + cone.half_angle >= np.pi / 2:
        return "the cone doesn't close in the face"
    square = height * cosine
    # the two lines of the cone in the plane of axis and normal stand at tilt +- half angle to the normal
    longest = square * (np.tan(tilt + cone.half_angle) - np.tan(tilt - cone.half_angle))
    diameter = 2.0 * height * float(np.tan(cone.half_angle))
    return Mouth(height, diameter, float(longest), tilt, array(cone.apex) + height * axis)


def diameter_noise(cone: FoundFeature, found: Mouth) -> float | None:
    """Return the standard deviation, mm, of the diameter that noise on the cone alone gives; None without a fit."""
    shape = cone.shape
    if cone.fit is None or not isinstance(shape, Cone):
        return None
    above = float((found.centre - array(cone.fit.reference)) @ array(shape.axis))
    cosine = float(np.cos(shape.half_angle))
    # offset moves the surface along its normal; the half angle turns it about the circle at the reference
    return spread_of(cone.fit, {"offset": 2.0 / cosine, "half angle": 2.0 * above / cosine**2})
