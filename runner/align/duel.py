"""A contest of two poses in the few places where they differ, after each has been laid onto the scan there.

A part that is bent by half a millimetre leaves every point that far from its surface, and hides a hole of a few
millimetres that one pose has here and the other there. But near that hole the part is bent by little: each pose may
first move, a little and as a whole, to where it fits the scan around the place best. What then still lies off, lies off
because there is no such surface.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.align.bins import DirectionBins
from runner.align.bodies import islands
from runner.align.contest import either_face
from runner.align.prepare import PreparedScan
from runner.align.refine import normal_equations, pair_up, pushed, tukey
from runner.align.search import SearchModel
from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import move_points, turn_vectors
from runner.geometry.mesh import Floats

MOST_ODD = 0.2
"""Share of the surface; poses that differ by more differ grossly."""
MOST_PLACES = 12
AROUND = 0.06
"""Of the diagonal: a place is at least so wide that the surface around it holds the pose."""
LAID = 8
STIFF = 0.02
"""Of the mean pull of a point: what holds a place against motions that its surface leaves open."""
FEWEST = 30
"""Thinned scan points; around a place with fewer nothing can be laid."""


@dataclass(frozen=True, eq=False)
class Ground:
    """What a duel is fought on."""

    scan: PreparedScan
    model: SearchModel
    bins: DirectionBins
    index: SurfaceIndex


def duel(
    first: Floats, second: Floats, ground: Ground, least: float, most: float, unlaid: float = np.inf
) -> tuple[int, int]:
    """Return how many points of the thinned scan speak for the first pose (4, 4) and how many for the second.

    Parameters
    ----------
    first, second
        nominal_from_scan.
    least, most
        Between these, mm, lies the deviation that speaks against a pose; how large it is depends on how well either
        pose can be laid onto the scan around the place.
    unlaid
        Where the surroundings lie farther off than this, mm, under both poses, the place says nothing.
    """
    scan = ground.scan
    ours, theirs = _odd(first, second, ground, most), _odd(second, first, ground, most)
    spots = np.vstack([ours, theirs])
    if not len(spots) or max(len(ours), len(theirs)) > MOST_ODD * len(ground.model.samples):
        return 0, 0
    body = islands(spots, 2.0 * scan.spacing)
    order = np.argsort(-np.bincount(body))[:MOST_PLACES]
    votes = np.zeros((2, len(scan.points)), dtype=bool)
    for number in order:
        mine = spots[body == number]
        middle = 0.5 * (mine.min(axis=0) + mine.max(axis=0))
        radius = float(np.linalg.norm(mine - middle, axis=1).max())
        away = np.linalg.norm(scan.points - middle, axis=1)
        around = np.flatnonzero(away <= max(2.0 * radius, radius + AROUND * ground.model.diagonal))
        if len(around) < FEWEST:
            continue
        reach = max(AROUND * ground.model.diagonal, most)
        laid = [_laid(pose, around, ground, reach, most) for pose in (first, second)]
        distance = np.array([_distance(pose, around, ground, 3.0 * most) for pose in laid])
        spread = min(_spread(d, most) for d in distance)
        if spread > unlaid:
            continue
        limit = float(np.clip(1.5 * spread, least, most))
        gain = np.minimum(distance[1], 3.0 * limit) - np.minimum(distance[0], 3.0 * limit)
        # only the place itself decides; its surroundings hold the poses
        inner = away[around] <= radius + 2.0 * scan.spacing
        votes[0, around[inner & (gain > limit)]] = True
        votes[1, around[inner & (gain < -limit)]] = True
    return int(np.count_nonzero(votes[0] & ~votes[1])), int(np.count_nonzero(votes[1] & ~votes[0]))


def _odd(pose: Floats, other: Floats, ground: Ground, away: float) -> Floats:
    """Return where, (k, 3) in the scan's frame, ``pose`` has surface and ``other`` has none that faces alike."""
    samples, normals = ground.model.samples, ground.model.sample_normals
    motion = other @ np.linalg.inv(pose)
    known = np.ones(len(samples), dtype=bool)
    _, _, distance = ground.bins.closest(
        move_points(motion, samples), turn_vectors(motion, normals), known, 10.0 * away
    )
    return move_points(np.asarray(np.linalg.inv(pose), dtype=np.float64), samples[distance > away])


def _laid(pose: Floats, rows: NDArray[np.int64], ground: Ground, lever: float, most: float) -> Floats:
    """Move a pose (4, 4) to where the scan points ``rows`` fit best; motions that they leave open are not made."""
    scan = ground.scan
    points, normals, signed = scan.points[rows], scan.normals[rows], scan.signed[rows]
    for step in range(LAID):
        rotations, translations = pose[None, :3, :3], pose[None, :3, 3]
        limit = max(1.5 * most * 0.7**step, 0.3 * most, 6.0 * scan.noise)
        pairs = pair_up(ground.bins, rotations, translations, points, normals, signed, limit)
        weights = tukey(pairs.distance, limit)
        total = float(weights.sum())
        if total < 6.0:
            break
        centre = move_points(pose, points).mean(axis=0)
        # no sideways pull: it would slide a face off the very opening that it must not have
        hessian, right = normal_equations(pairs, weights, np.inf, centre, lever)
        move = np.linalg.solve(hessian[0] + STIFF * total * np.eye(6), right[0])
        pose = pushed(pose, move, centre, lever)
    return pose


def _distance(pose: Floats, rows: NDArray[np.int64], ground: Ground, reach: float) -> Floats:
    """Return how far the scan points ``rows`` lie from surface that faces as they do, mm; infinite beyond reach."""
    scan = ground.scan
    moved, turned = move_points(pose, scan.points[rows]), turn_vectors(pose, scan.normals[rows])
    signed = scan.signed[rows]
    _, facing, distance = ground.bins.closest(moved, turned, signed, reach)
    cosine = np.einsum("ij,ij->i", turned, facing)
    distance = np.where(np.where(signed, cosine, np.abs(cosine)) >= 0.5, distance, np.inf)
    distance = either_face(moved, turned, signed & scan.lone[rows], distance, ground.bins, reach)
    if signed.all():
        return distance
    plain = ground.index.closest(moved, reach)
    depth = np.where(plain.triangle >= 0, np.abs(plain.distance), np.inf)
    return np.where(signed, distance, np.minimum(depth, distance))


def _spread(distance: Floats, most: float) -> float:
    near = distance[distance < most]
    return float(np.percentile(near, 98)) if len(near) else most
