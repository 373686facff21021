"""How much each scan point pulls a pose: by the noise of points, and by the form that neighbours share.

The deviation of a point is noise of its own and form that it has in common with the points about it. Where there is
noise alone every point tells something new, and all pull alike; where there is form a hundred points on one spot tell
hardly more than one, and each pulls by the area that it stands for. Least squares for both kinds together, with the
form of places as random effects, lie between: a place of n points whose means scatter by form f and whose points do by
noise s pulls with 1 / (f^2 + s^2 / n), and each of its points with 1 / n of that.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats
from runner.geometry.neighbours import Neighbours

EVEN = 8.0
"""No point weighs more, or less, than this many times the usual one."""
COUNTED = 60_000
NEIGHBOURS = 16
"""Density is told by the distance to so many neighbours among so many points."""
PLACES = 8.0
"""A place is what lies of one face in a cube with an edge of a lever arm over this."""
OFFSET = 0.3719
"""Of an edge: so that no plane at a round coordinate runs along the borders of places."""
MOST_PLACES = 2_000_000
"""More numbers for places than this are not counted through, but sorted first."""
CHANCE = 2.0
"""So many standard deviations of what noise alone shows are taken off the form found."""
POSE = 6
"""The means of so many places are free to vanish in a fit."""


def pull_of(area: Floats, form: float) -> Floats:
    """Return weights (n,) from areas (n,), 1 where the area is: all alike for form 0, the area for infinite form."""
    return area if np.isinf(form) else np.asarray(area * (1.0 + form) / (area + form))


def form_of(residual: Floats, area: Floats, feet: Floats, face: NDArray[np.int32], edge: float) -> float:
    """Return how much form there is over noise: variance of a place's mean, over that of it by noise alone.

    Parameters
    ----------
    residual, area, feet, face
        Deviations (n,), mm, ``area_weights`` (n,), feet (n, 3) and faces (n,) of the points that carry the pose. Feet,
        since a border of places that runs along a surface would part the points themselves by their noise.
    edge
        Of the cubes that make places, mm.

    Returns
    -------
    float
        For a place with points of the usual area. From the variances between and within places (one-way analysis of
        variance), less what chance may show, so that it is 0 for most scans without form.
    """
    place, numbers = np.zeros(len(face), dtype=np.int64), 1
    for at in (*np.floor(feet.T / edge + OFFSET).astype(np.int64), face.astype(np.int64)):
        at -= at.min()
        size = int(at.max()) + 1
        place, numbers = place * size + at, numbers * size
    if numbers > MOST_PLACES:
        place = np.unique(place, return_inverse=True)[1]
    count = np.bincount(place)
    many = int(np.count_nonzero(count))
    if len(residual) <= 2 * many or many <= 2 * POSE:
        return np.inf
    mean = np.bincount(place, weights=residual) / np.maximum(count, 1)
    within = float(np.sum((residual - mean[place]) ** 2)) / (len(residual) - many)
    if within <= 0.0:
        return np.inf
    between = float(count @ mean**2) / within
    over = between - (many - POSE) - CHANCE * np.sqrt(2.0 * many)
    return max(0.0, over) / len(residual) * float(area.sum()) / many


def area_weights(points: Floats) -> Floats:
    """Return weights (n,), median 1: the area that each scan point (n, 3) stands for.

    By the distance to its neighbours, which does not depend on how the scan was turned, on its pose, or on which of the
    poses of a symmetric part was found.
    """
    some = points
    if len(points) > COUNTED:
        some = points[_lot(points) < COUNTED / len(points)]
    near = Neighbours(some)
    area = near.kth_of_own(min(NEIGHBOURS + 1, len(some))) ** 2
    usual = float(np.median(area))
    if usual <= 0:
        return np.ones(len(points))
    weight = np.clip(area / usual, 1.0 / EVEN, EVEN)
    if len(some) == len(points):
        return weight
    return np.asarray(weight[near.of(points, 1)[1][:, 0]])


def _lot(points: Floats) -> Floats:
    """Return a number (n,), even in 0 to 1, drawn from each point's own digits (n, 3).

    A drawing by place in the array would be another one altogether where one point more takes part; of a bent part that
    alone moved the pose by 20 um.
    """
    x, y, z = np.ascontiguousarray(points).view(np.uint64).T
    with np.errstate(over="ignore"):
        mixed = np.zeros(len(points), dtype=np.uint64)
        for bits in (x, y, z):
            # the finishing steps of MurmurHash3 (public domain), once for each coordinate
            mixed ^= bits
            mixed ^= mixed >> np.uint64(33)
            mixed *= np.uint64(0xFF51AFD7ED558CCD)
            mixed ^= mixed >> np.uint64(33)
            mixed *= np.uint64(0xC4CEB9FE1A85EC53)
            mixed ^= mixed >> np.uint64(33)
    return np.asarray(mixed / 2.0**64)
