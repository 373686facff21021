"""Where faces of the nominal meet: points there may belong to either face, and must not pull on one of them."""

from __future__ import annotations

from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from runner.geometry.blocks import LIGHT_BLOCK, run_blocks
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats, Nominal
from runner.geometry.neighbours import Neighbours

SHARP = 0.94
"""Faces that meet at less than 20 degrees run on smoothly: a point between them is off by next to nothing."""
MOST_SAMPLES = 2_000_000
MOST_CELLS = 200
"""Along the longest side of the box around all borders."""


class Rims:
    """The sharp borders between faces, sampled densely enough to ask for nearness."""

    def __init__(self, nominal: Nominal, step: float) -> None:
        segments = sharp_edges(nominal)
        self._cells: dict[float, tuple[Floats, float, NDArray[np.bool_]]] = {}
        self._tree = None
        self.step = step
        if len(segments):
            length = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)
            self.step = max(step, float(length.sum()) / MOST_SAMPLES)
            pieces = np.maximum(np.ceil(length / self.step).astype(np.int64), 1)
            which = np.repeat(np.arange(len(segments)), pieces)
            place = np.arange(len(which)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
            share = ((place + 0.5) / pieces[which])[:, None]
            self._samples = segments[which, 0] * (1 - share) + segments[which, 1] * share
            self._tree = Neighbours(self._samples)

    def near(self, points: Floats, within: float) -> NDArray[np.bool_]:
        """Tell which points (n, 3) lie within about ``within``, mm, of a sharp border."""
        if self._tree is None or not len(points):
            return np.zeros(len(points), dtype=bool)
        reach = float(np.hypot(within, 0.5 * self.step))
        near = np.zeros(len(points), dtype=bool)
        rows = np.flatnonzero(self._around(points, reach))
        near[rows] = np.isfinite(self._tree.of(points[rows], 1, reach)[0][:, 0])
        return near

    def _around(self, points: Floats, reach: float) -> NDArray[np.bool_]:
        """Tell which points (n, 3) are in the cells around a border: most are not, and need no search for it."""
        if reach not in self._cells:
            from scipy.ndimage import maximum_filter

            low, high = self._samples.min(axis=0) - reach, self._samples.max(axis=0) + reach
            edge = max(reach, float((high - low).max()) / MOST_CELLS)
            # a layer of cells more on every side, for what the samples of the outermost ones reach
            full = np.zeros(tuple(np.floor((high - low) / edge).astype(np.int64) + 3), dtype=bool)
            at = np.floor((self._samples - low) / edge).astype(np.int64) + 1
            full[tuple(at.T)] = True
            self._cells[reach] = low, edge, maximum_filter(full, 3)
        inside = np.zeros(len(points), dtype=bool)
        run_blocks(_look_up, len(points), points, *self._cells[reach], inside, block=LIGHT_BLOCK)
        return inside


@kernel
def _look_up(start: Any, end: Any, points: Any, low: Any, edge: Any, full: Any, inside: Any) -> None:
    """Whether the cell that each point (n, 3) is in is marked in ``full``, whose second cells begin at ``low``."""
    for i in range(start, end):
        x = int(np.floor((points[i, 0] - low[0]) / edge)) + 1
        y = int(np.floor((points[i, 1] - low[1]) / edge)) + 1
        z = int(np.floor((points[i, 2] - low[2]) / edge)) + 1
        if 0 <= x < full.shape[0] and 0 <= y < full.shape[1] and 0 <= z < full.shape[2]:
            inside[i] = full[x, y, z]


_KEPT: WeakKeyDictionary[Nominal, Rims] = WeakKeyDictionary()


def rims_of(nominal: Nominal) -> Rims:
    """Return the rims of a nominal, made once for as long as it is in use."""
    if nominal not in _KEPT:
        _KEPT[nominal] = Rims(nominal, 0.1)
    return _KEPT[nominal]


def sharp_edges(nominal: Nominal) -> Floats:
    """Return (k, 2, 3) the mesh edges where two triangles meet at 20 degrees or more, or where one ends."""
    from runner.align.search import triangle_normals

    vertices, triangles = nominal.mesh.vertices, nominal.mesh.triangles.astype(np.int64)
    normals, _ = triangle_normals(vertices, nominal.mesh.triangles)
    ends = np.sort(np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    owner = np.tile(np.arange(len(triangles)), 3)
    order = np.lexsort((ends[:, 1], ends[:, 0]))
    ends, owner = ends[order], owner[order]
    first = np.flatnonzero(np.append(True, np.any(np.diff(ends, axis=0) != 0, axis=1)))
    count = np.diff(np.append(first, len(ends)))
    other = np.minimum(first + 1, len(ends) - 1)
    cosine = np.einsum("ij,ij->i", normals[owner[first]], normals[owner[other]])
    sharp = (count != 2) | (cosine < SHARP)
    return vertices[ends[first[sharp]]]
