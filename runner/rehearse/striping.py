"""The stripes of one pass as a grid of rays, and the triangles between neighbouring stripes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats, Ints
from runner.rehearse.caster import ParallelCaster
from runner.rehearse.scene import View
from runner.rehearse.settings import ScannerSettings


@dataclass(frozen=True, eq=False)
class RayGrid:
    """The rays of one pass in stripe order: stripe by stripe, along each stripe."""

    rays: Floats
    """(n, 2) in the caster's axes u, v."""
    stripe: Ints
    """(n,)."""
    along: Ints
    """(n,)."""


def lay_stripes(caster: ParallelCaster, view: View, settings: ScannerSettings, random: np.random.Generator) -> RayGrid:
    """Return rays that cover everything in the caster's sight, stripes along ``view.stripe``."""
    across = np.cross(view.direction, view.stripe)
    stripe_uv, across_uv = caster.axes[:2] @ view.stripe, caster.axes[:2] @ across
    corners = np.array(
        [(u, v) for u in (caster.low[0], caster.high[0]) for v in (caster.low[1], caster.high[1])], dtype=float
    )
    s, m = corners @ stripe_uv, corners @ across_uv
    gaps = settings.stripe_spacing * np.maximum(
        0.3, 1.0 + settings.hand * random.standard_normal(int((m.max() - m.min()) / settings.stripe_spacing * 1.2) + 4)
    )
    places = m.min() + np.cumsum(gaps) - random.uniform() * settings.stripe_spacing
    places = places[places < m.max()]
    count = int((s.max() - s.min()) / settings.point_spacing) + 1
    starts = s.min() + settings.point_spacing * random.uniform(-0.2, 0.2, len(places))
    along = starts[:, None] + settings.point_spacing * np.arange(count)
    rays = along[..., None] * stripe_uv + places[:, None, None] * across_uv
    index = np.indices((len(places), count), dtype=np.int32).reshape(2, -1)
    return RayGrid(rays.reshape(-1, 2), index[0], index[1])


def triangulate(
    stripe: Ints,
    along: Ints,
    points: Floats,
    body: Ints,
    neighbours: NDArray[np.bool_],
    direction: Floats,
    longest: float,
) -> Ints:
    """Return triangles (m, 3) between the points (n, 3) of one pass that are neighbours in its grid.

    None crosses from one ``body`` (n,) to another that does not touch it (``neighbours``, square), none has an edge
    above ``longest`` mm. They are wound anticlockwise seen from the scanner, against ``direction``.
    """
    if not len(points):
        return np.zeros((0, 3), np.int32)
    grid = np.full((int(stripe.max()) + 2, int(along.max()) + 2), -1, np.int32)
    grid[stripe, along] = np.arange(len(points), dtype=np.int32)
    a, b, c, d = grid[:-1, :-1].ravel(), grid[1:, :-1].ravel(), grid[1:, 1:].ravel(), grid[:-1, 1:].ravel()
    full = (a >= 0) & (b >= 0) & (c >= 0) & (d >= 0)
    pieces = [np.stack([a, b, c], 1)[full], np.stack([a, c, d], 1)[full]]
    for missing, corners in ((a, (b, c, d)), (b, (a, c, d)), (c, (a, b, d)), (d, (a, b, c))):
        only = (missing < 0) & (corners[0] >= 0) & (corners[1] >= 0) & (corners[2] >= 0)
        pieces.append(np.stack(corners, 1)[only])
    triangles = np.concatenate(pieces)
    for i, j in ((0, 1), (1, 2), (2, 0)):
        step = points[triangles[:, i]] - points[triangles[:, j]]
        joined = neighbours[body[triangles[:, i]], body[triangles[:, j]]]
        triangles = triangles[joined & (np.einsum("ij,ij->i", step, step) <= longest**2)]
    corners3 = points[triangles]
    normal = np.cross(corners3[:, 1] - corners3[:, 0], corners3[:, 2] - corners3[:, 0])
    away = normal @ direction
    triangles[away > 0] = triangles[away > 0][:, ::-1]
    return triangles[np.abs(away) > 1e-9].astype(np.int32)
