"""Exact refinement: float64 closest points in the direction bin, point-to-plane, weights by surface direction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.align.bins import DirectionBins
from runner.align.icp import COMPATIBLE, direction_population, draw_balanced
from runner.align.sums import equations
from runner.geometry.blocks import LIGHT_BLOCK, run_blocks
from runner.geometry.frames import rigid, rotation_from_vector
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats
from runner.geometry.morton import morton_order

NEAR_MM = 1e-3
"""Steps below this end a stage that another one follows."""


def balance(normals: Floats) -> Floats:
    """Return weights (n,), mean 1, so that every surface direction pulls alike however densely it was scanned.

    Clipped to 0.09 to 20 times the mean: a direction with a handful of points must not carry the pose alone.
    """
    weights = 1.0 / direction_population(normals)
    weights = np.clip(weights / weights.mean(), 0.09, 20.0)
    return np.asarray(weights / weights.mean())


@dataclass(frozen=True, eq=False)
class Pairs:
    """Residuals of P poses and M points: ``value`` along ``direction`` (unit), with the weight each pair has."""

    moved: Floats
    """(P, M, 3) scan points in the nominal frame."""
    normal: Floats
    """(P, M, 3) the nominal's normal at the foot."""
    r: Floats
    """(P, M) distance along it, mm, signed."""
    across: Floats
    """(P, M, 3) unit direction of the sideways gap (zero where there is none)."""
    gap: Floats
    """(P, M) sideways gap of points that overhang a border, mm."""
    distance: Floats
    """(P, M) distance to surface that faces the same way, mm; infinite where there is none."""


def pair_up(
    bins: DirectionBins,
    rotations: Floats,
    translations: Floats,
    points: Floats,
    normals: Floats,
    signed: NDArray[np.bool_],
    reach: float,
) -> Pairs:
    """Find the nominal surface that each scan point (M, 3) answers to under each pose (P, 3, 3), (P, 3)."""
    shape = (len(rotations), len(points))
    count = shape[0] * shape[1]
    moved, turned = np.empty((count, 3)), np.empty((count, 3))
    arrays = (np.ascontiguousarray(a) for a in (rotations, translations, points, normals))
    run_blocks(_move, count, *arrays, moved, turned, block=LIGHT_BLOCK)
    foot, normal, distance = bins.closest(
        moved, turned, np.tile(signed, shape[0]), reach, np.arange(count, dtype=np.int32)
    )
    r, gap = np.empty(count), np.empty(count)
    run_blocks(_residuals, count, moved, turned, np.ascontiguousarray(signed), foot, normal, distance, r, gap,
               block=LIGHT_BLOCK)  # fmt: skip
    return Pairs(
        moved.reshape(*shape, 3), normal.reshape(*shape, 3), r.reshape(shape), foot.reshape(*shape, 3),
        gap.reshape(shape), distance.reshape(shape),
    )  # fmt: skip


@kernel
def _move(
    start: Any, end: Any, rotations: Any, translations: Any, points: Any, normals: Any, moved: Any, turned: Any
) -> None:
    """Points and normals (M, 3) under each pose, pose by pose."""
    m = len(points)
    for k in range(start, end):
        p, i = k // m, k % m
        for a in range(3):
            x, y, z = rotations[p, a, 0], rotations[p, a, 1], rotations[p, a, 2]
            moved[k, a] = x * points[i, 0] + y * points[i, 1] + z * points[i, 2] + translations[p, a]
            turned[k, a] = x * normals[i, 0] + y * normals[i, 1] + z * normals[i, 2]


@kernel
def _residuals(
    start: Any, end: Any, moved: Any, turned: Any, signed: Any, foot: Any, normal: Any, distance: Any, r: Any, gap: Any
) -> None:
    """Fill ``r`` and ``gap``, and write into ``foot`` the direction of the gap; see ``Pairs``."""
    m = len(signed)
    for k in range(start, end):
        cosine = turned[k, 0] * normal[k, 0] + turned[k, 1] * normal[k, 1] + turned[k, 2] * normal[k, 2]
        if not signed[k % m]:
            cosine = abs(cosine)
        r[k] = gap[k] = 0.0
        if not (cosine >= COMPATIBLE and distance[k] < np.inf):
            distance[k] = np.inf
            foot[k, 0] = foot[k, 1] = foot[k, 2] = 0.0
            continue
        for a in range(3):
            foot[k, a] = moved[k, a] - foot[k, a]
            r[k] += foot[k, a] * normal[k, a]
        for a in range(3):
            foot[k, a] -= r[k] * normal[k, a]
            gap[k] += foot[k, a] ** 2
        gap[k] = np.sqrt(gap[k])
        if gap[k] > 0.0:
            for a in range(3):
                foot[k, a] /= gap[k]


