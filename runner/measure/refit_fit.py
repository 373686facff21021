"""Best fit of a scan to regions of the nominal: balanced least squares, or the least largest deviation. No scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import KEPT, Floats, Nominal
from runner.measure.minimax import least_largest
from runner.measure.patch import NoPatch, Patch, find_patch
from runner.measure.refit_pose import columns_left, not_held, pose, rows_at
from runner.measure.reframed import in_datum_frame
from runner.measure.scene import Scene
from runner.measure.sided import nominal_normals
from runner.measure.specs import FeatureSpec, FitRegion, MeasurePlan, RefitSpec

ROUNDS = 40
SETTLED = 1e-9
"""mm at the farthest point."""
ACCEPTED = 1e-5
"""mm: what is still accepted when the rounds are over."""
LARGEST_STEP = 0.5
"""mm of any point in a round of the minimax."""
STAY = 1e-6
"""Price of moving in the minimax: what the largest deviations don't hold stays, or it would never come to rest."""
LEAST_POINTS = 12
BETWEEN = 2.5
"""Pieces of a region without points, no farther than this many of their pitches from one with points, were seen."""


@dataclass(frozen=True, eq=False)
class Region:
    """A part of the nominal that pulls."""

    patch: Patch
    weight: float


@dataclass(frozen=True, eq=False)
class Pull:
    """The points that pull at one pose."""

    rows: NDArray[np.int64]
    """(n,) rows of the scene."""
    points: Floats
    """(n, 3) moved."""
    distance: Floats
    """(n,) signed, mm."""
    slopes: Floats
    """(n, 3) directions in which the distances grow."""
    weight: Floats
    """(n,) by area: each seen piece of surface has its region's weight, however many points lie on it."""


@dataclass(frozen=True, eq=False)
class Fitted:
    """Outcome of a best fit."""

    numbers: Floats
    """(6,) rotation vector about the nominal frame's origin, rad; translation, mm."""
    value: float
    """mm: weighted root mean square, or the largest weighted deviation."""
    points: int
    rounds: int
    last_step: float


def regions_of(spec: RefitSpec, plan: MeasurePlan, nominal: Nominal, spacing: float) -> list[Region] | str:
    """Return what pulls, or why it can't be told."""
    known = {f.name: f for f in plan.features}
    made = []
    for region in spec.regions or (FitRegion(()),):
        if not region.weight > 0.0:
            return "the weight of a region must be more than zero"
        if not region.features:
            made.append(Region(_everything(nominal, spacing), region.weight))
        for name in region.features:
            feature = known.get(name)
            if feature is None:
                return f'there is no feature "{name}"'
            patch = find_patch(feature, nominal, spacing)
            if isinstance(patch, NoPatch):
                return f'feature "{name}": {patch.reason}'
            made.append(Region(patch, region.weight))
    return made


def _everything(nominal: Nominal, spacing: float) -> Patch:
    patch = find_patch(FeatureSpec("all surfaces", "surface", None), nominal, spacing)
    assert not isinstance(patch, NoPatch)
    return patch


def fit(spec: RefitSpec, regions: list[Region], nominal: Nominal, index: SurfaceIndex, scene: Scene) -> Fitted | str:
    """Return the pose at which the regions fit best, or why there is none."""
    try:
        columns = columns_left(spec.held)
    except ValueError as error:
        return str(error)
    low, high = nominal.bounds
    half = 0.5 * float(np.linalg.norm(high - low))
    minimax = spec.objective == "minimax"
    if not minimax and spec.objective != "least squares":
        return f"unknown objective {spec.objective!r}"
    numbers = np.zeros(6)
    kept: NDArray[np.bool_] | None = None
    weights: Floats | None = None
    last, rounds, limit = np.inf, 0, LARGEST_STEP
    best = _pull(spec, regions, nominal, index, scene, numbers, kept, weights)
    if isinstance(best, str):
        return best
    worth = _worth(best, minimax)
    while rounds < ROUNDS:
        rounds += 1
        rows = rows_at(numbers, best.points, best.slopes)
        open_ = not_held(rows * np.sqrt(best.weight)[:, None], columns, half)
        if open_:
            return f"what is fitted to doesn't hold the part in {open_}"
        got = _step(rows[:, columns], best, limit if minimax else None, minimax=minimax)
        if got is None:
            return "the best fit has no solution"
        trial = numbers.copy()
        trial[columns] += got
        tried = _pull(spec, regions, nominal, index, scene, trial, kept, weights)
        if isinstance(tried, str):
            return tried
        last = float(np.abs(rows[:, columns] @ got).max())
        now = _worth(tried, minimax)
        if minimax and kept is not None and now > worth + 1e-12:
            limit = min(limit, last) / 4.0
            if limit < SETTLED:
                break
            continue
        numbers, best, worth = trial, tried, now
        if kept is None and last < 1e-3:
            # from here on the same points pull with the same weights, so that the end is a true minimum
            kept = np.zeros(len(scene.points), dtype=bool)
            kept[best.rows] = True
            weights = np.zeros(len(scene.points))
            weights[best.rows] = best.weight
            worth = np.inf
        elif kept is not None and last < SETTLED:
            break
    if last > ACCEPTED and limit > ACCEPTED:
        return f"the best fit doesn't come to rest: it still moves by {last:.2g} mm"
    return Fitted(numbers, worth if np.isfinite(worth) else _worth(best, minimax), len(best.rows), rounds, last)


