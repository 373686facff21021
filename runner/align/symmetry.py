"""The nominal laid over itself: exact symmetries, near-symmetries and mirror images.

Near-symmetries are the poses that a search confuses; they are kept with the model as permanent rivals.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from runner.align.bins import DirectionBins
from runner.align.candidates import find_candidates
from runner.align.icp import coarse_to_fine
from runner.align.refine import polish
from runner.align.search import SearchModel
from runner.geometry.frames import move_points, rigid, rotation_from_vector, turn_vectors, unit
from runner.geometry.mesh import Floats, Nominal, SurfaceKind

EXACT_MM = 0.15
"""A pose is a true symmetry only when every triangle lands this close to a face that looks the same way."""
NEAR_SHARE = 0.75
_TRIAL_ANGLES = (0.37, 0.83, 1.31, 1.97, 2.41, 2.89)


@dataclass(frozen=True, eq=False)
class SymmetryTable:
    """Motions that map the nominal onto itself, exactly or nearly; (k, 4, 4) each, identity left out."""

    exact: Floats
    exact_mirrored: Floats
    near: Floats
    near_share: Floats
    """(k,) share of the surface that lands on itself."""
    near_mirrored: Floats
    near_mirrored_share: Floats
    axis_point: Floats
    """(a, 3) for each axis about which every turn is an exact symmetry; usually none, one for turned parts."""
    axis: Floats
    """(a, 3) unit."""
    near_axis_point: Floats
    """(b, 3) axes about which every turn is a near-symmetry (a turned part with one keyway)."""
    near_axis: Floats

    @property
    def text(self) -> str:
        """One phrase for the evidence."""
        if len(self.axis) > 1:
            return "sphere-like: several axes"
        if len(self.axis) == 1:
            (x, y, z), (i, j, k) = self.axis_point[0], self.axis[0]
            return f"turns about the axis through ({x:.1f}, {y:.1f}, {z:.1f}) along ({i:.2f}, {j:.2f}, {k:.2f})"
        return f"{len(self.exact) + 1} equal poses" if len(self.exact) else "none"


class _Judge:
    """Tells how well a motion maps the nominal onto itself."""

    def __init__(self, nominal: Nominal, model: SearchModel, bins: DirectionBins) -> None:
        from runner.align.search import triangle_normals

        vertices, triangles = nominal.mesh.vertices, nominal.mesh.triangles
        normals, areas = triangle_normals(vertices, triangles)
        real = areas > 1e-6 * areas.mean()
        self.points = vertices[triangles[real]].mean(axis=1)
        self.normals = normals[real]
        step = max(1, len(model.samples) // 4000)
        self.some, self.some_normals = model.samples[::step], model.sample_normals[::step]
        self.bins = bins

    def share(self, motion: Floats, limit: float) -> float:
        """Share of the surface that lands within ``limit`` of itself, mm."""
        gap = self.gaps(motion, self.some, self.some_normals, limit)
        return float(np.mean(gap <= limit))

    def exact(self, motion: Floats) -> bool:
        """Whether every triangle, however small, finds its like."""
        few = slice(None, None, max(1, len(self.points) // 2000))
        for points, normals in ((self.points[few], self.normals[few]), (self.points, self.normals)):
            if not np.all(self.gaps(motion, points, normals, EXACT_MM) <= EXACT_MM):
                return False
        return True

    def gaps(self, motion: Floats, points: Floats, normals: Floats, limit: float) -> Floats:
        turned = turn_vectors(motion, normals)
        _, foot_normal, distance = self.bins.closest(
            move_points(motion, points), turned, np.ones(len(points), dtype=bool), 2.0 * limit
        )
        return np.where(np.einsum("ij,ij->i", turned, foot_normal) > 0.6, distance, np.inf)


def find_symmetries(nominal: Nominal, model: SearchModel, bins: DirectionBins, inlier: float = 1.2) -> SymmetryTable:
    """Register the nominal to itself, proper and mirrored."""
    judge = _Judge(nominal, model, bins)
    tau = min(inlier, 0.02 * model.diagonal)
    axes, near_axes = _axes(nominal, model, judge, tau)
    found = {mirror: _self_poses(model, bins, judge, tau, mirror) for mirror in (False, True)}
    points = np.array([p for p, _ in axes]).reshape(-1, 3)
    directions = np.array([a for _, a in axes]).reshape(-1, 3)
    none = np.zeros((0, 4, 4))
    table = SymmetryTable(
        none, none, none, np.zeros(0), none, np.zeros(0), points, directions,
        np.array([p for p, _ in near_axes]).reshape(-1, 3), np.array([a for _, a in near_axes]).reshape(-1, 3),
    )  # fmt: skip
    exact, near, shares = _sort_out(found[False], judge, model)
    # turns about a full axis are said by the axis
    exact = exact[[not same_pose(pose, np.eye(4), table, model) for pose in exact]] if len(exact) else exact
    table = replace(table, exact=_close_group(exact, model) if len(axes) == 0 else exact[:4])
    keep = [not same_pose(pose, np.eye(4), table, model) for pose in near]
    exact_mirrored, near_mirrored, mirrored_shares = _sort_out(found[True], judge, model)
    return replace(
        table,
        near=near[keep] if len(near) else near,
        near_share=shares[keep] if len(near) else shares,
        exact_mirrored=exact_mirrored,
        near_mirrored=near_mirrored,
        near_mirrored_share=mirrored_shares,
    )


def turn_about(point: Floats, axis: Floats, angle_rad: float) -> Floats:
    """Return the (4, 4) rotation about a line."""
    rotation = rotation_from_vector(axis * angle_rad)
    return rigid(rotation, point - rotation @ point)


def _axes(
    nominal: Nominal, model: SearchModel, judge: _Judge, tau: float
) -> tuple[list[tuple[Floats, Floats]], list[tuple[Floats, Floats]]]:
    """Find axes about which any turn maps the nominal onto itself: all of it, or nearly all."""
    proposals: list[tuple[Floats, Floats]] = []
    faces = nominal.faces
    round_kinds = (SurfaceKind.CYLINDER, SurfaceKind.CONE, SurfaceKind.TORUS)
    for f in sorted(np.flatnonzero(np.isin(faces.kind, round_kinds)), key=lambda f: -faces.area[f])[:40]:
        proposals.append((faces.origin[f], faces.axis[f]))
    # a mesh has no face table worth the name: the axes of inertia of its surface
    middle, axes = _inertia(nominal)
    proposals += [(middle, axes[:, k]) for k in range(3)]
    exact: list[tuple[Floats, Floats]] = []
    near: list[tuple[Floats, Floats]] = []
    tried: list[tuple[Floats, Floats]] = []
    for point, axis in proposals:
        point, axis = np.asarray(point, dtype=np.float64), unit(axis)
        if any(_same_line(point, axis, p, a, 0.01 * model.diagonal) for p, a in tried):
            continue
        tried.append((point, axis))
        motions = [turn_about(point, axis, angle) for angle in _TRIAL_ANGLES]
        if min(judge.share(motions[k], tau) for k in (0, 3)) < NEAR_SHARE:
            continue
        if all(judge.exact(m) for m in motions):
            exact.append((point, axis))
        elif min(judge.share(m, tau) for m in motions) >= NEAR_SHARE:
            near.append((point, axis))
    return exact[:3], near[:1]


def _inertia(nominal: Nominal) -> tuple[Floats, Floats]:
    """Return the surface's centre of area (3,) and its principal axes, columns of (3, 3)."""
    corner = nominal.mesh.vertices[nominal.mesh.triangles]
    area = 0.5 * np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    centroid = corner.mean(axis=1)
    middle = area @ centroid / area.sum()
    arms = corner - middle
    sums = arms.sum(axis=1)
    # second moment of a triangle: area / 12 (sum of corner squares + square of the corner sum)
    moment = np.einsum("m,mki,mkj->ij", area, arms, arms) + np.einsum("m,mi,mj->ij", area, sums, sums)
    return middle, np.linalg.eigh(moment)[1]


