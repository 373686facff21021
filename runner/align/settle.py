"""The last stage of the pose: least squares over the surface seen, on all points, to what the noise allows.

The robust stages before it weigh by surface direction, so that a few points on edges can hold a part against sliding;
that costs efficiency and lets the unsure normals beside edges pull. Here every piece of scanned *area* pulls alike,
however densely it was scanned, which on even scans is the efficient estimate (its spread meets the Cramer-Rao bound),
and only points that plainly belong to one face take part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.align.rims import rims_of
from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import cross_rows, move_points, rigid, rotation_from_vector, turn_vectors
from runner.geometry.mesh import Floats, Nominal
from runner.geometry.surfaces import project

MOST_POINTS = 300_000
BESIDE_RIM = 5.0
"""Points nearer than this many standard deviations of the noise to a sharp border may belong to the other face."""
LIKE = 0.8
"""Least cosine between a point's normal and the surface's: beside edges estimated normals lean by half the angle."""
SCALES = 6.0
"""Tukey limit over the robust standard deviation: 2 % less efficient than none on pure noise."""
LEAST_LIMIT_MM = 0.03
EVEN = 4.0
"""No point weighs more, or less, than this many times the usual one."""
SEARCHES = 4
FIRST_POINTS = 40_000
"""The first search takes so many: the rest then starts within a hair of its end."""
STEPS = 6
STILL_MM = 1e-8


@dataclass(frozen=True, eq=False)
class Settled:
    """Where the last stage ended."""

    nominal_from_scan: Floats
    covariance: Floats
    """(6, 6) rotation vector (rad) about ``centre``, then translation (mm), for white noise."""
    rms: float
    points: int
    limit: float
    last_step: float
    """mm at half a diagonal."""


def settle_pose(
    nominal: Nominal,
    index: SurfaceIndex,
    pose: Floats,
    points: Floats,
    normals: Floats,
    signed: NDArray[np.bool_],
    centre: Floats,
    half: float,
    cell: float,
    most_limit: float,
    noise: float,
    free: Floats | None = None,
) -> Settled | None:
    """Refine a pose that is already good to a few hundredths of a millimetre.

    Parameters
    ----------
    pose
        (4, 4) nominal_from_scan.
    points, normals, signed
        Kept scan points, raw, (n, 3), (n, 3), (n,), scan frame.
    centre, half
        Where turns are taken about, (3,), and the lever that scales them, mm.
    cell
        Edge of the cells in which density is counted, mm.
    most_limit
        The Tukey limit never exceeds this, mm.
    noise
        Standard deviation of a point, mm.
    free
        (6,) unit movement (turns scaled by ``half``) that a symmetry leaves open, or None.

    Returns
    -------
    Settled, or None where the surfaces seen don't hold the part in this sense.
    """
    if len(points) > MOST_POINTS:
        chosen = np.sort(np.random.default_rng(5).choice(len(points), MOST_POINTS, replace=False))
        points, normals, signed = points[chosen], normals[chosen], signed[chosen]
    pose = np.array(pose, dtype=np.float64)
    inner = ~rims_of(nominal).near(move_points(pose, points), max(BESIDE_RIM * noise, 0.05))
    weight = area_weights(points, normals, cell)
    points, normals, signed, weight = points[inner], normals[inner], signed[inner], weight[inner]
    basis = np.eye(6) if free is None else np.linalg.svd(np.eye(6) - np.outer(free, free))[0][:, :5]
    limit = most_limit
    step = np.inf
    state: tuple[Floats, Floats, Floats, Floats] | None = None
    for search in range(SEARCHES):
        some = slice(None, None, 1 if search else max(1, len(points) // FIRST_POINTS))
        moved = move_points(pose, points[some])
        closest = index.closest(moved, 1.5 * most_limit)
        cosine = np.einsum("ij,ij->i", turn_vectors(pose, normals[some]), closest.normal)
        like = np.where(signed[some], cosine, np.abs(cosine)) >= LIKE
        usable = np.flatnonzero(closest.found & ~closest.on_border & like)
        if len(usable) < 50:
            return None
        face, foot, facing = closest.face[usable], closest.point[usable], closest.normal[usable]
        own, w = points[some][usable], weight[some][usable]
        residual = closest.distance[usable]
        limit = _limit(residual, w, limit, most_limit)
        before = pose
        for _ in range(STEPS):
            now = move_points(pose, own)
            residual, direction = _to_surface(nominal, index.exact, face, foot, facing, now)
            pull = w * (1.0 - np.minimum(np.abs(residual) / limit, 1.0) ** 2) ** 2
            rows = np.concatenate([cross_rows(now - centre, direction) / half, direction], axis=1) @ basis
            hessian = rows.T @ (pull[:, None] * rows)
            total = float(pull.sum())
            if total <= 0 or np.linalg.eigvalsh(hessian / total)[0] < 1e-7:
                return None
            move = basis @ np.linalg.solve(hessian, -(rows.T @ (pull * residual)))
            turn = rotation_from_vector(move[:3] / half)
            pose = rigid(turn, centre + move[3:] - turn @ centre) @ pose
            step = float(np.linalg.norm(move[:3]) + np.linalg.norm(move[3:]))
            if step < STILL_MM:
                break
        state = (residual, pull, rows, hessian)
        change = np.abs(move_points(pose, points[:1]) - move_points(before, points[:1])).max()
        change = max(float(change), float(np.abs(pose[:3, :3] - before[:3, :3]).max()) * half)
        if search and change < 1e-5:
            break
    assert state is not None
    residual, pull, rows, hessian = state
    u, _, v = np.linalg.svd(pose[:3, :3])
    pose[:3, :3] = u @ v
    mean_square = float(pull @ residual**2 / pull.sum())
    inverse = np.linalg.inv(hessian)
    covariance = basis @ (mean_square * inverse @ (rows.T @ ((pull**2)[:, None] * rows)) @ inverse) @ basis.T
    scale = np.repeat([1.0 / half, 1.0], 3)
    return Settled(
        pose, covariance * np.outer(scale, scale), float(np.sqrt(mean_square)), int(np.count_nonzero(pull > 0)), limit,
        step,
    )  # fmt: skip


def area_weights(points: Floats, normals: Floats, cell: float) -> Floats:
    """Return weights (n,), median about 1: the area that each point stands for, by counting in cells ``cell`` wide.

    A cell holds only points whose normals have the same dominant axis, so that a corner's faces don't share one.
    """
    at = np.floor((points - points.min(axis=0)) / cell).astype(np.int64)
    size = at.max(axis=0) + 1
    axis = np.argmax(np.abs(normals), axis=1)
    key = ((at[:, 0] * size[1] + at[:, 1]) * size[2] + at[:, 2]) * 3 + axis
    _, where, count = np.unique(key, return_inverse=True, return_counts=True)
    many = count[where].astype(np.float64)
    usual = float(np.median(many))
    return np.clip(usual / many, 1.0 / EVEN, EVEN)


def _limit(residual: Floats, weight: Floats, before: float, most: float) -> float:
    """The Tukey limit from the scatter that is there: a weighted median of the distances, never above the last one."""
    size = np.abs(residual)
    inside = size <= before
    order = np.argsort(size[inside], kind="stable")
    mass = np.cumsum(weight[inside][order])
    if not len(mass):
        return before
    median = float(size[inside][order][np.searchsorted(mass, 0.5 * mass[-1])])
    return float(np.clip(SCALES * 1.4826 * median, min(LEAST_LIMIT_MM, most), before))


def _to_surface(
    nominal: Nominal, exact: bool, face: NDArray[np.int32], foot: Floats, facing: Floats, points: Floats
) -> tuple[Floats, Floats]:
    """Signed distances (n,) and normals (n, 3) of points near their feet: the face's closed form, or its tangent."""
    distance = np.einsum("ij,ij->i", points - foot, facing)
    if not exact:
        return distance, facing
    _, normal, true = project(nominal.faces, face, points)
    good = np.isfinite(true) & (np.abs(true - distance) < 0.01)
    return np.where(good, true, distance), np.where(good[:, None], normal, facing)