def _worth(pull: Pull, minimax: bool) -> float:
    if minimax:
        return float(np.abs(pull.weight * pull.distance).max())
    return float(np.sqrt(pull.weight @ pull.distance**2 / pull.weight.sum()))


def _step(rows: Floats, pull: Pull, limit: float | None, *, minimax: bool) -> Floats | None:
    if not rows.shape[1]:
        return np.zeros(0)
    if minimax:
        weighted = pull.weight[:, None] * rows
        bound = None if limit is None else limit / np.maximum(np.abs(rows).max(axis=0), 1e-12)
        found = least_largest(weighted, pull.weight * pull.distance, bound, STAY)
        return None if found is None else found[0]
    root = np.sqrt(pull.weight)
    size = np.maximum(np.abs(rows).max(axis=0), 1e-12)
    return np.asarray(np.linalg.lstsq(root[:, None] * rows / size, -root * pull.distance, rcond=None)[0] / size)


def _pull(
    spec: RefitSpec,
    regions: list[Region],
    nominal: Nominal,
    index: SurfaceIndex,
    scene: Scene,
    numbers: Floats,
    kept: NDArray[np.bool_] | None,
    weights: Floats | None,
) -> Pull | str:
    """The points within reach of the regions at a pose."""
    frame = pose(numbers)
    reach = spec.reach if kept is None else 2.0 * spec.reach
    usable = (scene.removed == KEPT) & ~scene.specks
    if kept is not None:
        usable &= kept
    facing = nominal_normals(nominal)
    pieces: list[tuple[NDArray[np.int64], Floats, Floats, Floats, Floats]] = []
    for region in regions:
        seen = in_datum_frame(scene, nominal, index, region.patch, frame, reach)
        chosen = seen.here & (np.abs(seen.distance) <= reach) & usable[seen.rows]
        rows, points = seen.rows[chosen], seen.points[chosen]
        if not len(rows):
            continue
        if weights is not None:
            weight = weights[rows]
        elif spec.objective == "minimax":
            weight = np.full(len(rows), region.weight)
        else:
            weight = region.weight * area_weights(region.patch, points)
        pieces.append((rows, points, seen.distance[chosen], weight, facing[seen.triangle[chosen]]))
    count = sum(len(p[0]) for p in pieces)
    if count < LEAST_POINTS:
        return f"only {count} points lie within {spec.reach:g} mm of what is fitted to"
    rows = np.concatenate([p[0] for p in pieces])
    points = np.vstack([p[1] for p in pieces])
    distance = np.concatenate([p[2] for p in pieces])
    weight = np.concatenate([p[3] for p in pieces])
    normals = np.vstack([p[4] for p in pieces])
    return Pull(rows, points, distance, _slopes(index, points, distance, normals), weight)


def area_weights(patch: Patch, points: Floats) -> Floats:
    """Return weights (n,), mm^2, of points (n, 3): each even piece of the region that was seen is shared among its own.

    A densely scanned side then pulls no harder than a sparse one of the same area.
    """
    from scipy.spatial import cKDTree

    samples = patch.samples
    if not len(samples):
        return np.ones(len(points))
    # pieces so large that a sparse side has some points in each
    places = samples[:: max(1, len(samples) // max(24, len(points) // 8))]
    nearest = cKDTree(places).query(points)[1]
    counts = np.bincount(nearest, minlength=len(places))
    share = np.ones(len(places))
    seen, empty = np.flatnonzero(counts), np.flatnonzero(counts == 0)
    if len(empty):
        # a piece between thinly lying points was seen too: it counts with its neighbour
        pitch = np.sqrt(patch.area / len(places))
        away, neighbour = cKDTree(places[seen]).query(places[empty], distance_upper_bound=BETWEEN * pitch)
        near = np.flatnonzero(np.isfinite(away))
        np.add.at(share, seen[np.asarray(neighbour)[near]], 1.0)
    return np.asarray(patch.area / len(places) * share[nearest] / counts[nearest])


def _slopes(index: SurfaceIndex, points: Floats, distance: Floats, facing: Floats) -> Floats:
    """Directions (n, 3) in which the distances grow; ``facing`` where they are to a surface that isn't the nearest."""
    slopes: Floats = facing.copy()
    closest = index.closest(points)
    same = np.abs(closest.distance - distance) < 1e-9
    slopes[same] = closest.normal[same]
    far = same & (np.abs(distance) > 1e-4)
    slopes[far] = (points[far] - closest.point[far]) / distance[far, None]
    return slopes