def tukey(distance: Floats, limit: float | Floats) -> Floats:
    """Return Tukey's biweight, 1 at zero, 0 from ``limit`` on."""
    ratio = np.minimum(distance / limit, 1.0)
    return (1.0 - ratio**2) ** 2


def normal_equations(
    pairs: Pairs, weights: Floats, overhang_from: float, centre: Floats, half: float
) -> tuple[Floats, Floats]:
    """Return Hessians (P, 6, 6) and right-hand sides (P, 6); rotation columns are scaled by ``half``, mm.

    A point that hangs over a border by more than ``overhang_from`` pulls sideways as well (with half weight):
    without it nothing but noise holds a shallow part against sliding along itself.
    """
    hessian, gradient = equations(pairs.moved, pairs.normal, weights, pairs.r, centre, half)
    aside, slope = equations(
        pairs.moved, pairs.across, 0.5 * weights * (pairs.gap > overhang_from), pairs.gap, centre, half
    )
    return hessian + aside, -(gradient + slope)


def push_all(
    rotations: Floats, translations: Floats, which: NDArray[np.intp], moves: Floats, centre: Floats, half: float
) -> Floats:
    """Move some poses, ``which`` (k,), a little and in place, as ``pushed`` does; return by how much (k,), mm."""
    for p, move in zip(which, moves, strict=True):
        turn = rotation_from_vector(move[:3] / half)
        rotations[p] = turn @ rotations[p]
        translations[p] = turn @ (translations[p] - centre) + centre + move[3:]
    return np.asarray(np.linalg.norm(moves[:, :3], axis=1) + np.linalg.norm(moves[:, 3:], axis=1))


def polish(
    bins: DirectionBins,
    rotations: Floats,
    translations: Floats,
    points: Floats,
    normals: Floats,
    signed: NDArray[np.bool_],
    centre: Floats,
    half: float,
    floor: float,
    iterations: int,
    stop_at: float = 0.0,
    gate: float | None = None,
) -> tuple[Floats, Floats, Floats]:
    """Refine P poses together; return rotations, translations and the last step (P,), mm at ``half`` from the centre.

    Parameters
    ----------
    floor
        The Tukey limit at the end, mm. It is not tightened by the scatter of the points: the large flat areas
        would then throw out the few points on edges and bores that hold the part against sliding.
    iterations, stop_at
        At most so many steps; fewer once every step is below ``stop_at``, mm.
    gate
        The Tukey limit at the first step, mm, shrinking by 0.7 a step to ``floor``.
    """
    rotations, translations = rotations.copy(), translations.copy()
    weight = balance(normals)
    limit = max(gate or floor, floor)
    step = np.full(len(rotations), np.inf)
    moving = np.arange(len(rotations))
    for _ in range(iterations):
        pairs = pair_up(bins, rotations[moving], translations[moving], points, normals, signed, limit)
        weights = weight * tukey(pairs.distance, limit)
        hessian, right = normal_equations(pairs, weights, 0.02 + 0.05 * limit, centre, half)
        damping = 1e-9 * np.trace(hessian, axis1=1, axis2=2) + 1e-12
        hessian += damping[:, None, None] * np.eye(6)
        moves = np.asarray(np.linalg.solve(hessian, right[..., None])[..., 0], dtype=np.float64)
        step[moving] = push_all(rotations, translations, moving, moves, centre, half)
        if limit == floor:
            # the others go on alone
            moving = moving[step[moving] >= stop_at]
            if not len(moving):
                break
        limit = max(0.7 * limit, floor)
    return rotations, translations, step


