"""Signs for the normals of clouds that have none, as far as something proves them before any pose is known.

The rest is settled at each candidate pose: a point without sign is held against both sides of the nominal, and the
nearer one counts.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.align.prepare import PreparedScan
from runner.geometry.mesh import Floats

_FLAT = 0.9
"""Cosine to the table's normal from which a surface is taken to look up: the scanner stands above the table, and
surface that looks straight down at the table is out of its sight."""


def orient(scan: PreparedScan) -> tuple[Floats, NDArray[np.bool_]]:
    """Return normals (m, 3) and which signs are known (m,)."""
    normals, known = scan.normals.copy(), scan.signed.copy()
    for table in scan.tables:
        cosine = normals @ table.normal
        sure = ~known & (np.abs(cosine) > _FLAT)
        normals[sure & (cosine < 0)] *= -1.0
        known |= sure
    return normals, known
