"""Bend angle of sheet: how far one flange is turned out of the other's plane."""

from __future__ import annotations

import numpy as np

from runner.geometry.mesh import Floats
from runner.geometry.shapes import Plane
from runner.measure.characteristics.between_faces import enclosed
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


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the bend angle, rad: 0 for flat sheet; or the angle that the flanges include (180 degrees less it)."""
    features = gather(spec, context, "a bend angle needs two plane", 2, 2)
    if isinstance(features, Missing):
        return [features]
    a, b = features
    name = joined(features)
    included = enclosed(a, b)
    if isinstance(included, str):
        return [Missing(name, included)]
    wanted = spec.quantity or "bend"
    if wanted not in ("bend", "included"):
        return [Missing(name, f"a bend angle is given as bend or included, not {wanted!r}")]
    standard = angle_noise(a, b)
    details: dict[str, float | str] = {
        "definition": "angle through which the sheet is bent, between the least-squares planes of its flanges"
        if wanted == "bend"
        else "angle that the flanges include, between their least-squares planes",
        "bend angle, deg": float(np.degrees(np.pi - included)),
    }
    if standard is not None:
        details["standard deviation from noise, deg"] = float(np.degrees(standard))
    value = included if wanted == "included" else float(np.pi - included)
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


def angle_noise(a: FoundFeature, b: FoundFeature) -> float | None:
    """Return the standard deviation, rad, that noise alone gives the angle of two fitted planes; None without fits."""
    if not isinstance(a.shape, Plane) or not isinstance(b.shape, Plane):
        return None
    edge = np.cross(array(a.shape.normal), array(b.shape.normal))
    length = float(np.linalg.norm(edge))
    parts = [turn_noise(f, edge / length) if length > 0 else None for f in (a, b)]
    known = [p for p in parts if p is not None]
    return float(np.hypot(known[0], known[1])) if len(known) == 2 else None


def turn_noise(feature: FoundFeature, axis: Floats) -> float | None:
    """Return the standard deviation, rad, of a fitted plane's turn about a unit direction (3,) in it."""
    if feature.fit is None:
        return None
    u, v, w = feature.fit.frame
    # the normal w becomes w + (tilt u) u + (tilt v) v; a turn t about the axis makes it w + t (axis x w)
    lean = np.cross(axis, w)
    return spread_of(feature.fit, {"tilt u": float(lean @ u), "tilt v": float(lean @ v)})
