"""Least-squares slot (elongated hole, rectangle) from points of its edge."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits import kernels
from runner.geometry.fits.hold import NOTHING, frame, free_columns, local, towards
from runner.geometry.fits.plane import fit_plane
from runner.geometry.fits.result import FailedFit, Fit, Fixed
from runner.geometry.fits.solve import Cloud, State, best, conclude, minimise, prepare
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Slot, vector

COLUMNS = (0, 1, 5, 6, 7)


def fit_slot(
    points: Floats,
    start: Slot | None = None,
    weights: Floats | None = None,
    fixed: Fixed | None = None,
    *,
    round_ends: bool | None = None,
    residuals: bool = False,
) -> Fit[Slot] | FailedFit:
    """Return the slot whose outline has the least sum of squared orthogonal distances.

    In space by the two-step definition: the least-squares plane of the points (or the plane across ``fixed.axis``
    through their centroid), then the outline in it.

    Parameters
    ----------
    points : (n, 2) or (n, 3) mm, n >= 5, of the edge.
    start : a slot to begin from; decides the directions of ``axis`` and ``along``.
    weights : (n,) of the squared distances.
    fixed : ``axis`` (in space), ``point`` (the centre), ``length``, ``width``.
    round_ends : two half circles, or a rectangle; by default as ``start``, round without one.
    residuals : keep the (n,) signed distances in the plane, + outside the outline.

    Returns
    -------
    Fit of a ``Slot``, u along it, w its axis; increments ``shift u``, ``shift v``, ``turn``, ``length``, ``width``;
    the plane counts as known.
    """
    held = fixed or NOTHING
    rounded = round_ends if round_ends is not None else (start.round_ends if start else True)
    kind = kernels.ROUND_SLOT if rounded else kernels.SQUARE_SLOT
    columns = free_columns(kind, COLUMNS, Fixed(point=held.point, length=held.length, width=held.width))
    cloud = prepare(points, weights, max(len(columns), 1), "slot")
    if isinstance(cloud, FailedFit):
        return cloud
    if cloud.rank() < 2:
        return FailedFit("the points lie in one straight line: they don't determine a slot")
    axis, level = np.array([0.0, 0.0, 1.0]), np.zeros(3)
    if np.asarray(points).shape[1] == 3:
        plane = fit_plane(points, None, weights, Fixed(axis=held.axis))
        if isinstance(plane, FailedFit):
            return plane
        like = held.axis or (start.axis if start else None)
        axis = towards(np.array(plane.shape.normal), np.array(like) if like is not None else None)
        level = local(plane.shape.point, cloud)
    starts = [_given(start, axis, level, cloud)] if start is not None else _starts(cloud, axis, level)
    starts = [_held(s, held, cloud, axis, level) for s in starts]
    first = best(cloud, kind, starts, columns)
    if first is None:
        return FailedFit("no start: the points have no shape that a slot could take")
    solution = minimise(cloud, kind, first, columns)
    if start is not None and not solution.converged:
        found = best(cloud, kind, [_held(s, held, cloud, axis, level) for s in _starts(cloud, axis, level)], columns)
        solution = minimise(cloud, kind, found or first, columns)
    state = solution.state
    length, width = float(state.sizes[0]), float(state.sizes[1])
    if solution.converged:
        if not (width > 0 and length > 0):
            return FailedFit("did not converge: length or width came out negative")
        if rounded and length <= width * (1 + 1e-9):
            return FailedFit("the length is not greater than the width: a circle, not a slot")
        lacking = _unseen_sides(cloud, kind, state, columns)
        if lacking:
            return FailedFit(lacking)
    along = state.turn[0]
    if (start is not None and along @ np.array(start.along) < 0) or (
        start is None and towards(along, None) @ along < 0
    ):
        flipped = State(state.origin, np.diag([-1.0, -1.0, 1.0]) @ state.turn, state.sizes)
        solution = minimise(cloud, kind, flipped, columns)
        state = solution.state
    shape = Slot(
        vector(cloud.centre + cloud.scale * state.origin),
        vector(state.turn[2]),
        vector(state.turn[0]),
        cloud.scale * float(state.sizes[0]),
        cloud.scale * float(state.sizes[1]),
        rounded,
    )
    return conclude(cloud, kind, solution, columns, shape, residuals)


def _given(start: Slot, axis: Floats, level: Floats, cloud: Cloud) -> State:
    at = local(start.centre, cloud)
    return State(
        at - ((at - level) @ axis) * axis,
        frame(axis, unit(np.array(start.along))),
        np.array([start.length, start.width]) / cloud.scale,
    )


def _held(state: State, held: Fixed, cloud: Cloud, axis: Floats, level: Floats) -> State:
    """Put the held centre and sizes in; a start's centre stays in the plane of the points."""
    origin, sizes = state.origin, state.sizes.copy()
    if held.point is not None:
        at = local(held.point, cloud)
        origin = at - ((at - level) @ axis) * axis
    for k, value in enumerate((held.length, held.width)):
        if value is not None:
            sizes[k] = value / cloud.scale
    return State(origin, state.turn, sizes)


def _starts(cloud: Cloud, axis: Floats, level: Floats) -> list[State]:
    """Return the bounding rectangles of the points over directions in steps of 5 degrees, smallest areas first."""
    turn = frame(axis)
    flat = (cloud.sample(5_000).scaled() - level) @ turn[:2].T
    found = []
    for angle in np.radians(np.arange(0.0, 90.0, 2.5)):
        c, s = np.cos(angle), np.sin(angle)
        seen = flat @ np.array([[c, -s], [s, c]])
        # quantiles rather than extremes: one stray point must not set the box
        low, high = np.quantile(seen, 0.002, axis=0), np.quantile(seen, 0.998, axis=0)
        size = high - low
        middle = np.array([[c, -s], [s, c]]) @ (0.5 * (low + high))
        u = np.array([c, s]) if size[0] >= size[1] else np.array([-s, c])
        found.append((float(size[0] * size[1]), middle, u, np.array([size.max(), size.min()])))
    found.sort(key=lambda item: item[0])
    starts = []
    for _, middle, u, size in found[:6]:
        size = np.array([max(size[0], 1.02 * size[1]), size[1]])
        starts.append(State(level + middle @ turn[:2], frame(axis, u @ turn[:2]), size))
    return starts


def _unseen_sides(cloud: Cloud, kind: int, state: State, columns: NDArray[np.int64]) -> str:
    """Say which pair of sides carries no points while its size was asked for; empty when all is seen."""
    local_points = (cloud.scaled() - state.origin) @ state.turn.T
    half = 0.5 * state.sizes
    ends = np.abs(local_points[:, 0]) - (half[0] - half[1] if kind == kernels.ROUND_SLOT else 0.0)
    at_end = (
        ends > 0
        if kind == kernels.ROUND_SLOT
        else np.abs(local_points[:, 0]) - half[0] > np.abs(local_points[:, 1]) - half[1]
    )
    for name, column, seen, side in (
        ("length", 6, at_end, local_points[:, 0]),
        ("width", 7, ~at_end, local_points[:, 1]),
    ):
        if column in columns and 0 in columns and (not np.any(side[seen] > 0) or not np.any(side[seen] < 0)):
            if name == "width" and kind == kernels.ROUND_SLOT:
                continue
            return f"the points don't hold the {name}: one of its two ends carries none"
    return ""
