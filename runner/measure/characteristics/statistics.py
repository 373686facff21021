"""Statistics of the deviations of a surface, each place of it counted alike however densely it was scanned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from runner.geometry.mesh import Floats
from runner.measure.characteristics.common import Context, Finding, Missing, Value, datum_movement
from runner.measure.characteristics.profile import LEAST_REACH, deviations, largest_gap
from runner.measure.extract import COVER_SPACINGS, nearest_point
from runner.measure.patch import NoPatch, find_patch
from runner.measure.specs import CharacteristicSpec

CELL_SPACINGS = 3.0
"""Side of the cubes in which surface and points are counted, to weigh the points."""
CENTRAL = (0.025, 0.975)
LEAST_POINTS = 20
DEFINITIONS = {
    "mean": "mean of the deviations",
    "rms": "root of the mean squared deviation from nominal",
    "standard deviation": "root of the mean squared deviation from their mean",
    "95 %": "span of the central 95 % of the deviations, from their 2.5 % to their 97.5 % quantile",
    "share within": "share of the seen surface whose deviation lies within the band",
}


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the statistic of each surface named, mm; ``share within`` as a share of 1."""
    if spec.quantity not in DEFINITIONS:
        return [Missing(spec.id, f"say which statistic is meant: {', '.join(DEFINITIONS)}")]
    move = datum_movement(spec, context)
    if isinstance(move, Missing):
        return [move]
    return [_one(spec, context, name, move) for name in spec.features]


def _one(spec: CharacteristicSpec, context: Context, name: str, move: Floats) -> Finding:
    feature = context.specs.get(name)
    if feature is None:
        return Missing(name, f'there is no feature "{name}"')
    band = spec.reach
    if spec.quantity == "share within" and not (band is not None and band > 0):
        return Missing(name, "a share within needs its band: the largest deviation that counts as within")
    scene = context.scene
    patch = find_patch(feature, context.nominal, max(scene.spacing, 1e-3))
    if isinstance(patch, NoPatch):
        return Missing(name, patch.reason)
    # far enough that what lies outside the band is seen to
    reach = max(spec.search, LEAST_REACH, 3.0 * (band or 0.0))
    seen = deviations(replace(spec, reach=reach, zone=None), context, patch, move)
    if isinstance(seen, str):
        return Missing(name, seen)
    if len(seen.distance) < LEAST_POINTS:
        return Missing(name, f"only {len(seen.distance)} points on it; at least {LEAST_POINTS} are needed")
    feet = seen.points - seen.distance[:, None] * seen.facing
    weight = area_weights(feet, patch.samples, CELL_SPACINGS * max(scene.spacing, patch.sample_spacing))
    value = statistic(spec.quantity, seen.distance, weight, band)
    largest = max(abs(float(seen.distance.max())), abs(float(seen.distance.min())))
    covered = COVER_SPACINGS * scene.spacing + min(largest, 1.0)
    away = nearest_point(patch.samples, seen.points, scene.spacing)
    coverage = float((away <= covered).mean()) if len(away) else 0.0
    gap = largest_gap(away, covered)
    blocked = ""
    if spec.largest_gap is not None and gap > spec.largest_gap:
        blocked = f"a patch {gap:.1f} mm across was not seen; {spec.largest_gap:g} mm is allowed"
    if seen.removed_nearby and not blocked:
        blocked = f"{seen.removed_nearby} points over the surface were removed, and the surface under them was not seen"
    details: dict[str, float | str] = {
        "definition": f"{DEFINITIONS[spec.quantity]}, each place counted alike; the scan's noise is in it",
        "mean": statistic("mean", seen.distance, weight),
        "standard deviation": statistic("standard deviation", seen.distance, weight),
        "worst plus": float(seen.distance.max()),
        "worst minus": float(seen.distance.min()),
        "looked within": reach,
        "largest gap": gap,
        "isolated points left out": float(seen.specks),
    }
    if band is not None and spec.quantity == "share within":
        details["band"] = band
    return Value(name, value, points=len(seen.rows), coverage=coverage, blocked=blocked, details=details)


def area_weights(feet: Floats, samples: Floats, cell: float) -> Floats:
    """Return weights (n,) of points that sum to 1, such that every place of the seen surface weighs alike.

    Scans lie denser where they overlap and where the surface faces the scanner; the surface does not. Each cube of
    ``cell`` mm weighs by the surface in it, counted by even ``samples`` (k, 3) of it, and shares that among the points
    whose ``feet`` (n, 3) lie in it.
    """
    even = np.full(len(feet), 1.0 / max(len(feet), 1))
    if not cell > 0 or not len(feet) or not len(samples):
        return even
    every = np.floor((np.vstack([feet, samples]) - samples.min(axis=0)) / cell).astype(np.int64)
    number = np.unique(every, axis=0, return_inverse=True)[1].reshape(-1)
    mine = number[: len(feet)]
    points = np.bincount(mine, minlength=int(number.max()) + 1)
    surface = np.bincount(number[len(feet) :], minlength=int(number.max()) + 1)
    weight = surface[mine] / points[mine]
    total = float(weight.sum())
    return np.asarray(weight / total, dtype=np.float64) if total > 0 else even


def statistic(quantity: str, values: Floats, weight: Floats, band: float | None = None) -> float:
    """Return one statistic of values (n,) with weights (n,) that sum to 1."""
    mean = float(weight @ values)
    if quantity == "mean":
        return mean
    if quantity == "rms":
        return float(np.sqrt(weight @ values**2))
    if quantity == "standard deviation":
        return float(np.sqrt(weight @ (values - mean) ** 2))
    if quantity == "95 %":
        low, high = (quantile(values, weight, q) for q in CENTRAL)
        return high - low
    assert band is not None
    return float(weight @ (np.abs(values) <= band))


def quantile(values: Floats, weight: Floats, share: float) -> float:
    """Return the value below which ``share`` of the weight lies, interpolated between the middles of the weights."""
    order = np.argsort(values)
    up = np.cumsum(weight[order]) - 0.5 * weight[order]
    return float(np.interp(share, up, values[order]))
