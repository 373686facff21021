"""Signs for the normals of clouds that have none, as far as something proves them before any pose is known.

The rest is settled at each candidate pose: a point without sign is held against both sides of the nominal, and the
nearer one counts.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.align.planes import Plane
from runner.align.prepare import PreparedScan
from runner.geometry.frames import perpendicular
from runner.geometry.mesh import Floats

_FLAT = 0.9
"""Cosine to the table's normal from which a surface is taken to look up: the scanner stands above the table, and
surface that looks straight down at the table is out of its sight. That holds only for what nothing lies above: a part
that was turned over and scanned again shows its lower side too, under its upper one."""
_ABOVE = 1.2
"""Spacings by which a point must be higher to lie above another: a surface taken to look up rises by at most 0.7 of
one within a column."""


def orient(scan: PreparedScan) -> tuple[Floats, NDArray[np.bool_]]:
    """Return normals (m, 3) and which signs are known (m,)."""
    normals, known = scan.normals.copy(), scan.signed.copy()
    for table in scan.tables:
        cosine = normals @ table.normal
        sure = ~known & (np.abs(cosine) > _FLAT) & ~_covered(scan, table)
        normals[sure & (cosine < 0)] *= -1.0
        known |= sure
    return normals, known


def _covered(scan: PreparedScan, table: Plane) -> NDArray[np.bool_]:
    """Tell over which points (m,) another lies, seen straight from above the table."""
    height = table.height(scan.points)
    u, v = perpendicular(table.normal)
    column = np.floor(scan.points @ np.column_stack([u, v]) / (1.5 * scan.spacing)).astype(np.int64)
    _, index = np.unique(column, axis=0, return_inverse=True)
    index = index.reshape(-1)
    top = np.full(int(index.max()) + 1 if len(index) else 0, -np.inf)
    np.maximum.at(top, index, height)
    return np.asarray(top[index] > height + _ABOVE * scan.spacing)
