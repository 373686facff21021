"""Reference-point alignment: named points of the part fix stated directions, found again until nothing moves.

Surface points are where the scan meets the line along the normal through the nominal place; the line lies in the
frame that is sought, so they are looked for again in each round. Centres come from measured features and move along.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import move_points, unit
from runner.geometry.mesh import Floats, Nominal
from runner.geometry.shapes import Cylinder, Line, Plane, Shape, moved
from runner.measure.element import array, direction, place
from runner.measure.found import FoundFeature
from runner.measure.probe import probe
from runner.measure.refit_pose import columns_left, not_held, pose, rows_at
from runner.measure.scene import Scene
from runner.measure.specs import ReferencePoint, RefitSpec

ROUNDS = 60
SETTLED = 1e-9
"""mm of any reference point."""
ACCEPTED = 1e-6
ALONG = 0.5
"""Cosine of 60 degrees: a surface fixes only directions that it faces."""


@dataclass(frozen=True, eq=False)
class Pinned:
    """Outcome of a reference-point alignment."""

    numbers: Floats
    """(6,) rotation vector about the nominal frame's origin, rad; translation, mm."""
    residuals: Mapping[str, float]
    """mm that each point still stands off, by its name and direction; 0 unless more is fixed than can be."""
    rounds: int
    last_step: float


@dataclass(frozen=True, eq=False)
class _Seen:
    """Rows (k, 6) of what one point fixes, and how far it stands off along each direction (k,), mm."""

    rows: Floats
    off: Floats


def pin(
    spec: RefitSpec,
    features: Mapping[str, FoundFeature],
    nominal: Nominal,
    index: SurfaceIndex,
    scene: Scene,
) -> Pinned | str:
    """Return the pose at which the reference points stand at their nominal places, or why there is none."""
    try:
        columns = columns_left(spec.held)
    except ValueError as error:
        return str(error)
    if not spec.points:
        return "no reference points are named"
    low, high = nominal.bounds
    half = 0.5 * float(np.linalg.norm(high - low))
    numbers = np.zeros(6)
    labels = [f"{p.name} {_named(f)}" for p in spec.points for f in p.fixes]
    last, rounds = np.inf, 0
    off = np.zeros(0)
    while rounds < ROUNDS:
        rounds += 1
        seen = []
        for point in spec.points:
            got = _look(point, features, index, scene, numbers)
            if isinstance(got, str):
                return f"reference point {point.name}: {got}"
            seen.append(got)
        rows, off = np.vstack([s.rows for s in seen]), np.concatenate([s.off for s in seen])
        open_ = not_held(rows, columns, half)
        if open_:
            return f"the reference points don't fix {open_}"
        size = np.maximum(np.abs(rows[:, columns]).max(axis=0), 1e-12)
        step = np.linalg.lstsq(rows[:, columns] / size, -off, rcond=None)[0] / size
        numbers[columns] += step
        last = float(np.abs(rows[:, columns] @ step).max(initial=0.0))
        if last < SETTLED:
            break
    if last > ACCEPTED:
        return f"the reference points don't come to rest: after {rounds} rounds they still move by {last:.2g} mm"
    return Pinned(numbers, dict(zip(labels, off.tolist(), strict=True)), rounds, last)


def _named(way: tuple[float, float, float]) -> str:
    """A direction in words."""
    main = int(np.argmax(np.abs(way)))
    if abs(way[main]) > 1.0 - 1e-9:
        return "xyz"[main]
    return "({:.3g}, {:.3g}, {:.3g})".format(*way)


def _look(
    point: ReferencePoint,
    features: Mapping[str, FoundFeature],
    index: SurfaceIndex,
    scene: Scene,
    numbers: Floats,
) -> _Seen | str:
    """What one point says at a pose, or why it says nothing."""
    frame = pose(numbers)
    at = array(point.at)
    fixes = np.array([unit(array(f)) for f in point.fixes])
    if not 1 <= len(fixes) <= 3:
        return "it must fix one to three directions"
    if point.feature is not None:
        feature = features.get(point.feature)
        if feature is None:
            return f'there is no feature "{point.feature}"'
        if not feature.ok or feature.shape is None:
            return f'feature "{point.feature}": {feature.reason or "it has no centre"}'
        shape = moved(feature.shape, frame)
        if not isinstance(shape, Plane):
            return _centre(shape, at, fixes, numbers)
        normal = array(shape.normal)
        height = float((place(shape) - at) @ normal)
    else:
        if point.normal is not None:
            way = unit(array(point.normal))
        else:
            closest = index.closest(at[None])
            way = np.asarray(closest.normal[0])
        found = probe(scene, frame, at, way, point.search)
        if isinstance(found, str):
            return found
        normal = found.normal
        height = float((move_points(frame, found.point[None])[0] - at) @ normal)
    cosine = fixes @ normal
    if float(np.abs(cosine).min()) < ALONG:
        worst = fixes[int(np.argmin(np.abs(cosine)))]
        angle = np.degrees(np.arccos(min(1.0, float(np.abs(cosine).min()))))
        return f"it can't fix {_named(tuple(worst))}: its surface faces {angle:.0f} deg away from that"
    if len(fixes) > 1:
        return "a surface point fixes one direction; a centre is needed for more"
    at_surface = at + height * normal
    rows = rows_at(numbers, at_surface[None], normal[None]) / cosine[0]
    return _Seen(rows, np.array([height / cosine[0]]))


def _centre(shape: Shape, at: Floats, fixes: Floats, numbers: Floats) -> _Seen | str:
    """A measured centre, or an axis where it passes the nominal place."""
    here = place(shape)
    axis = direction(shape)
    if isinstance(shape, Cylinder | Line) and axis is not None:
        along = np.abs(fixes @ axis)
        if float(along.max()) > ALONG:
            return f"its axis runs along {_named(tuple(fixes[int(np.argmax(along))]))} and can't fix it"
        here = here + ((at - here) @ axis) * axis
    points = np.repeat(here[None], len(fixes), axis=0)
    return _Seen(rows_at(numbers, points, fixes), fixes @ (here - at))
