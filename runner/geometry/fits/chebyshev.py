"""Minimum zone of any element: the least largest distance, by successive linear programmes on top of least squares.

A few points are solved, then every point is looked at, and those that lie outside join them: an answer on a part of
the points is a bound for all, so an answer that no other point exceeds is the answer for all, however many there are.
On the few points each step is a linear programme over small increments of the element, in units of the present zone,
within bounds that shrink when a step doesn't keep what it promised (S. Madsen's method of linear approximations:
K. Madsen, J. Inst. Maths Applics 16 (1975) 321-328; quoted from memory). Proved by forces at the contacts in balance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits import kernels
from runner.geometry.fits.solve import Cloud, State, distances, pivot_of, step
from runner.geometry.mesh import Floats

BALANCED = 1e-6
"""Largest remaining force, in units of the forces, that counts as proof."""
RESTARTS = 3
FAR = 2.0
"""Zones: an answer on few points that leaves others this many times as far out as a known one has lost its way."""
NARROW = 1e-13
"""Zones below this share of the size of the points are rounding."""


@dataclass(frozen=True, eq=False)
class Narrowest:
    """An element in the middle of its minimum zone, in the cloud's scaled coordinates."""

    state: State
    half: float
    """Half the zone's width, scaled."""
    contacts: NDArray[np.intp]
    """Rows of the points that hold it."""
    imbalance: float

    @property
    def proved(self) -> bool:
        """Whether no small change is better."""
        return self.imbalance < BALANCED or self.half < NARROW


def narrowest(cloud: Cloud, kind: int, start: State, columns: NDArray[np.int64], most: int = 60) -> Narrowest:
    """Return the element of least largest distance near ``start``; increments as in ``solve``."""
    state = start
    heights = distances(cloud, kind, state) / cloud.scale
    chosen = _outermost(cloud, heights, np.empty(0, dtype=np.intp))
    again = 0
    known, least = start, float(np.abs(heights).max())
    for _ in range(most):
        few = (cloud.points[chosen] - cloud.centre) / cloud.scale
        state = _solve_few(few, kind, state, columns)
        inside = _rows(few, kind, state, columns)[0]
        heights = distances(cloud, kind, state) / cloud.scale
        limit, now = float(np.abs(inside).max()), float(np.abs(heights).max())
        chosen = _outermost(cloud, heights, chosen)
        if now > FAR * least or (now <= limit + NARROW and now > least + NARROW):
            # the few did not hold a size or a turn, and it went off: back, with the points that object
            state = known
            continue
        if now < least:
            known, least = state, now
        if now <= limit + NARROW:
            if again == RESTARTS or limit < NARROW or _balance(few, kind, state, columns)[1] < BALANCED:
                break
            # bounds that had shrunk may have stopped it: once more with wide ones
            again += 1
    state, half = known, least
    heights = distances(cloud, kind, state) / cloud.scale
    chosen = _outermost(cloud, heights, chosen)
    few = (cloud.points[chosen] - cloud.centre) / cloud.scale
    touching, imbalance = _balance(few, kind, state, columns)
    return Narrowest(state, half, chosen[touching], imbalance)


