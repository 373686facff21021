"""Gaussian means of deviations over a surface of any shape."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.blocks import run_blocks
from runner.geometry.fits.filters import ALPHA
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats

BINS = 8
"""Bins per cut-off in which points are put together first."""
TARGETS = 4
"""Means per cut-off that are given back."""
WINDOW = 1.1
"""Cut-offs beyond which the weight is left out."""
SAME_SURFACE = 0.5
"""Cosine of 60 degrees: surface that turns away more than this is another one."""
MOST_CELLS = 4_000_000


def smoothed(
    points: Floats, distance: Floats, cutoff: float, normals: Floats | None = None, face: NDArray[Any] | None = None
) -> tuple[Floats, NDArray[np.int64]]:
    """Return Gaussian means (k,) of deviations (n,), about a quarter cut-off apart, and a point (k,) at each.

    The weight is that of ISO 16610-61 over straight-line distances, which equal those along the surface for a cut-off
    well below its radius of curvature. Near borders it is normed on the points that exist.

    Parameters
    ----------
    points, distance
        (n, 3) and (n,), mm.
    cutoff
        mm.
    normals
        (n, 3) unit, of the nominal surface: points whose surface turns away by more than 60 degrees (the other side of
        a sheet, the face round a sharp edge) take no part in each other's means. None: all are one surface.
    face
        (n,) number of the nominal face, so that points of two faces are not put together. None: one face.
    """
    step = cutoff / BINS
    index = np.floor((points - points.min(axis=0)) / step).astype(np.int64)
    surface = np.zeros(len(points), dtype=np.int64) if face is None else np.asarray(face, dtype=np.int64)
    key = _key(index, surface)
    order = np.argsort(key, kind="stable")
    first = np.flatnonzero(np.diff(key[order], prepend=np.int64(-1)))
    counts = np.diff(np.append(first, len(order))).astype(np.float64)

    def means(values: Floats) -> Floats:
        return np.add.reduceat(values[order], first) / counts

    places = np.column_stack([means(points[:, k]) for k in range(3)])
    mean = means(distance)
    facing = np.zeros((len(places), 3))
    if normals is not None:
        facing = np.column_stack([means(normals[:, k]) for k in range(3)])
        facing /= np.maximum(np.linalg.norm(facing, axis=1), 1e-12)[:, None]
    targets = np.unique(_key(index[order[first]] // (BINS // TARGETS), surface[order[first]]), return_index=True)[1]
    result = _means(places, mean, counts, facing, normals is not None, targets, cutoff)
    return np.where(np.isfinite(result), result, mean[targets]), order[first[targets]]


def longest_face(points: Floats, face: NDArray[Any]) -> float:
    """Return the diagonal of the box about the largest face's points (n, 3), mm; ``face`` (n,) their face numbers.

    A Gaussian filter with a longer cut-off would smooth away all form of every face and pass whatever its shape.
    """
    order = np.argsort(face, kind="stable")
    first = np.flatnonzero(np.diff(face[order], prepend=face[order][0] - 1))
    low, high = np.minimum.reduceat(points[order], first), np.maximum.reduceat(points[order], first)
    return float(np.linalg.norm(high - low, axis=1).max())


def _key(index: NDArray[np.int64], surface: NDArray[np.int64]) -> NDArray[np.int64]:
    """One number (n,) for each cube (n, 3) and surface (n,)."""
    shape = index.max(axis=0) + 1
    faces = int(surface.max()) + 1
    if float(np.prod(shape.astype(np.float64))) * faces > 2.0**62:
        return np.unique(np.column_stack([index, surface]), axis=0, return_inverse=True)[1].reshape(-1).astype(np.int64)
    key: NDArray[np.int64] = ((index[:, 0] * shape[1] + index[:, 1]) * shape[2] + index[:, 2]) * faces + surface
    return key


def _means(
    places: Floats,
    mean: Floats,
    counts: Floats,
    facing: Floats,
    sided: bool,
    targets: NDArray[np.int64],
    cutoff: float,
) -> Floats:
    """Means (k,) at places ``targets`` (k,)."""
    low = places.min(axis=0)
    extent = places.max(axis=0) - low
    window = WINDOW * cutoff
    size = window
    while float(np.prod(np.floor(extent / size) + 1)) > MOST_CELLS:
        size *= 1.3
    shape = (np.floor(extent / size) + 1).astype(np.int64)
    index = np.floor((places - low) / size).astype(np.int64)
    cell = (index[:, 0] * shape[1] + index[:, 1]) * shape[2] + index[:, 2]
    order = np.argsort(cell, kind="stable")
    starts = np.zeros(int(np.prod(shape)) + 1, dtype=np.int64)
    starts[1:] = np.cumsum(np.bincount(cell, minlength=len(starts) - 1))
    packed = np.ascontiguousarray(np.column_stack([places, facing, mean, counts])[order])
    # targets in the order of the cells: what lies close together is read together
    turn = targets[np.argsort(cell[targets], kind="stable")]
    asked = np.ascontiguousarray(np.column_stack([places, facing])[turn])
    found = np.empty(len(turn))
    run_blocks(
        _gaussian_means, len(turn), asked, cell[turn], packed, starts, shape, sided, window**2,
        np.pi / (ALPHA * cutoff) ** 2, found,
    )  # fmt: skip
    result = np.empty(len(places))
    result[turn] = found
    return result[targets]


@kernel
def _gaussian_means(
    start: int, end: int, asked: Any, cells: Any, packed: Any, starts: Any, shape: Any, sided: bool, square: float,
    steepness: float, found: Any,
) -> None:  # fmt: skip
    """Weighted means at ``asked``; columns of ``packed``: place, facing, mean, count, sorted by cell."""
    for i in range(start, end):
        x, y, z = asked[i, 0], asked[i, 1], asked[i, 2]
        nx, ny, nz = asked[i, 3], asked[i, 4], asked[i, 5]
        cz = cells[i] % shape[2]
        cy = (cells[i] // shape[2]) % shape[1]
        cx = cells[i] // (shape[2] * shape[1])
        total, moment = 0.0, 0.0
        for ax in range(max(cx - 1, 0), min(cx + 1, shape[0] - 1) + 1):
            for ay in range(max(cy - 1, 0), min(cy + 1, shape[1] - 1) + 1):
                row = (ax * shape[1] + ay) * shape[2]
                # cells along z follow one another
                for j in range(starts[row + max(cz - 1, 0)], starts[row + min(cz + 1, shape[2] - 1) + 1]):
                    dx, dy, dz = packed[j, 0] - x, packed[j, 1] - y, packed[j, 2] - z
                    d = dx * dx + dy * dy + dz * dz
                    if d > square:
                        continue
                    if sided and nx * packed[j, 3] + ny * packed[j, 4] + nz * packed[j, 5] < SAME_SURFACE:
                        continue
                    weight = packed[j, 7] * np.exp(-steepness * d)
                    total += weight
                    moment += weight * packed[j, 6]
        # a place always finds itself, unless its own facing is undefined
        found[i] = moment / total if total > 0.0 else np.nan
