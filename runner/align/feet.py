"""How far points lie from the surface that each has its foot on, as they move a little with the pose."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from runner.geometry.blocks import LIGHT_BLOCK, run_blocks
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats, Nominal
from runner.geometry.surfaces import pack, project_one

MOST_APART_MM = 0.01
"""The closed form is taken where it agrees so far with the tangent plane at the foot; a face that is shaped by its mesh
alone has none, and next to a cone's tip or across a torus it may be that of the other side."""


class Feet(NamedTuple):
    """Where points (n,) have their feet, from one search for the closest surface."""

    face: NDArray[np.int32]
    """(n,) numbers of faces."""
    point: Floats
    """(n, 3) the feet, mm."""
    normal: Floats
    """(n, 3) the surface's normals there."""


class Gaps(NamedTuple):
    """What ``gaps_at`` finds."""

    moved: Floats
    """(n, 3) the points in the nominal's frame, mm."""
    direction: Floats
    """(n, 3) the surface's normal where the point now is."""
    residual: Floats
    """(n,) signed distance along it, mm."""
    inside: Floats
    """(n,) 1 less the square of the distance over the bound, 0 beyond it: Tukey's weight is its square."""
    loss: Floats
    """(n,) Tukey's loss, 1 from the bound on."""


def gaps_at(nominal: Nominal, exact: bool, feet: Feet, pose: Floats, points: Floats, bound: float) -> Gaps:
    """Return how points (n, 3) of the scan lie at a pose (4, 4), by the closed forms of their faces where ``exact``."""
    count = len(points)
    out = Gaps(np.empty((count, 3)), np.empty((count, 3)), np.empty(count), np.empty(count), np.empty(count))
    run_blocks(
        _gaps, count, pack(nominal.faces), exact, *feet, np.ascontiguousarray(pose), points, float(bound), *out,
        block=LIGHT_BLOCK,
    )  # fmt: skip
    return out


@kernel
def _gaps(
    start: Any, end: Any, rows: Any, exact: Any, face: Any, foot: Any, facing: Any, pose: Any, points: Any, bound: Any,
    moved: Any, direction: Any, residual: Any, inside: Any, loss: Any,
) -> None:  # fmt: skip
    """Fill a range of ``Gaps``."""
    for i in range(start, end):
        distance = 0.0
        for a in range(3):
            at = pose[a, 3]
            for b in range(3):
                at += pose[a, b] * points[i, b]
            moved[i, a] = at
            direction[i, a] = facing[i, a]
            distance += (at - foot[i, a]) * facing[i, a]
        if exact:
            _, _, _, nx, ny, nz, true = project_one(rows[face[i]], moved[i, 0], moved[i, 1], moved[i, 2])
            if abs(true - distance) < MOST_APART_MM:
                distance = true
                direction[i, 0], direction[i, 1], direction[i, 2] = nx, ny, nz
        residual[i] = distance
        share = min(abs(distance) / bound, 1.0)
        kept = 1.0 - share * share
        inside[i] = kept
        loss[i] = 1.0 - kept * kept * kept
