"""Two parallel planes (or lines) against two opposite walls: the mating size of a width (ISO 14405-1, GX and GN)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits.hold import frame
from runner.geometry.fits.result import FailedFit
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import vector
from runner.records import Vector

MOST_TILT = 0.2
"""Tangent of the largest angle to the given direction that is looked at."""


@dataclass(frozen=True)
class Pair:
    """Two parallel planes, mm."""

    width: float
    middle: Vector
    """A point half way between them."""
    normal: Vector
    """From the lower wall to the upper one."""


def mating_pair(upper: Floats, lower: Floats, across: Vector | Floats, *, inside: bool) -> Pair | FailedFit:
    """Return the parallel planes that touch two walls: the farthest apart between them, or the nearest around them.

    Parameters
    ----------
    upper, lower : (n, d) mm points of either wall, d = 2 or 3; ``upper`` lies on the side to which ``across`` points.
    across : (d,) direction from the lower to the upper wall, roughly.
    inside : True: the planes lie in the space between the walls (a slot, a groove: largest inscribed width); False:
        all points lie between the planes (a tab, a web: smallest circumscribed width).

    By successive linear programmes over the two tilts and the two heights, on few points that grow by those which lie
    beyond; between walls the answer is the distance of their convex hulls and so the only one there is.
    """
    walls = [np.asarray(w, dtype=np.float64) for w in (upper, lower)]
    d = walls[0].shape[1]
    if min(len(w) for w in walls) < d:
        return FailedFit(f"too few points on a wall: a width needs at least {d} on each")
    if not all(np.all(np.isfinite(w)) for w in walls):
        return FailedFit("some points are not finite")
    way = unit(np.asarray(across, dtype=np.float64))
    turn = frame(way) if d == 3 else np.array([[way[1], -way[0]], way])
    centre = 0.5 * (walls[0].mean(axis=0) + walls[1].mean(axis=0))
    local = [(w - centre) @ turn.T for w in walls]
    scale = max(float(np.abs(w).max()) for w in local)
    for w in local:
        w /= scale
    tilt = np.zeros(d - 1)
    chosen = [_extremes(w, tilt, np.empty(0, dtype=np.intp)) for w in local]
    for _ in range(60):
        tilt = _solve(local[0][chosen[0]], local[1][chosen[1]], tilt, inside)
        if float(np.abs(tilt).max()) >= 0.99 * MOST_TILT:
            return FailedFit("the width is not held: the planes that touch both walls tilt away")
        few = _limits(local[0][chosen[0]], local[1][chosen[1]], tilt, inside)
        every = _limits(local[0], local[1], tilt, inside)
        if abs((every[0] - every[1]) - (few[0] - few[1])) <= 1e-14:
            break
        chosen = [_extremes(w, tilt, c) for w, c in zip(local, chosen, strict=True)]
    high, low = _limits(local[0], local[1], tilt, inside)
    if inside and not high > low:
        return FailedFit("the walls overlap: nothing fits between them")
    normal = unit(np.append(tilt, 1.0)) @ turn
    middle = centre + scale * 0.5 * (high + low) * normal
    pad = np.zeros(3 - d)
    return Pair(scale * (high - low), vector(np.concatenate([middle, pad])), vector(np.concatenate([normal, pad])))


def _heights(points: Floats, tilt: Floats) -> Floats:
    result: Floats = points @ unit(np.append(tilt, 1.0))
    return result


def _limits(upper: Floats, lower: Floats, tilt: Floats, inside: bool) -> tuple[float, float]:
    """Heights of the two planes."""
    high, low = _heights(upper, tilt), _heights(lower, tilt)
    return (float(high.min()), float(low.max())) if inside else (float(high.max()), float(low.min()))


def _extremes(points: Floats, tilt: Floats, chosen: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return ``chosen`` with the lowest and highest points, in each quarter and over all."""
    heights = _heights(points, tilt)
    flat = points[:, :-1] > np.median(points[:: max(1, len(points) // 10_000), :-1], axis=0)
    cell = flat @ (1 << np.arange(flat.shape[1]))
    new = [chosen]
    for c in [*range(1 << flat.shape[1]), None]:
        rows = np.arange(len(points)) if c is None else np.flatnonzero(cell == c)
        if len(rows):
            few = min(3, len(rows))
            new.append(rows[np.argpartition(heights[rows], few - 1)[:few]])
            new.append(rows[np.argpartition(-heights[rows], few - 1)[:few]])
    return np.unique(np.concatenate(new))


def _solve(upper: Floats, lower: Floats, tilt: Floats, inside: bool) -> Floats:
    """Return the tilts (d - 1,) that are best for few points."""
    from scipy.optimize import linprog

    sign = -1.0 if inside else 1.0
    high, low = _limits(upper, lower, tilt, inside)
    value, bound = sign * (high - low), MOST_TILT
    k = len(tilt)
    for _ in range(60):
        length = float(np.sqrt(1.0 + tilt @ tilt))
        way = np.append(tilt, 1.0) / length
        # derivative of a height after the tilts: what the unit length takes away included
        rows = [w[:, :-1] / length - np.outer(w @ way, tilt) / length**2 for w in (upper, lower)]
        zone = max(float(np.ptp(upper @ way)), float(np.ptp(lower @ way)), 1e-12)
        # unknowns: tilts in zones, heights of the planes in zones from where they are
        a, b = ((w @ way - at) / zone for w, at in ((upper, high), (lower, low)))
        ones, none = [np.ones((len(w), 1)) for w in (a, b)], [np.zeros((len(w), 1)) for w in (a, b)]
        matrix = np.vstack(
            [
                np.hstack([sign * rows[0], -sign * ones[0], none[0]]),
                np.hstack([-sign * rows[1], none[1], sign * ones[1]]),
            ]
        )
        right = np.concatenate([-sign * a, sign * b])
        aim = np.concatenate([np.zeros(k), [sign, -sign]])
        room = np.minimum(bound, np.maximum(MOST_TILT - np.abs(tilt), 0.0)) / zone
        found = linprog(aim, A_ub=matrix, b_ub=right, bounds=[*((-r, r) for r in room), (None, None), (None, None)])
        if found.x is None:
            return tilt
        trial = tilt + zone * found.x[:k]
        new_high, new_low = _limits(upper, lower, trial, inside)
        new = sign * (new_high - new_low)
        if new < value:
            gained, value, tilt, high, low = value - new, new, trial, new_high, new_low
            if gained < 1e-15:
                return tilt
        else:
            bound *= 0.25
            if bound < 1e-13:
                return tilt
    return tilt