def _outermost(cloud: Cloud, heights: Floats, chosen: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return ``chosen`` with the points farthest out and in, in each octant about the middle and over all."""
    octant = (cloud.points > cloud.centre) @ np.array([1, 2, 4])
    new = [chosen]
    for cell in [*range(8), None]:
        rows = np.arange(len(heights)) if cell is None else np.flatnonzero(octant == cell)
        if len(rows):
            few = min(4, len(rows))
            new.append(rows[np.argpartition(heights[rows], few - 1)[:few]])
            new.append(rows[np.argpartition(-heights[rows], few - 1)[:few]])
    return np.unique(np.concatenate(new))


def _rows(points: Floats, kind: int, state: State, columns: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return distances (n,) of a few scaled points and their derivatives (n, p) after the increments."""
    local = (points - state.origin) @ state.turn.T
    pivot = pivot_of(state, columns)
    heights = np.empty(len(local))
    full = np.empty((len(local), 8))
    g, e = np.empty(3), np.empty(2)
    for k, (x, y, z) in enumerate(local):
        heights[k] = kernels.distance(kind, 0, x, y, z, state.sizes, g, e)
        a, b, c = x - pivot[0], y - pivot[1], z - pivot[2]
        full[k] = (
            *(-g),
            g[2] * a - g[0] * c,
            g[2] * b - g[1] * c,
            g[0] * b - g[1] * a,
            *e,
        )
    return heights, full[:, columns]


def _solve_few(points: Floats, kind: int, state: State, columns: NDArray[np.int64]) -> State:
    """Return the element of least largest distance over a few points."""
    from scipy.optimize import linprog

    heights, slope = _rows(points, kind, state, columns)
    best = float(np.abs(heights).max())
    n, p = slope.shape
    bound = 1.0
    for _ in range(100):
        if best < NARROW:
            return state
        # increments of one move some point by one zone
        size = np.maximum(np.abs(slope).max(axis=0), 1e-12)
        rows = slope / size
        matrix = np.block([[rows, -np.ones((n, 1))], [-rows, -np.ones((n, 1))]])
        right = np.concatenate([-heights, heights]) / best
        # a tilt or a size may go far while the distances hardly change: bounds in increments, not in zones
        reach = np.minimum(bound * 1e3, 0.3 * size / best)
        found = linprog(
            np.append(np.zeros(p), 1.0),
            A_ub=matrix,
            b_ub=right,
            bounds=[*zip(-reach, reach, strict=True), (0.0, None)],
            method="highs",
        )
        if found.x is None:
            return state
        change = found.x[:p] * best / size
        change = _sharpened(heights, slope, found, change)
        promised = best - float(np.abs(heights + slope @ change).max())
        if promised <= 1e-11 * best:
            # little is promised: because nothing is left to gain, or because the bounds have become narrow
            if bound >= 1.0 or not np.any(np.abs(found.x[:p]) >= 0.99 * reach):
                return state
            bound *= 16.0
            continue
        trial = step(kind, state, columns, change)
        new_heights, new_slope = _rows(points, kind, trial, columns)
        value = float(np.abs(new_heights).max())
        gained = best - value
        if np.isfinite(value) and gained > 0.0:
            state, heights, slope, best = trial, new_heights, new_slope, value
        largest = float(np.abs(found.x[:p]).max())
        if gained < 0.25 * promised:
            bound = min(bound, largest / 1e3) * 0.25
        elif gained > 0.75 * promised:
            bound *= 4.0
        if bound * 1e3 < 1e-12:
            return state
    return state


def _sharpened(heights: Floats, slope: Floats, found: object, change: Floats) -> Floats:
    """Return the programme's answer with the rounding of its solver removed: equal heights at its contacts."""
    forces = -found.ineqlin.marginals  # type: ignore[attr-defined]
    n, p = slope.shape
    held = np.flatnonzero(forces > 1e-9)
    if len(held) != p + 1:
        return change
    sign = np.where(held < n, 1.0, -1.0)
    rows = held % n
    matrix = np.hstack([sign[:, None] * slope[rows], -np.ones((p + 1, 1))])
    scale = np.maximum(np.abs(matrix).max(axis=0), 1e-300)
    try:
        exact = np.linalg.solve(matrix / scale, -sign * heights[rows]) / scale
    except np.linalg.LinAlgError:
        return change
    better = np.abs(heights + slope @ exact[:p]).max() <= np.abs(heights + slope @ change).max() * (1 + 1e-6)
    return exact[:p] if np.all(np.isfinite(exact)) and better else change


def _balance(points: Floats, kind: int, state: State, columns: NDArray[np.int64]) -> tuple[NDArray[np.intp], float]:
    """Return which of a few points carry force in the balance, and what force is left over."""
    from scipy.optimize import nnls

    heights, slope = _rows(points, kind, state, columns)
    limit = float(np.abs(heights).max())
    slope = slope / np.maximum(np.abs(slope).max(axis=0), 1e-12)
    best: tuple[NDArray[np.intp], float] = (np.empty(0, dtype=np.intp), np.inf)
    for band in (1e-9, 1e-7, 1e-5):
        rows = np.flatnonzero(np.abs(heights) >= limit - max(band * limit, 1e-15))
        system = np.vstack([(np.sign(heights[rows])[:, None] * slope[rows]).T, np.ones(len(rows))])
        forces, rest = nnls(system, np.append(np.zeros(slope.shape[1]), 1.0))
        if rest < best[1]:
            best = (rows[forces > 1e-9], float(rest))
        if rest < 1e-9:
            break
    return best
