"""Batched robust refinement of many poses on the closest-point fields, coarse to fine."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.align.search import SearchModel, direction_index, direction_set
from runner.geometry.blocks import run_blocks
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats

COMPATIBLE = 0.6
"""Least cosine between the scan's normal and the nominal's for a pair to count."""


@kernel
def solve_spd(matrix: Any, vector: Any, size: Any) -> Any:
    """Solve matrix x = vector in place by Cholesky; False when not positive definite. The result is in ``vector``."""
    for j in range(size):
        for i in range(j, size):
            total = matrix[i, j]
            for k in range(j):
                total -= matrix[i, k] * matrix[j, k]
            if i == j:
                if not total > 0.0:
                    return False
                matrix[j, j] = np.sqrt(total)
            else:
                matrix[i, j] = total / matrix[j, j]
    for i in range(size):
        total = vector[i]
        for k in range(i):
            total -= matrix[i, k] * vector[k]
        vector[i] = total / matrix[i, i]
    for i in range(size - 1, -1, -1):
        total = vector[i]
        for k in range(i + 1, size):
            total -= matrix[k, i] * vector[k]
        vector[i] = total / matrix[i, i]
    return True


@kernel
def turn_pose(rotation: Any, translation: Any, step: Any, centre: Any) -> Any:
    """Apply a small motion (rotation vector about ``centre``, then translation) to a pose in place."""
    angle = np.sqrt(step[0] ** 2 + step[1] ** 2 + step[2] ** 2)
    a = 1.0 - angle**2 / 6.0
    b = 0.5 - angle**2 / 24.0
    if angle > 1e-4:
        a = np.sin(angle) / angle
        b = (1.0 - np.cos(angle)) / angle**2
    x, y, z = step[0], step[1], step[2]
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    turn = np.eye(3)
    for i in range(3):
        for j in range(3):
            square = 0.0
            for k in range(3):
                square += cross[i, k] * cross[k, j]
            turn[i, j] += a * cross[i, j] + b * square
    old_rotation = rotation.copy()
    old_translation = translation.copy()
    for i in range(3):
        total = centre[i] + step[3 + i]
        for k in range(3):
            total += turn[i, k] * (old_translation[k] - centre[k])
        translation[i] = total
        for j in range(3):
            value = 0.0
            for k in range(3):
                value += turn[i, k] * old_rotation[k, j]
            rotation[i, j] = value


@kernel
def _refine(
    start: Any,
    end: Any,
    rotations: Any,
    translations: Any,
    points: Any,
    normals: Any,
    signed: Any,
    weights: Any,
    field: Any,
    origin: Any,
    cell: Any,
    shape: Any,
    centre: Any,
    half: Any,
    first: Any,
    last: Any,
    iterations: Any,
    score: Any,
) -> None:
    plane = shape[1] * shape[2]
    for pose in range(start, end):
        rotation = rotations[pose].copy()
        translation = translations[pose].copy()
        hessian = np.empty((6, 6))
        gradient = np.empty(6)
        p = np.empty(3)
        n = np.empty(3)
        at = np.empty(3, dtype=np.int64)
        row = np.empty(6)
        gap = np.empty(3)
        best_gap = np.empty(3)
        best_normal = np.empty(3)
        for iteration in range(iterations + 1):
            scale = first * (last / first) ** (min(iteration, iterations - 1) / max(iterations - 1, 1))
            hessian[:] = 0.0
            gradient[:] = 0.0
            total = 0.0
            for i in range(len(points)):
                inside = True
                for axis in range(3):
                    p[axis] = translation[axis]
                    n[axis] = 0.0
                    for k in range(3):
                        p[axis] += rotation[axis, k] * points[i, k]
                        n[axis] += rotation[axis, k] * normals[i, k]
                    at[axis] = int(np.floor((p[axis] - origin[axis]) / cell))
                    if at[axis] < 0 or at[axis] >= shape[axis]:
                        inside = False
                if not inside:
                    continue
                index = at[0] * plane + at[1] * shape[2] + at[2]
                main = 0
                if abs(n[1]) > abs(n[main]):
                    main = 1
                if abs(n[2]) > abs(n[main]):
                    main = 2
                best = 1e18
                r = 0.0
                overhang = 0.0
                for side in range(1 if signed[i] else 2):
                    sign = 1.0 - 2.0 * side
                    b = 2 * main + (0 if sign * n[main] > 0 else 1)
                    cosine = 0.0
                    this_r = 0.0
                    for axis in range(3):
                        gap[axis] = p[axis] - field[b, index, axis]
                        cosine += sign * n[axis] * field[b, index, 3 + axis]
                        this_r += gap[axis] * field[b, index, 3 + axis]
                    if cosine < COMPATIBLE:
                        continue
                    tangent = 0.0
                    for axis in range(3):
                        gap[axis] -= this_r * field[b, index, 3 + axis]
                        tangent += gap[axis] ** 2
                    tangent = np.sqrt(tangent)
                    # the foot was looked up for the cell's centre: one cell of offset is no evidence of an overhang
                    shrunk = max(0.0, tangent - cell)
                    distance = this_r**2 + shrunk**2
                    if distance < best:
                        best = distance
                        r = this_r
                        overhang = shrunk
                        for axis in range(3):
                            best_normal[axis] = field[b, index, 3 + axis]
                            best_gap[axis] = gap[axis] / tangent if tangent > 0 else 0.0
                if best > 1e17:
                    continue
                ratio = 1.0 + best / scale**2
                weight = weights[i] / ratio**2
                total += weight
                if iteration == iterations:
                    continue
                for axis in range(3):
                    p[axis] -= centre[axis]
                for kind in range(2):
                    if kind == 0:
                        residual = r
                        w = weight
                        for axis in range(3):
                            n[axis] = best_normal[axis]
                    else:
                        if overhang <= 0.0:
                            continue
                        residual = overhang
                        w = 0.5 * weight
                        for axis in range(3):
                            n[axis] = best_gap[axis]
                    row[0] = (p[1] * n[2] - p[2] * n[1]) / half
                    row[1] = (p[2] * n[0] - p[0] * n[2]) / half
                    row[2] = (p[0] * n[1] - p[1] * n[0]) / half
                    row[3], row[4], row[5] = n[0], n[1], n[2]
                    for a in range(6):
                        gradient[a] -= w * residual * row[a]
                        for c in range(a + 1):
                            hessian[a, c] += w * row[a] * row[c]
            score[pose] = total
            if iteration == iterations:
                break
            damping = 1e-6 * (hessian[0, 0] + hessian[3, 3] + hessian[4, 4] + hessian[5, 5]) + 1e-12
            for a in range(6):
                hessian[a, a] += damping
                for c in range(a):
                    hessian[c, a] = hessian[a, c]
            if solve_spd(hessian, gradient, 6):
                for a in range(3):
                    gradient[a] /= half
                turn_pose(rotation, translation, gradient, centre)
        rotations[pose] = rotation
        translations[pose] = translation


def refine_on_field(
    model: SearchModel,
    rotations: Floats,
    translations: Floats,
    points: Floats,
    normals: Floats,
    signed: NDArray[np.bool_],
    first: float,
    last: float,
    iterations: int,
) -> tuple[Floats, Floats, Floats]:
    """Refine poses (k, 3, 3), (k, 3) together; return them with their scores (k,), 0 to 1.

    ``first`` and ``last`` are the robust scale at the first and the last iteration, mm (Geman-McClure weights).
    """
    rotations, translations = rotations.copy(), translations.copy()
    score = np.zeros(len(rotations))
    weights = np.full(len(points), 1.0 / max(len(points), 1))
    run_blocks(
        _refine, len(rotations), rotations, translations, np.ascontiguousarray(points), np.ascontiguousarray(normals),
        signed, weights, model.field, model.origin, model.cell, model.shape, model.centre, 0.5 * model.diagonal,
        first, last, iterations, score, block=4,
    )  # fmt: skip
    return rotations, translations, score


def draw_balanced(normals: Floats, count: int, seed: int) -> NDArray[np.int64]:
    """Choose ``count`` points so that rare surface directions are drawn more often (half-balanced)."""
    if count >= len(normals):
        return np.arange(len(normals))
    population = direction_population(normals)
    chance = 1.0 / np.sqrt(population)
    random = np.random.default_rng(seed)
    return np.sort(random.choice(len(normals), size=count, replace=False, p=chance / chance.sum()))


def direction_population(normals: Floats) -> Floats:
    """Return for each normal (n, 3) how many others face nearly the same way (within about 15 degrees)."""
    index = direction_index(normals)
    alike = _alike()
    smooth = alike @ np.bincount(index, minlength=alike.shape[0]).astype(np.float64)
    return np.asarray(smooth[index])


@lru_cache(maxsize=1)
def _alike() -> Any:
    """Which of the direction set face nearly the same way, a sparse matrix of ones."""
    from scipy.sparse import csr_array

    vectors, _ = direction_set()
    return csr_array((vectors @ vectors.T > np.cos(np.deg2rad(15.0))).astype(np.float64))


def thin_out(
    rotations: Floats,
    translations: Floats,
    score: Floats,
    centre_scan: Floats,
    keep: int,
    angle_deg: float,
    shift: float,
) -> NDArray[np.int64]:
    """Return up to ``keep`` pose numbers, best first, no two closer than both limits (shift at ``centre_scan``, mm)."""
    order = np.argsort(-score, kind="stable")
    at = rotations @ centre_scan + translations
    limit = 1.0 + 2.0 * np.cos(np.deg2rad(angle_deg))
    chosen: list[int] = []
    for i in order:
        if len(chosen) == keep:
            break
        if chosen:
            trace = np.einsum("kij,ij->k", rotations[chosen], rotations[i])
            close = (trace > limit) & (np.linalg.norm(at[chosen] - at[i], axis=1) < shift)
            if close.any():
                continue
        chosen.append(int(i))
    return np.array(chosen, dtype=np.int64)


def coarse_to_fine(
    model: SearchModel,
    rotations: Floats,
    translations: Floats,
    points: Floats,
    normals: Floats,
    signed: NDArray[np.bool_],
    inlier: float,
    seed: int = 0,
    keep: int = 12,
) -> tuple[Floats, Floats, Floats]:
    """Reduce many candidate poses to at most ``keep`` refined ones, best first, with their scores."""
    d = model.diagonal
    middle = np.median(points, axis=0)
    fine = max(2.0, 0.008 * d)
    levels = (
        (250, 8, 0.06 * d, 0.025 * d, 90, 4.0, 0.02 * d),
        (1000, 12, 0.025 * d, fine, 2 * keep, 2.0, 0.01 * d),
        (2500, 12, fine, max(inlier, 0.004 * d), keep, 1.5, 0.006 * d),
    )
    score = np.zeros(len(rotations))
    for level, (count, iterations, first, last, left, angle, shift) in enumerate(levels):
        drawn = draw_balanced(normals, count, seed + level)
        rotations, translations, score = refine_on_field(
            model, rotations, translations, points[drawn], normals[drawn], signed[drawn], first, last, iterations
        )
        chosen = thin_out(rotations, translations, score, middle, left, angle, shift)
        rotations, translations, score = rotations[chosen], translations[chosen], score[chosen]
    return rotations, translations, score
