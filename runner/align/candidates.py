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
_BATCH = 8
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
def _splat(rotation: Any, points: Any, normals: Any, cell: Any, low: Any, volume: Any) -> Any:
    """Add turned points to a volume whose first cell is ``low`` (3,); what lies beyond its last comes in again."""
    count = np.zeros(volume.shape[1:], dtype=np.int32)
    where = np.empty((len(points), 3), dtype=np.int32)
    for i in range(len(points)):
        for axis in range(3):
            at = (
                rotation[axis, 0] * points[i, 0] + rotation[axis, 1] * points[i, 1] + rotation[axis, 2] * points[i, 2]
            ) / cell + 0.5 * VOLUME
            where[i, axis] = (int(np.floor(at)) - low[axis]) % volume.shape[1 + axis]
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
def _splat_many(
    start: Any, end: Any, rotations: Any, points: Any, normals: Any, cell: Any, lows: Any, volumes: Any
) -> None:
    for i in range(start, end):
        volumes[i] = 0.0
        _splat(rotations[i], points, normals, cell, lows[i], volumes[i])


@kernel
def _extents(start: Any, end: Any, rotations: Any, points: Any, cell: Any, lows: Any, highs: Any) -> None:
    """Fill the lowest and the highest cell, (k, 3) each, that turned points fall into."""
    for k in range(start, end):
        for axis in range(3):
            x, y, z = rotations[k, axis, 0], rotations[k, axis, 1], rotations[k, axis, 2]
            low, high = np.inf, -np.inf
            for i in range(len(points)):
                at = x * points[i, 0] + y * points[i, 1] + z * points[i, 2]
                low, high = min(low, at), max(high, at)
            # a cell more, for the rounding
            lows[k, axis] = int(np.floor(low / cell + 0.5 * VOLUME)) - 1
            highs[k, axis] = int(np.floor(high / cell + 0.5 * VOLUME)) + 1


@kernel
def _correlate(start: Any, end: Any, spectra: Any, goal: Any, product: Any) -> None:
    """Sum over the channels of the goal's spectrum (3, ...) times the conjugate of each scan's (k, 3, ...)."""
    for k in range(start, end):
        for x in range(goal.shape[1]):
            for y in range(goal.shape[2]):
                for z in range(goal.shape[3]):
                    re = im = np.float32(0.0)
                    for c in range(3):
                        a, b = spectra[k, c, x, y, z], goal[c, x, y, z]
                        re += a.real * b.real + a.imag * b.imag
                        im += a.real * b.imag - a.imag * b.real
                    product[k, x, y, z] = complex(re, im)


def splat_volume(rotation: Floats, points: Floats, normals: Floats, cell: float, volume: NDArray[np.float32]) -> None:
    """Add points (n, 3), turned by ``rotation``, to a cyclic volume about the origin; channels n_x^2, n_y^2, n_z^2."""
    _splat(np.ascontiguousarray(rotation), points, normals, cell, np.zeros(3, dtype=np.int64), volume)


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
    turns = np.ascontiguousarray(turns)
    cell = model.volume_cell
    goal_low, goal = _filled(model.volume)
    lows, sizes = _boxes(turns, near, cell)
    shifts = np.empty((len(turns), peaks, 3))
    # like sizes together: what a scan and the nominal fill beside each other is all that needs to be correlated
    by_size = np.argsort(sizes.prod(axis=1), kind="stable")
    goals: dict[tuple[int, ...], NDArray[np.complex64]] = {}

    def correlate(start: int, end: int) -> None:
        for first in range(start, end, _BATCH):
            part = by_size[first : min(first + _BATCH, end)]
            count = len(part)
            size = sizes[part].max(axis=0)
            both = tuple(min(fft.next_fast_len(int(n), real=True), VOLUME) for n in size + goal.shape[1:] - 1)
            if both not in goals:
                goals[both] = _spectra(goal[None], both)[0]
            volumes = np.empty((count, 3, *size), dtype=np.float32)
            _splat_many(0, count, turns[part], near, near_normals, cell, lows[part], volumes)
            spectra = _spectra(volumes, both)
            product = np.empty(spectra.shape[:1] + spectra.shape[2:], dtype=np.complex64)
            _correlate(0, count, spectra, goals[both], product)
            found = np.empty((count, peaks, 3))
            _take_peaks(0, count, np.ascontiguousarray(fft.irfftn(product, s=both, axes=(1, 2, 3))), found)
            # a scan's cell that comes to lie before the nominal's first counts from the end
            found = np.where(found >= goal.shape[1:], found - np.array(both), found)
            shifts[part] = found + goal_low - lows[part, None, :]

    # whole batches side by side: half of a transform is padding, which no transform does on several threads
    run_blocks(correlate, len(turns), block=_BATCH)
    shifts = ((shifts + VOLUME // 2) % VOLUME - VOLUME // 2) * cell
    translation = model.centre + shifts - (turns @ middle)[:, None, :]
    return np.repeat(turns, peaks, axis=0), translation.reshape(-1, 3)


def _filled(volume: NDArray[np.float32]) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """The box of a volume (3, n, n, n) that isn't empty: its first cell (3,), and the cells in it."""
    some = volume.any(axis=0)
    places = np.argwhere(some)
    low, high = places.min(axis=0), places.max(axis=0) + 1
    return low, np.ascontiguousarray(volume[:, low[0] : high[0], low[1] : high[1], low[2] : high[2]])


def _spectra(volumes: NDArray[np.float32], size: tuple[int, ...]) -> NDArray[np.complex64]:
    """Transform volumes (k, 3, a, b, c), padded to ``size`` (3,), leaving out what is empty."""
    from scipy import fft

    # axis by axis: rows that are empty yet need no transform
    spectra = fft.rfft(volumes, size[2], axis=4)
    spectra = fft.fft(spectra, size[1], axis=3)
    return np.asarray(fft.fft(spectra, size[0], axis=2))


def _boxes(turns: Floats, points: Floats, cell: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First cell (k, 3) and size (k, 3) of the box that the turned points fill; the whole volume where that's less."""
    lows, highs = np.empty((len(turns), 3), dtype=np.int64), np.empty((len(turns), 3), dtype=np.int64)
    run_blocks(_extents, len(turns), turns, points, cell, lows, highs, block=1)
    return lows, np.minimum(highs - lows + 1, VOLUME)


@kernel
def _take_peaks(start: Any, end: Any, score: Any, shifts: Any) -> None:
    nx, ny, nz = score.shape[1:]
    for i in range(start, end):
        for peak in range(shifts.shape[1]):
            best = -np.inf
            a = b = c = 0
            for x in range(nx):
                for y in range(ny):
                    for z in range(nz):
                        if score[i, x, y, z] > best:
                            best = score[i, x, y, z]
                            a, b, c = x, y, z
            shifts[i, peak, 0], shifts[i, peak, 1], shifts[i, peak, 2] = a, b, c
            for dx in range(-2, 3):
                for dy in range(-2, 3):
                    for dz in range(-2, 3):
                        score[i, (a + dx) % nx, (b + dy) % ny, (c + dz) % nz] = -np.inf
