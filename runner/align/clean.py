"""Label every scan point: part, table, clutter or speck. Part surface stays, also where the part is off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.align.bins import DirectionBins
from runner.align.bodies import islands
from runner.align.planes import Plane
from runner.align.prepare import voxel_mean
from runner.align.types import CLUTTER, KEPT, SPECK, TABLE
from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import Floats
from runner.geometry.neighbours import Neighbours


def label_points(
    points: Floats,
    normals: Floats,
    signed: NDArray[np.bool_],
    index: SurfaceIndex,
    bins: DirectionBins,
    tables: tuple[Plane, ...],
    keep_within: float,
    form_error: float,
    spacing: float,
) -> NDArray[np.uint8]:
    """Label the points of an aligned scan.

    Parameters
    ----------
    points, normals, signed
        (n, 3), (n, 3), (n,) in the nominal frame.
    tables
        Table planes in the nominal frame.
    keep_within
        A point nearer than this to the nominal stays, mm, unless it evidently is the table's or another body's.
    form_error
        How far part surface is expected to be off, mm: a point this near to surface facing its way is the part's.
    spacing
        Edge of the thinning cells, mm.

    Returns
    -------
    (n,) ``KEPT``, ``TABLE``, ``CLUTTER`` or ``SPECK``.
    """
    n = len(points)
    labels = np.full(n, CLUTTER, dtype=np.uint8)
    plain = index.closest(points, keep_within)
    near = (plain.triangle >= 0) & (np.abs(plain.distance) <= keep_within)
    labels[near] = KEPT
    # on a face and not beside it: what lies under the part can't be seen while it lies on a table, so such a point of
    # the table's height is the part's own face, seen when it was turned over
    on_face = near & ~plain.on_border & (np.abs(plain.distance) <= form_error)
    on_face &= np.abs(np.einsum("ij,ij->i", normals, plain.normal)) > 0.8
    for table in tables:
        _label_table(labels, points, normals, signed, on_face, bins, table, form_error)
    # where the closest surface of all faces the point's way, there is nothing left to look up
    proven = near & (np.abs(plain.distance) <= form_error)
    proven[proven] = bins.holds(plain.triangle[proven], normals[proven], signed[proven])
    rows = np.flatnonzero((labels == KEPT) & ~proven)
    _, _, facing = bins.closest(points[rows], normals[rows], signed[rows], form_error)
    doubtful = rows[~(facing <= form_error)]
    labels[_other_bodies(labels, points, normals, doubtful, spacing)] = CLUTTER
    labels[_lonely(points, labels, spacing)] = SPECK
    return labels


def _label_table(
    labels: NDArray[np.uint8],
    points: Floats,
    normals: Floats,
    signed: NDArray[np.bool_],
    on_face: NDArray[np.bool_],
    bins: DirectionBins,
    table: Plane,
    form_error: float,
) -> None:
    """Label points of the table's slab that look its way, unless the nominal has such surface at that very height."""
    slab = 1.5 * table.thickness
    height = table.height(points)
    toward = normals @ table.normal
    looks_up = np.where(signed, toward, np.abs(toward)) > 0.8
    on = np.flatnonzero((np.abs(height) <= slab) & looks_up & (signed | ~on_face))
    near = on[labels[on] == KEPT]
    # whatever their sign, table points look up
    up = np.broadcast_to(table.normal, (len(near), 3))
    foot, _, distance = bins.closest(points[near], np.ascontiguousarray(up), np.ones(len(near), dtype=bool), form_error)
    part = (distance <= form_error) & (np.abs(table.height(foot)) <= slab)
    labels[on] = TABLE
    labels[near[part]] = KEPT
    labels[(height < -slab) & (labels == CLUTTER)] = TABLE


def _other_bodies(
    labels: NDArray[np.uint8], points: Floats, normals: Floats, doubtful: NDArray[np.int64], spacing: float
) -> NDArray[np.int64]:
    """Return the doubtful points that run on smoothly into a body lying mostly out of the nominal's reach."""
    far = np.flatnonzero(labels == CLUTTER)
    if not len(far) or not len(doubtful):
        return doubtful[:0]
    # only what is close enough to the doubtful points to be one body with them
    reach = 40.0 * spacing
    low, high = points[doubtful].min(axis=0) - reach, points[doubtful].max(axis=0) + reach
    far = far[np.all((points[far] >= low) & (points[far] <= high), axis=1)]
    rows = np.concatenate([doubtful, far])
    is_far = np.arange(len(rows)) >= len(doubtful)
    # each facing direction is its own layer, so that a body is followed round no sharp edge
    axis = np.argmax(np.abs(normals[rows]), axis=1)
    condemned = []
    for k in range(3):
        mine = np.flatnonzero(axis == k)
        if not (is_far[mine].any() and (~is_far[mine]).any()):
            continue
        flags = is_far[mine]
        # far and near points are thinned apart, but linked together
        thin, share = [], []
        for flag in (False, True):
            part = rows[mine[flags == flag]]
            mean, _, _ = voxel_mean(points[part], normals[part], np.zeros(len(part), dtype=bool), spacing)
            thin.append(mean)
            share.append(np.full(len(mean), flag))
        places, place_far = np.concatenate(thin), np.concatenate(share)
        body = islands(places, 2.6 * spacing)
        far_share = np.bincount(body, weights=place_far) / np.bincount(body)
        rest = rows[mine[~flags]]
        nearest = Neighbours(places[~place_far]).of(points[rest], 1)[1][:, 0]
        condemned.append(rest[far_share[body[~place_far][nearest]] > 0.5])
    return np.concatenate(condemned) if condemned else doubtful[:0]


def _lonely(points: Floats, labels: NDArray[np.uint8], spacing: float) -> NDArray[np.int64]:
    """Return the points that have hardly any neighbour: fewer than three others in the cells around theirs."""
    rows = np.flatnonzero((labels == KEPT) | (labels == CLUTTER))
    if len(rows) < 100:
        return rows[:0]
    mine = points[rows]
    low = mine.min(axis=0) - 1.0

    def keys(cell: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        at = np.floor((mine - low) / cell).astype(np.int64) + 1
        span = at.max(axis=0) + 2
        return np.asarray((at[:, 0] * span[1] + at[:, 1]) * span[2] + at[:, 2]), span

    _, count = np.unique(keys(spacing)[0], return_counts=True)
    step = spacing / np.sqrt(max(float(np.median(np.repeat(count, count))), 1.0))
    key, span = keys(4.0 * step)
    used, inverse, count = np.unique(key, return_inverse=True, return_counts=True)
    sparse = np.flatnonzero(count < 4)
    around = np.zeros(len(sparse), dtype=np.int64)
    for dx in (-1, 0, 1):
        for dy in (-1, 0, 1):
            for dz in (-1, 0, 1):
                wanted = used[sparse] + (dx * span[1] + dy) * span[2] + dz
                place = np.minimum(np.searchsorted(used, wanted), len(used) - 1)
                around += np.where(used[place] == wanted, count[place], 0)
    lonely = np.zeros(len(used), dtype=bool)
    lonely[sparse[around < 4]] = True
    return rows[lonely[inverse]]