def _same_line(p: Floats, a: Floats, q: Floats, b: Floats, limit: float) -> bool:
    away = (q - p) - ((q - p) @ a) * a
    return abs(float(a @ b)) > 0.9998 and float(np.linalg.norm(away)) < limit


def _self_poses(
    model: SearchModel, bins: DirectionBins, judge: _Judge, tau: float, mirror: bool
) -> list[tuple[float, Floats]]:
    step = max(1, len(model.samples) // 12_000)
    points, normals = model.samples[::step], model.sample_normals[::step]
    signed = np.ones(len(points), dtype=bool)
    rotations, translations = find_candidates(model, points, normals, signed, mirror=mirror)
    rotations, translations, _ = coarse_to_fine(model, rotations, translations, points, normals, signed, tau, keep=24)
    few = slice(None, None, 4)
    rotations, translations, _ = polish(
        bins, rotations, translations, points[few], normals[few], signed[few],
        model.centre, 0.5 * model.diagonal, max(tau, 0.5), 15, 1e-6, 4.0 * tau,
    )  # fmt: skip
    poses = [rigid(r, t) for r, t in zip(rotations, translations, strict=True)]
    scored = [(judge.share(pose, tau), pose) for pose in poses]
    return sorted((s for s in scored if s[0] >= NEAR_SHARE), key=lambda s: -s[0])


def _sort_out(found: list[tuple[float, Floats]], judge: _Judge, model: SearchModel) -> tuple[Floats, Floats, Floats]:
    exact: list[Floats] = []
    near: list[tuple[float, Floats]] = []
    for share, pose in found:
        known = [np.eye(4), *exact, *(p for _, p in near)]
        if any(
            np.linalg.det(k[:3, :3]) * np.linalg.det(pose[:3, :3]) > 0
            and apart(k, pose, model) < max(1.5, 0.006 * model.diagonal)
            for k in known
        ):
            continue
        if judge.exact(pose):
            exact.append(pose)
        else:
            near.append((share, pose))
    return (
        np.array(exact).reshape(-1, 4, 4),
        np.array([p for _, p in near]).reshape(-1, 4, 4),
        np.array([s for s, _ in near]),
    )


def _close_group(exact: Floats, model: SearchModel) -> Floats:
    """Compose exact symmetries until nothing new appears (at most 60)."""
    group = [np.eye(4), *exact]
    grew = True
    while grew and len(group) <= 60:
        grew = False
        for a in list(group):
            for b in exact:
                product = a @ b
                if all(apart(product, g, model) >= max(1.5, 0.006 * model.diagonal) for g in group):
                    group.append(product)
                    grew = True
    return np.array(group[1:]).reshape(-1, 4, 4)


_HIGH = np.indices((2, 2, 2)).reshape(3, 8).T.astype(bool)


def corners(model: SearchModel) -> Floats:
    """Return the eight corners of the nominal's bounding box, (8, 3) mm."""
    return np.where(_HIGH, model.high, model.low)


def apart(first: Floats, second: Floats, model: SearchModel) -> float:
    """Return how far two motions of nominal points lie apart at the farthest corner of the nominal, mm."""
    off = move_points(first - second, corners(model))
    return float(np.linalg.norm(off, axis=1).max())


def pose_distance(first: Floats, second: Floats, table: SymmetryTable, model: SearchModel) -> float:
    """Return how far apart two poses (nominal_from_scan) place the part, mm, modulo its true symmetries."""
    if np.linalg.det(first[:3, :3]) * np.linalg.det(second[:3, :3]) < 0:
        return float("inf")
    motion = first @ np.linalg.inv(second)
    best = apart(motion, np.eye(4), model)
    for symmetry in table.exact:
        best = min(best, apart(motion, symmetry, model))
    for point, axis in zip(table.axis_point, table.axis, strict=True):
        for flip in (np.eye(4), *table.exact):
            rest = motion @ np.linalg.inv(flip)
            # the turn about the axis that comes nearest to the motion
            sine = 0.5 * np.array([rest[2, 1] - rest[1, 2], rest[0, 2] - rest[2, 0], rest[1, 0] - rest[0, 1]]) @ axis
            along = axis @ rest[:3, :3] @ axis
            cosine = 0.5 * (np.trace(rest[:3, :3]) - along)
            best = min(best, apart(rest, turn_about(point, axis, float(np.arctan2(sine, cosine))), model))
    if len(table.axis) > 1:
        middle = np.linalg.lstsq(
            np.vstack([np.eye(3) - np.outer(a, a) for a in table.axis]),
            np.concatenate([p - (p @ a) * a for p, a in zip(table.axis_point, table.axis, strict=True)]), rcond=None,
        )[0]  # fmt: skip
        best = min(best, float(np.linalg.norm(move_points(motion, middle[None])[0] - middle)))
    return best


def same_pose(first: Floats, second: Floats, table: SymmetryTable, model: SearchModel, share: float = 1.0) -> bool:
    """Whether two poses place the part alike, modulo its true symmetries.

    To 1.5 mm or 0.6 % of the diagonal, or to a share of that.
    """
    return pose_distance(first, second, table, model) < share * max(1.5, 0.006 * model.diagonal)
