"""Candidate poses: rotations ranked by surface directions, translations by correlation. Exhaustive, nothing random."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.align.search import CUBE, DIRECTIONS, VOLUME, SearchModel, direction_index, direction_set
from runner.geometry.blocks import run_blocks
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats

ROTATIONS = 16_000
"""About 8 degrees from each rotation to its nearest neighbour."""
_PSI = 1.533751168755204288118041
"""Root of psi^4 = psi + 4 (super-Fibonacci spirals: an even spread over all rotations; published 2022)."""


@lru_cache(maxsize=1)
def rotation_set() -> tuple[Floats, Floats]:
    """Return (ROTATIONS, 4) unit quaternions (x, y, z, w) spread evenly over all rotations, and their matrices."""
    s = np.arange(ROTATIONS) + 0.5
    r, big_r = np.sqrt(s / ROTATIONS), np.sqrt(1.0 - s / ROTATIONS)
    alpha, beta = 2.0 * np.pi * s / np.sqrt(2.0), 2.0 * np.pi * s / _PSI
    quaternions = np.column_stack([r * np.sin(alpha), r * np.cos(alpha), big_r * np.sin(beta), big_r * np.cos(beta)])
    return quaternions, matrices(quaternions)


def matrices(quaternions: Floats) -> Floats:
    """Return the (n, 3, 3) rotations of unit quaternions (n, 4), scalar last."""
    x, y, z, w = quaternions.T
    return np.stack(
        [
            1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w),
            2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w),
            2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y),
        ],
        axis=-1,
    ).reshape(-1, 3, 3)  # fmt: skip


@kernel
def _score_directions(
    start: Any, end: Any, rotations: Any, vectors: Any, weights: Any, both: Any, cube: Any, score: Any
) -> None:
    half = 0.5 * cube.shape[0]
    last = cube.shape[0] - 1
    for i in range(start, end):
        total = 0.0
        for k in range(len(vectors)):
            best = 0.0
            for side in range(2 if both[k] else 1):
                sign = 1.0 - 2.0 * side
                c0 = c1 = c2 = 0
                for axis in range(3):
                    turned = sign * (
                        rotations[i, axis, 0] * vectors[k, 0]
                        + rotations[i, axis, 1] * vectors[k, 1]
                        + rotations[i, axis, 2] * vectors[k, 2]
                    )
                    c = min(max(int((turned + 1.0) * half), 0), last)
                    if axis == 0:
                        c0 = c
                    elif axis == 1:
                        c1 = c
                    else:
                        c2 = c
                best = max(best, cube[c0, c1, c2])
            total += weights[k] * best
        score[i] = total


def rank_rotations(
    model: SearchModel,
    normals: Floats,
    signed: NDArray[np.bool_],
    keep: int,
    mirror: bool = False,
    among: NDArray[np.bool_] | None = None,
) -> Floats:
    """Return up to ``keep`` rotations (k, 3, 3), at least 9 degrees apart, that turn scan directions onto nominal ones.

    With ``mirror`` the rotations follow a reflection in x, so they have determinant -1. ``among`` says which of the
    rotation set may be taken; all by default.
    """
    assert model.directions.shape[0] == CUBE
    flip = np.diag([-1.0, 1.0, 1.0]) if mirror else np.eye(3)
    turned = normals @ flip
    index = direction_index(turned)
    # signed and unsigned points of one direction are kept apart
    count = np.bincount(index + DIRECTIONS * (~signed), minlength=2 * DIRECTIONS)
    strongest = np.argsort(-count, kind="stable")[:300]
    strongest = strongest[count[strongest] > 0]
    vectors, _ = direction_set()
    weights = np.sqrt(count[strongest].astype(np.float64))
    quaternions, rotations = rotation_set()
    score = np.zeros(ROTATIONS)
    run_blocks(
        _score_directions,
        ROTATIONS,
        rotations,
        vectors[strongest % DIRECTIONS],
        weights / weights.sum(),
        strongest >= DIRECTIONS,
        model.directions,
        score,
    )
    order = np.argsort(-score, kind="stable")
    allowed = np.ones(ROTATIONS, dtype=bool) if among is None else among.copy()
    limit = np.cos(np.deg2rad(9.0) / 2.0)
    chosen = []
    for i in order:
        if not allowed[i]:
            continue
        chosen.append(i)
        if len(chosen) == keep:
            break
        allowed &= np.abs(quaternions @ quaternions[i]) < limit
    return rotations[chosen] @ flip


@kernel
def _splat(rotation: Any, points: Any, normals: Any, cell: Any, volume: Any) -> Any:
    size = volume.shape[1]
    count = np.zeros((size, size, size), dtype=np.int32)
    where = np.empty((len(points), 3), dtype=np.int32)
    for i in range(len(points)):
        for axis in range(3):
            at = (
                rotation[axis, 0] * points[i, 0] + rotation[axis, 1] * points[i, 1] + rotation[axis, 2] * points[i, 2]
            ) / cell + 0.5 * size
            where[i, axis] = int(np.floor(at)) % size
        count[where[i, 0], where[i, 1], where[i, 2]] += 1
    for i in range(len(points)):
        a, b, c = where[i, 0], where[i, 1], where[i, 2]
        weight = 1.0 / np.sqrt(count[a, b, c])
        for axis in range(3):
            n = (
                rotation[axis, 0] * normals[i, 0]
                + rotation[axis, 1] * normals[i, 1]
                + rotation[axis, 2] * normals[i, 2]
            )
            volume[axis, a, b, c] += weight * n * n


@kernel
def _splat_many(start: Any, end: Any, rotations: Any, points: Any, normals: Any, cell: Any, volumes: Any) -> None:
    for i in range(start, end):
        _splat(rotations[i], points, normals, cell, volumes[i])


def splat_volume(rotation: Floats, points: Floats, normals: Floats, cell: float, volume: NDArray[np.float32]) -> None:
    """Add points (n, 3), turned by ``rotation``, to a cyclic volume about the origin; channels n_x^2, n_y^2, n_z^2."""
    _splat(np.ascontiguousarray(rotation), points, normals, cell, volume)


def find_candidates(
    model: SearchModel,
    points: Floats,
    normals: Floats,
    signed: NDArray[np.bool_],
    rotations: int = 250,
    peaks: int = 3,
    mirror: bool = False,
    among: NDArray[np.bool_] | None = None,
) -> tuple[Floats, Floats]:
    """Return rotations (c, 3, 3) and translations (c, 3), nominal from scan, worth refining.

    Parameters
    ----------
    points, normals, signed
        The scan, evenly thinned, (n, 3), (n, 3), (n,). All of it must lie within about one diagonal of its middle;
        what lies farther away is folded back (the correlation is cyclic).
    rotations, peaks
        How many rotations are correlated, and how many translations are kept of each.
    mirror
        Look for poses of the mirrored scan.
    among
        (ROTATIONS,) which rotations of the set to look among; all by default.
    """
    from scipy import fft

    turns = rank_rotations(model, normals, signed, rotations, mirror, among)
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    step = max(1, len(points) // 12_000)
    near, near_normals = points[::step] - middle, normals[::step]
    goal = fft.rfftn(model.volume, axes=(1, 2, 3), workers=2)
    cell = model.volume_cell
    shifts = np.empty((len(turns), peaks, 3))
    batch = 16
    for start in range(0, len(turns), batch):
        part = turns[start : start + batch]
        volumes = np.zeros((len(part), 3, VOLUME, VOLUME, VOLUME), dtype=np.float32)
        run_blocks(_splat_many, len(part), np.ascontiguousarray(part), near, near_normals, cell, volumes, block=1)
        spectrum = fft.rfftn(volumes, axes=(2, 3, 4), workers=2)
        np.conjugate(spectrum, out=spectrum)
        product = spectrum[:, 0] * goal[0]
        for channel in (1, 2):
            product += spectrum[:, channel] * goal[channel]
        score = fft.irfftn(product, s=(VOLUME,) * 3, axes=(1, 2, 3), workers=2)
        run_blocks(_take_peaks, len(part), np.ascontiguousarray(score), shifts[start : start + len(part)], block=1)
    shifts = np.where(shifts >= VOLUME / 2, shifts - VOLUME, shifts) * cell
    translation = model.centre + shifts - (turns @ middle)[:, None, :]
    return np.repeat(turns, peaks, axis=0), translation.reshape(-1, 3)


@kernel
def _take_peaks(start: Any, end: Any, score: Any, shifts: Any) -> None:
    size = score.shape[1]
    for i in range(start, end):
        for peak in range(shifts.shape[1]):
            best = -np.inf
            a = b = c = 0
            for x in range(size):
                for y in range(size):
                    for z in range(size):
                        if score[i, x, y, z] > best:
                            best = score[i, x, y, z]
                            a, b, c = x, y, z
            shifts[i, peak, 0], shifts[i, peak, 1], shifts[i, peak, 2] = a, b, c
            for dx in range(-2, 3):
                for dy in range(-2, 3):
                    for dz in range(-2, 3):
                        score[i, (a + dx) % size, (b + dy) % size, (c + dz) % size] = -np.inf
