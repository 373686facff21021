"""Bend radius of sheet: the least-squares radius of the inside or outside of a bend."""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import perpendicular
from runner.geometry.shapes import Circle, Cylinder
from runner.measure.characteristics.common import Context, Finding, Missing, Value, found
from runner.measure.characteristics.gather import spread_of, undecidable
from runner.measure.characteristics.size import cylinder_of
from runner.measure.element import array
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec

LEAST_TURN = float(np.radians(20.0))
"""A shorter arc does not hold its radius: the same arrow height belongs to a wide range of radii."""


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the radius of each bend named, mm."""
    return [_one(spec, context, name) for name in spec.features]


def _one(spec: CharacteristicSpec, context: Context, name: str) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    if not isinstance(feature.shape, Cylinder | Circle):
        return Missing(name, "a bend radius is asked of the cylinder inside or outside the bend")
    turn = seen_turn(feature)
    if turn < LEAST_TURN:
        return Missing(
            name, f"only {np.degrees(turn):.0f} deg of the bend was seen; its radius needs {np.degrees(LEAST_TURN):.0f}"
        )
    standard = spread_of(feature.fit, {"radius": 1.0})
    details: dict[str, float | str] = {
        "definition": "global least squares (GG)",
        "turn seen, deg": float(np.degrees(turn)),
    }
    if feature.patch is not None:
        details["side"] = "outside of the bend" if feature.patch.outward > 0 else "inside of the bend"
    if standard is not None:
        details["standard deviation from noise"] = standard
    return Value(
        name,
        feature.shape.radius,
        points=len(feature.points),
        coverage=feature.coverage,
        blocked=undecidable(standard, spec),
        details=details,
    )


def seen_turn(feature: FoundFeature) -> float:
    """Return the turn about the axis, rad, that the points take: the full turn less the largest gap."""
    cylinder = cylinder_of(feature)
    u, v = perpendicular(array(cylinder.axis))
    offset = feature.points - array(cylinder.point)
    if len(offset) < 2:
        return 0.0
    angle = np.sort(np.arctan2(offset @ v, offset @ u))
    gaps = np.diff(np.concatenate([angle, [angle[0] + 2 * np.pi]]))
    return float(2 * np.pi - gaps.max())