@dataclass(frozen=True, eq=False)
class Refined:
    """A final pose with its own evidence."""

    nominal_from_scan: Floats
    covariance: Floats
    """(6, 6) rotation vector (rad) about the nominal's centre, then translation (mm)."""
    rms: float
    """Of the points that carry the pose, along the surface normal, mm."""
    points: int
    limit: float
    """Tukey limit of the last stage, mm."""
    last_step: float
    """Size of the last step, mm at half a diagonal from the centre."""
    hold: float
    """Least eigenvalue of the balanced, normalised Hessian, a symmetry axis' free turn left out; 0 = slides freely."""
    settled: float
    """How far apart, mm at half a diagonal, fits end that start a little to either side along ``weakest``."""
    weakest: Floats
    """(6,) the motion that is held least (rotation vector times half diagonal, translation), unit."""
    scatter: float = 0.0
    """Scatter of the points about the surface as it lies at this pose, mm; 0 where it was not looked at."""
    ends_apart: float = 0.0
    """mm at half a diagonal: how far another end of the fit of a part out of shape lies; 0 where none is known."""


def refine_pose(
    bins: DirectionBins,
    nominal_from_scan: Floats,
    points: Floats,
    normals: Floats,
    signed: NDArray[np.bool_],
    centre: Floats,
    diagonal: float,
    form_error: float,
    fit_reach: float,
    noise: float,
    free: Floats | None = None,
    count: int = 20_000,
) -> Refined:
    """Refine one pose to its end.

    The robust scale stays wide until the pose stands still; only then it follows the scatter that is really
    there (90th percentile of the balanced residuals, so that flat areas don't decide it), never above ``fit_reach``.

    Parameters
    ----------
    points, normals, signed
        Cleaned scan, raw points, (n, 3), (n, 3), (n,).
    form_error, fit_reach, noise
        mm.
    free
        (6,) direction that a symmetry axis leaves open, or None.
    count
        How many points carry the fit.
    """
    half = 0.5 * diagonal
    drawn = draw_balanced(normals, count, seed=7)
    # evenly through the scan whichever part is taken of them, and neighbours one after the other
    drawn = drawn[morton_order(points[drawn])]
    points, normals, signed = points[drawn], normals[drawn], signed[drawn]
    rotation, translation = nominal_from_scan[None, :3, :3].copy(), nominal_from_scan[None, :3, 3].copy()
    few = slice(None, None, max(1, len(points) // 5000))
    wide = (
        min(1.2 * form_error + 3.0 * noise, max(fit_reach, 5.0 * noise))
        if fit_reach < form_error
        else 1.2 * form_error + 3.0 * noise
    )
    for floor, gate, iterations in ((wide, 3.0 * wide, 25), (0.5 * wide, 2.0 * wide, 10)):
        rotation, translation, _ = polish(
            bins,
            rotation,
            translation,
            points[few],
            normals[few],
            signed[few],
            centre,
            half,
            floor,
            iterations,
            NEAR_MM,
            gate,
        )
    weight = balance(normals)
    pairs = pair_up(bins, rotation, translation, points, normals, signed, wide)
    close = pairs.distance[0] < wide
    limit = wide
    if close.any():
        order = np.argsort(np.abs(pairs.r[0][close]), kind="stable")
        mass = np.cumsum(weight[close][order])
        typical = float(np.abs(pairs.r[0][close])[order][np.searchsorted(mass, 0.9 * mass[-1])])
        limit = float(np.clip(3.0 * typical, max(0.05, 5.0 * noise), wide))
    limit = min(limit, max(fit_reach, 0.01))
    # a few points lead to within a hair of the end, so that all of them need only a handful of steps; the last digits
    # are left to ``settle``
    rotation, translation, _ = polish(
        bins, rotation, translation, points[few], normals[few], signed[few], centre, half, limit, 20, NEAR_MM, wide
    )
    rotation, translation, step = polish(
        bins, rotation, translation, points, normals, signed, centre, half, limit, 20, 0.5 * NEAR_MM
    )
    pairs = pair_up(bins, rotation, translation, points, normals, signed, limit)
    weights = weight * tukey(pairs.distance, limit)
    used = weights[0] > 0
    hessian, _ = normal_equations(pairs, weights, 0.02 + 0.05 * limit, centre, half)
    squares, _ = normal_equations(pairs, weights**2, np.inf, centre, half)
    total = float(weights.sum())
    rms = float(np.sqrt((weights[0] * pairs.r[0] ** 2).sum() / total)) if total > 0 else 0.0
    values, vectors = np.linalg.eigh(hessian[0] / total if total > 0 else np.zeros((6, 6)))
    if free is not None:
        keep = np.eye(6) - np.outer(free, free)
        values, vectors = np.linalg.eigh(keep @ (hessian[0] / total) @ keep)
        values, vectors = values[1:], vectors[:, 1:]
    inverse = np.linalg.pinv(hessian[0], rcond=1e-12)
    covariance = rms**2 * inverse @ squares[0] @ inverse
    scale = np.repeat([1.0 / half, 1.0], 3)
    settled = _settle(bins, rotation[0], translation[0], vectors[:, 0], points[few], normals[few], signed[few], centre,
                      half, wide, limit, free)  # fmt: skip
    return Refined(
        rigid(_orthonormal(rotation[0]), translation[0]), covariance * np.outer(scale, scale), rms,
        int(np.count_nonzero(used)), limit, float(step[0]), float(max(values[0], 0.0)),
        settled, vectors[:, 0],
    )  # fmt: skip


def either_side(pose: Floats, direction: Floats, centre: Floats, half: float, wide: float) -> tuple[Floats, Floats]:
    """Return the pose (4, 4) pushed a little to both sides along a motion (6,), unit, turns scaled by ``half``."""
    push = min(0.8 * wide, 0.01 * half)
    return pushed(pose, -push * direction, centre, half), pushed(pose, push * direction, centre, half)


def pushed(pose: Floats, move: Floats, centre: Floats, half: float) -> Floats:
    """Return the pose (4, 4) after a small movement (6,), its turn about ``centre`` and scaled by ``half``."""
    turn = rotation_from_vector(move[:3] / half)
    return rigid(turn, centre + move[3:] - turn @ centre) @ pose


def movement(first: Floats, second: Floats, centre: Floats, half: float) -> Floats:
    """Return the motion (6,) from one pose (4, 4) to another close by: turn about ``centre`` times ``half``, shift."""
    motion = second @ np.linalg.inv(first)
    # of a small turn the skew part is its rotation vector
    skew = motion[:3, :3] - motion[:3, :3].T
    turn = 0.5 * np.array([skew[2, 1], skew[0, 2], skew[1, 0]])
    return np.concatenate([half * turn, motion[:3, :3] @ centre + motion[:3, 3] - centre])


def between(first: Floats, second: Floats, centre: Floats, half: float, free: Floats | None) -> float:
    """Return how far two close poses (4, 4) are apart, mm at ``half`` from the centre; a ``free`` motion left out."""
    moved = movement(first, second, centre, half)
    if free is not None:
        moved = moved - (moved @ free) * free
    return float(np.linalg.norm(moved))


def _settle(
    bins: DirectionBins, rotation: Floats, translation: Floats, direction: Floats, points: Floats, normals: Floats,
    signed: NDArray[np.bool_], centre: Floats, half: float, wide: float, limit: float, free: Floats | None,
) -> float:  # fmt: skip
    """Start again from both sides along the motion that is held least, and return how far apart the fits end, mm."""
    starts = np.array(either_side(rigid(rotation, translation), direction, centre, half, wide))
    rotations, translations = starts[:, :3, :3], starts[:, :3, 3]
    for floor, gate, steps in ((wide, wide, 12), (limit, wide, 15)):
        rotations, translations, _ = polish(
            bins, rotations, translations, points, normals, signed, centre, half, floor, steps, 2.0 * NEAR_MM, gate
        )
    first, second = (rigid(_orthonormal(r), t) for r, t in zip(rotations, translations, strict=True))
    return between(first, second, centre, half, free)


def _orthonormal(rotation: Floats) -> Floats:
    """Remove the rounding that many small turns gather."""
    u, _, v = np.linalg.svd(rotation)
    return np.asarray(u @ v)
