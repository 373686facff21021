"""A coarse grid over points, so that a feature looks at the points around it and not at all of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats

MOST_CELLS = 60_000
"""Fits 16 bits, for which numpy sorts by counting."""


@dataclass(frozen=True, eq=False)
class Cells:
    """Points sorted by cell."""

    low: Floats
    size: float
    shape: tuple[int, int, int]
    order: NDArray[np.int64]
    starts: NDArray[np.int64]
    """(cells + 1,) cell c holds ``order[starts[c]:starts[c + 1]]``."""

    def in_box(self, points: Floats, low: Floats, high: Floats) -> NDArray[np.int64]:
        """Return the rows of ``points`` (those the grid was built from) inside a box, ascending."""
        first = np.clip(np.floor((low - self.low) / self.size), 0, np.array(self.shape) - 1).astype(int)
        last = np.clip(np.floor((high - self.low) / self.size), 0, np.array(self.shape) - 1).astype(int)
        x = np.arange(first[0], last[0] + 1)
        y = np.arange(first[1], last[1] + 1)
        rows = (x[:, None] * self.shape[1] + y[None, :]).ravel() * self.shape[2]
        pieces = [self.order[self.starts[r + first[2]] : self.starts[r + last[2] + 1]] for r in rows]
        found = np.concatenate(pieces) if pieces else np.zeros(0, dtype=np.int64)
        if not len(found):
            return found
        near = points[found]
        inside = np.all((near >= low) & (near <= high), axis=1)
        return np.sort(found[inside])


def make_cells(points: Floats) -> Cells:
    """Sort points (n, 3) into cubes."""
    if not len(points):
        return Cells(np.zeros(3), 1.0, (1, 1, 1), np.zeros(0, dtype=np.int64), np.zeros(2, dtype=np.int64))
    low, high = points.min(axis=0), points.max(axis=0)
    extent = np.maximum(high - low, 1e-6)
    size = float(np.cbrt(np.prod(np.maximum(extent, extent.max() * 0.02)) / (0.5 * MOST_CELLS)))
    while np.prod(np.ceil(extent / size) + 1) > MOST_CELLS:
        size *= 1.1
    shape = (np.ceil(extent / size) + 1).astype(int)
    index = np.floor((points - low) / size).astype(np.int64)
    key = ((index[:, 0] * shape[1] + index[:, 1]) * shape[2] + index[:, 2]).astype(np.uint16)
    order = np.argsort(key, kind="stable")
    counts = np.bincount(key, minlength=int(np.prod(shape)))
    starts = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    return Cells(low, size, (int(shape[0]), int(shape[1]), int(shape[2])), order, starts)


def typical_spacing(points: Floats, cells: Cells, looks: int = 24, neighbours: int = 12) -> float:
    """Return the root of the area per point, mm, the median over some well-filled cells.

    From the distance r to the k-th neighbour: pi r^2 holds k points, whatever the pattern. Between stripes this is
    the geometric mean of both spacings.
    """
    from scipy.spatial import cKDTree

    counts = np.diff(cells.starts)
    filled = np.flatnonzero(counts > 3 * neighbours)
    if not len(filled):
        if len(points) <= neighbours:
            return 0.0
        looks_at = [(points[:: max(1, len(points) // 2000)], points)]
    else:
        chosen = filled[np.unique(np.linspace(0, len(filled) - 1, looks).astype(int))]
        looks_at = []
        for c in chosen:
            inside = points[cells.order[cells.starts[c] : cells.starts[c + 1]]]
            low, high = inside.min(axis=0) - 0.5 * cells.size, inside.max(axis=0) + 0.5 * cells.size
            around = points[cells.in_box(points, low, high)]
            looks_at.append((inside[:: max(1, len(inside) // 400)], around))
    values = []
    for asked, around in looks_at:
        distance = np.asarray(cKDTree(around).query(asked, k=neighbours + 1)[0])[:, -1]
        distance = distance[np.isfinite(distance)]
        if len(distance):
            values.append(np.median(distance) * np.sqrt(np.pi / neighbours))
    return float(np.median(values)) if values else 0.0
