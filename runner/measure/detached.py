"""Points that hang off the surface by themselves: specks so near to it that it seems to keep them company."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats

REACH = 2.5
"""Neighbours are those within this many spacings."""
LEAST_COMPANY = 2
"""With so many others at like heights a point is no speck."""
DETACHED_SCATTERS = 8.0
"""A lone point is detached when it stands this many times the scatter of its neighbours away from them."""
SUSPECT_SCATTERS = 5.0
NEIGHBOURS = 32
THIN = 8
FARTHEST = 4.0
"""Where a surface is seen more thinly than elsewhere, its eight nearest points within so many reaches tell instead."""


def detached(points: Floats, height: Floats, spacing: float) -> NDArray[np.bool_]:
    """Return which points (n,) stand alone above or below the surface around them.

    ``specks.isolated`` can't see a stray point that hangs a spacing or less off the surface: the surface is its
    company. Here only such neighbours are company as stand off the surface likewise. A burr or a dent is a group of
    points at like heights, and stays, however far it stands out; so does whatever the surface does smoothly.

    Parameters
    ----------
    points : (n, 3) mm.
    height : (n,) of the points over the element or the nominal, mm.
    spacing : root of the area per point, mm.
    """
    result = np.zeros(len(points), dtype=bool)
    if len(points) < 4 * LEAST_COMPANY or spacing <= 0:
        return result
    from scipy.spatial import cKDTree

    level = float(np.median(height))
    scatter = 1.4826 * float(np.median(np.abs(height - level)))
    suspects = np.flatnonzero(np.abs(height - level) > SUSPECT_SCATTERS * max(scatter, 1e-6))
    if not len(suspects):
        return result
    count = min(NEIGHBOURS, len(points) - 1)
    reach = REACH * spacing
    away, near = cKDTree(points).query(points[suspects], k=count + 1, distance_upper_bound=FARTHEST * reach)
    away, near = np.asarray(away)[:, 1:], np.asarray(near)[:, 1:]
    eighth = away[:, min(THIN, count) - 1]
    there = np.isfinite(away) & (away <= np.maximum(reach, np.where(np.isfinite(eighth), eighth, 0.0))[:, None])
    around = np.where(there, height[np.minimum(near, len(points) - 1)], np.nan)
    enough = there.sum(axis=1) > 2 * LEAST_COMPANY
    suspects, around = suspects[enough], around[enough]
    if not len(suspects):
        return result
    middle = np.nanmedian(around, axis=1)
    local = 1.4826 * np.nanmedian(np.abs(around - middle[:, None]), axis=1)
    off = np.abs(height[suspects] - middle)
    alike = np.abs(around - height[suspects, None]) < 0.5 * off[:, None]
    # a handful of neighbours tells their scatter badly: it counts only where it clearly is larger
    rough = np.where(local > 3.0 * scatter, local, scatter)
    lone = (off > DETACHED_SCATTERS * rough) & (alike.sum(axis=1) < LEAST_COMPANY)
    result[suspects[lone]] = True
    return result
