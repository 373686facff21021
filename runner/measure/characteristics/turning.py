"""Orientation zones that their datums leave free to turn: they take the turn at which they need least."""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import rotation_from_vector
from runner.geometry.mesh import Floats
from runner.measure.minimax import least_largest

FREE = 1e-6
ROUNDS = 25
LARGEST_STEP = 0.1
"""rad per round."""


def free_axis(free: Floats) -> Floats | None:
    """Return the one axis (3,) about which the movements ``free`` (6, k) still turn; None when it isn't one.

    A plane or an axis as the only datum leaves the turn about its normal or along it (ISO 5459:2011, table of
    invariance classes; ASME Y14.5-2018, 7.4).
    """
    if free.shape[1] == 0:
        return None
    axes, values, _ = np.linalg.svd(free[:3])
    if int(np.sum(values > FREE)) != 1:
        return None
    axis: Floats = axes[:, 0]
    return axis if axis[int(np.argmax(np.abs(axis)))] > 0 else -axis


def turned_about(axis: Floats, angle_rad: float, vector: Floats) -> Floats:
    """Return a direction turned about a unit axis."""
    return rotation_from_vector(angle_rad * axis) @ vector


def best_turn(axis: Floats, true: Floats, seen: Floats) -> float:
    """Return the angle, rad, about ``axis`` that brings the direction ``true`` nearest to the one ``seen``."""
    across = true - (true @ axis) * axis
    if float(np.linalg.norm(across)) < FREE:
        return 0.0
    return float(np.arctan2(seen @ np.cross(axis, across), seen @ across))


def least_spread(points: Floats, normal: Floats, axis: Floats, start_rad: float) -> tuple[float, float]:
    """Return the least distance of two planes that hold points (n, 3), and the turn about ``axis`` that gives it, rad.

    The planes' normal is ``normal`` turned about ``axis``. Each round is a linear programme in the turn and the middle
    of the zone; ``start_rad`` must lie near the answer.
    """
    centred = points - points.mean(axis=0)
    angle = start_rad
    width = float(np.ptp(centred @ turned_about(axis, angle, normal)))
    for _ in range(ROUNDS):
        direction = turned_about(axis, angle, normal)
        rows = np.column_stack([centred @ np.cross(axis, direction), np.ones(len(centred))])
        found = least_largest(rows, centred @ direction, np.array([LARGEST_STEP, np.inf]))
        if found is None:
            break
        step = float(found[0][0])
        # a straight line taken for an arc overshoots on long steps only
        for _ in range(8):
            tried = float(np.ptp(centred @ turned_about(axis, angle + step, normal)))
            if tried <= width:
                break
            step /= 2.0
        else:
            break
        angle, width = angle + step, tried
        if abs(step) < 1e-12:
            break
    return width, angle
