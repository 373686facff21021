"""A small scanner of our own for these tests: imports nothing of the project but the distance index's ray casting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import Nominal, ScanGeometry


def random_rotation(rng) -> np.ndarray:
    q = rng.normal(size=4)
    x, y, z, w = q / np.linalg.norm(q)
    return np.array([
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ])  # fmt: skip


@dataclass
class Simulated:
    scan: ScanGeometry
    nominal_from_scan: np.ndarray
    kind: np.ndarray  # 0 part, 1 table, 2 fixture, 3 stray


def area_samples(vertices, triangles, count, rng):
    a, b, c = (vertices[triangles[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    area = np.linalg.norm(cross, axis=1)
    chosen = rng.choice(len(triangles), size=count, p=area / area.sum())
    u, v = rng.random((2, count))
    fold = u + v > 1
    u[fold], v[fold] = 1 - u[fold], 1 - v[fold]
    points = a[chosen] + u[:, None] * (b - a)[chosen] + v[:, None] * (c - a)[chosen]
    return points, cross[chosen] / area[chosen, None]


def box_mesh(low, high):
    corners = np.array([[(low, high)[i >> k & 1][k] for k in range(3)] for i in range(8)], dtype=float)
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    return corners, np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))], dtype=np.int32)


def simulate(nominal: Nominal, index: SurfaceIndex, seed: int, *, count=60_000, views="table", table=True, fixtures=1,
             noise=0.02, stray=0.01, form=0.0, normals="signed", hide=None, turn=None) -> Simulated:  # fmt: skip
    """Scan a part lying in its own frame (z up, or turned by ``turn``) from some directions, then move it all away.

    ``views``: ``all`` round, ``table`` (from above), ``one`` side. ``hide(points)`` says which nominal points are lost.
    ``form``: amplitude, mm, of a smooth bulge.
    """
    rng = np.random.default_rng(seed)
    vertices, triangles = nominal.mesh.vertices, nominal.mesh.triangles
    lay = np.eye(3) if turn is None else turn
    low, high = (vertices @ lay.T).min(axis=0), (vertices @ lay.T).max(axis=0)
    d = np.linalg.norm(high - low)
    points, facing = area_samples(vertices, triangles, 3 * count, rng)
    if hide is not None:
        lost = hide(points)
        points, facing = points[~lost], facing[~lost]
    if form:
        wave = np.sin(points @ rng.normal(size=3) / d * 4.0 + rng.random() * 6.0)
        moved = points + form * wave[:, None] * facing
    else:
        moved = points
    parts = [(moved @ lay.T, facing @ lay.T, 0)]
    if table:
        span = 1.6 * d
        xy = rng.uniform(-span, span, size=(count, 2)) + 0.5 * (low + high)[:2]
        parts.append((np.column_stack([xy, np.full(count, low[2])]), np.tile([0.0, 0, 1], (count, 1)), 1))
    for k in range(fixtures):
        size = rng.uniform(0.08, 0.2, 3) * d
        side = k % 2
        at = np.array([rng.uniform(low[0], high[0]), (low[1] - size[1] - 0.3, high[1] + 0.3)[side], low[2]])
        fv, ft = box_mesh(at, at + size)
        p, n = area_samples(fv, ft, count // 8, rng)
        parts.append((p, n, 2))
    points = np.concatenate([p for p, _, _ in parts])
    facing = np.concatenate([n for _, n, _ in parts])
    kind = np.concatenate([np.full(len(p), k) for p, _, k in parts])
    if views == "all":
        looks = [v / np.linalg.norm(v) for v in rng.normal(size=(8, 3))]
    elif views == "table":
        looks = [np.array([np.cos(a) * s, np.sin(a) * s, np.sqrt(1 - s * s)]) for a, s in
                 zip(rng.uniform(0, 6.3) + np.arange(6) * 1.05, rng.uniform(0.3, 0.85, 6), strict=True)]  # fmt: skip
    else:
        axis = rng.normal(size=3)
        looks = [v / np.linalg.norm(v) for v in axis / np.linalg.norm(axis) + 0.5 * rng.normal(size=(3, 3))]
    seen = np.zeros(len(points), dtype=bool)
    for look in looks:
        able = np.flatnonzero(~seen & (facing @ look > 0.26))
        hit, _ = index.first_hit((points[able] + 0.05 * facing[able]) @ lay, np.tile(look @ lay, (len(able), 1)))
        seen[able[~np.isfinite(hit)]] = True
    points, facing, kind = points[seen], facing[seen], kind[seen]
    if stray:
        extra = int(stray * len(points))
        points = np.concatenate([points, rng.uniform(low - 0.3 * d, high + 0.3 * d, size=(extra, 3))])
        facing = np.concatenate([facing, _unit(rng.normal(size=(extra, 3)))])
        kind = np.concatenate([kind, np.full(extra, 3)])
    order = rng.permutation(len(points))
    points, facing, kind = points[order], facing[order], kind[order]
    points = points + rng.normal(scale=noise, size=points.shape)
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = random_rotation(rng), rng.uniform(-500, 500, 3)
    moved = points @ pose[:3, :3].T + pose[:3, 3]
    facing = _unit(facing + 0.06 * rng.normal(size=facing.shape)) @ pose[:3, :3].T
    if normals == "none":
        scan = ScanGeometry(moved)
    else:
        scan = ScanGeometry(moved, normals=facing, normals_signed=True)
    laid = np.eye(4)
    laid[:3, :3] = lay
    return Simulated(scan, np.linalg.inv(pose @ laid), kind)


def _unit(v):
    return v / np.linalg.norm(v, axis=1, keepdims=True)


def pose_error(found, truth, nominal, symmetries=()) -> tuple[float, float]:
    """Rotation error, deg, and the largest displacement of a bounding-box corner, mm; best over ``symmetries``."""
    low, high = nominal.bounds
    corners = np.array([[(low, high)[i >> k & 1][k] for k in range(3)] for i in range(8)])
    best = (np.inf, np.inf)
    for s in (np.eye(4), *symmetries):
        motion = s @ found @ np.linalg.inv(truth)
        moved = corners @ motion[:3, :3].T + motion[:3, 3]
        off = np.linalg.norm(moved - corners, axis=1).max()
        angle = np.rad2deg(np.arccos(np.clip(0.5 * (np.trace(motion[:3, :3]) - 1), -1, 1)))
        best = min(best, (off, angle))
    return best[1], best[0]
