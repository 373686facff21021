"""What a scan does not show, where one pose has surface and the other an opening.

A hole of 5 mm in sheet is told by its few wall points or by the gap in the face. A gap alone says little: surface goes
unseen for many reasons. But where a gap in otherwise scanned surface has the very outline of an opening that a rival
pose has there, it speaks for the rival.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.align.bins import DirectionBins
from runner.align.bodies import islands
from runner.align.search import SearchModel
from runner.geometry.frames import move_points, turn_vectors
from runner.geometry.mesh import Floats

SAME = 0.6
"""At least this share of a gap must be opening in the rival pose, and of the opening be gap."""
MOST_ODD = 0.2
"""Share of the surface; poses that differ by more differ grossly."""
FEWEST = 4
"""Smaller gaps, in samples of the surface, are between the points of any scan."""
THREADED = 20_000
"""Points; of fewer, threads cost more than they save."""


def telling_gaps(
    pose: Floats,
    other: Floats,
    seen_feet: Floats,
    seen_normals: Floats,
    model: SearchModel,
    bins: DirectionBins,
    limit: float,
    spacing: float,
) -> int:
    """Return how many cells of gap in the scan speak for ``other`` and against ``pose``.

    Parameters
    ----------
    pose, other
        (4, 4) nominal_from_scan of the two poses.
    seen_feet, seen_normals
        (k, 3) where the scan's points lie on the nominal under ``pose``, and its normals there.
    limit
        Surface of ``pose`` farther than this from that of ``other`` counts as an opening there, mm.
    spacing
        Of the thinned scan, mm; a cell has twice this edge.
    """
    from scipy.spatial import cKDTree

    if len(seen_feet) < 10:
        return 0
    samples, normals = model.samples, model.sample_normals
    motion = other @ np.linalg.inv(pose)
    moved, turned = move_points(motion, samples), turn_vectors(motion, normals)
    _, _, distance = bins.closest(moved, turned, np.ones(len(moved), dtype=bool), 10.0 * limit)
    odd = distance > limit
    # where much of the surface has no counterpart, the points decide or nothing does; openings are small
    if not 0.0 < np.mean(odd) < MOST_ODD:
        return 0
    # only what lies around the openings can matter
    tree = cKDTree(samples)
    pairs, _ = tree.query(samples[:: max(1, len(samples) // 500)], k=[2])
    dense = max(float(np.median(pairs)), 1e-3)
    around = _within(samples, samples[odd], 6.0 * spacing)
    gap, nearest = cKDTree(seen_feet).query(
        samples[around], k=min(4, len(seen_feet)), distance_upper_bound=1.5 * spacing, workers=2
    )
    facing = np.vstack([seen_normals, np.zeros(3)])[nearest]
    covered = (np.isfinite(gap) & (np.einsum("nkj,nj->nk", facing, normals[around]) > 0.5)).any(axis=1)
    bare = around[~covered]
    if len(bare) < FEWEST:
        return 0

    # samples of different directions stay apart by being shifted along their normals
    body = islands(samples[bare] + 4.0 * spacing * normals[bare], 2.5 * dense)
    total = 0
    for number in np.unique(body[odd[bare]]):
        mine = bare[body == number]
        open_share = float(np.mean(odd[mine]))
        if len(mine) < FEWEST or open_share < SAME:
            continue
        # the opening must be bare as a whole: half of a hole that is covered is no hole
        reach = max(2.0 * spacing, 2.5 * dense)
        beside = around[_within(samples[around], samples[mine], reach)]
        beside = beside[normals[beside] @ normals[mine].mean(axis=0) > 0.5]
        near = beside[odd[beside]]
        is_bare = np.isin(near, bare)
        if len(near) and np.mean(is_bare) < SAME:
            continue
        # and lie in surface that was seen: what no scanner looked at is bare under any pose
        rim = beside[~odd[beside]]
        if not len(rim) or np.mean(np.isin(rim, bare)) > 1.0 - SAME:
            continue
        cells = np.unique(np.floor(samples[mine[odd[mine]]] / (2.0 * spacing)).astype(np.int64), axis=0)
        total += len(cells)
    return total


def _within(points: Floats, goals: Floats, reach: float) -> NDArray[np.int64]:
    """Return the rows of ``points`` (n, 3) that lie within ``reach``, mm, of any of ``goals`` (k, 3)."""
    from scipy.spatial import cKDTree

    workers = 2 if len(points) > THREADED else 1
    gap, _ = cKDTree(goals).query(points, distance_upper_bound=reach, workers=workers)
    return np.flatnonzero(np.isfinite(gap))
