"""Whether a plane of the scan is a table, once a pose is supposed: the nominal stands on it, and it runs on beyond.

A table that hardly reaches beyond the part can't be told from a face of the part by its size. At a candidate pose it
can: the nominal lies on one side of it, touches it or stands a little above it, it looks towards the nominal, and it
goes on where the nominal ends. Its points then say nothing for or against the pose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.align.planes import Plane, move_plane
from runner.align.prepare import PreparedScan
from runner.geometry.mesh import Floats

_LEAST_RUNNING = 30
_LEAST_RUNNING_SHARE = 0.01
"""A plane runs on beyond the nominal when so many thinned points, and this share of all, do."""


_PADS = 0.15
"""A part may stand this share of its diagonal above the table, on pads or feet that are not in the nominal."""


@dataclass(frozen=True, eq=False)
class Standing:
    """One plane of the scan on which the nominal stands at a pose."""

    table: Plane
    """In the scan's frame, the nominal on its positive side."""
    points: NDArray[np.bool_]
    """(m,) which thinned points are its, and not the part's."""
    running: int
    """How many of them lie beyond the nominal."""


def stands_on(
    pose: Floats,
    scan: PreparedScan,
    vertices: Floats,
    tau: float,
    fits: NDArray[np.bool_],
    gap: Floats,
) -> tuple[Standing, ...]:
    """Return the planes that are tables at a pose: two at most, one for a scan whose normals have no sign.

    Parameters
    ----------
    pose
        (4, 4) nominal_from_scan.
    vertices
        (v, 3) of the nominal's mesh, mm.
    tau
        How far a plane may cut into the nominal, or miss it, and still touch it, mm.
    fits
        (m,) thinned points that lie on nominal surface facing their way.
    gap
        (m,) distance to any nominal surface, mm.
    """
    found = []
    pads = _PADS * float(np.linalg.norm(np.ptp(vertices, axis=0)))
    for support in scan.supports:
        height = move_plane(pose, support).height(vertices)
        for table, lowest in ((support, height.min()), (support.turned_over(), -height.max())):
            if not -tau <= lowest <= max(tau, pads):
                continue
            mine = table.holds(scan.points, scan.normals, scan.signed, max(1.5 * table.thickness, 0.5 * scan.spacing))
            mine &= ~fits
            running = int(np.count_nonzero(mine & (gap > max(tau, 2.0 * scan.spacing))))
            if running >= max(_LEAST_RUNNING, _LEAST_RUNNING_SHARE * len(mine)):
                found.append(Standing(table, mine, running))
    found.sort(key=lambda s: -s.running)
    return tuple(found[: 2 if scan.signed.all() else 1])


def in_plane(tables: tuple[Standing, ...], pose: Floats, points: Floats, tau: float) -> NDArray[np.bool_]:
    """Tell which nominal points (n, 3) lie in one of the tables' planes within ``tau`` mm."""
    mine = np.zeros(len(points), dtype=bool)
    for standing in tables:
        mine |= np.abs(move_plane(pose, standing.table).height(points)) <= tau
    return mine
