"""Evidence for one pose, and the contest of two: only the places where they disagree count.

A global share of fitting points can't see a 5 mm hole (0.05 % of a bracket). Two poses are therefore compared place
by place; large common areas, clutter and missing coverage cancel out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.align.bins import DirectionBins
from runner.align.bodies import islands
from runner.align.gaps import telling_gaps
from runner.align.planes import Plane
from runner.align.prepare import PreparedScan
from runner.align.search import PROBE_STEP, SearchModel
from runner.align.tables import in_plane, stands_on
from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import move_points, turn_vectors
from runner.geometry.mesh import Floats, Nominal

LEAST_COVERAGE = 0.25
"""Least share of the nominal's visible surface that must lie under scan points."""

UNLAID = 0.4
"""Of the reach of an inlier: where a part is bent so much within a place that neither pose can be laid onto it there,
points lie off for that reason, and no missing hole is told. At such a place (0.54) of a sheet bent by 0.97 mm the wrong
pose had 17 votes to 0; of the places that told anything in five others nearly all came below 0.3."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """What the whole thinned scan says about one pose."""

    pose: Floats
    """(4, 4) nominal_from_scan; determinant -1 for a mirrored candidate."""
    distance: Floats
    """(m,) to nominal surface facing the same way, mm, infinite where there is none within reach."""
    telling: Floats
    """(m,) the distance that contests go by: beside edges to either face; where a normal's sign is not known, to any
    surface, since the normals estimated in small bores and beside edges would decide at random."""
    feet: Floats
    """(k, 3) where the inliers lie on the nominal."""
    feet_normals: Floats
    """(k, 3) its normals there."""
    inliers: float
    """Share of scan points within ``tau`` of such surface."""
    near: float
    """Of the points near the nominal at all (0.05 diagonals), the share that are inliers."""
    inside: float
    """Share of points deep inside the solid: clutter can't be there."""
    spill: float
    """Points far from the nominal on smooth surface that partly lies on it, over the number of inliers: the scanned
    thing goes on where the nominal ends."""
    coverage: float
    """Share of the nominal's surface that can be seen from outside with a scan point on it."""
    spread: float
    """98th percentile of the inliers' distances, mm."""
    tables: tuple[Plane, ...] = ()
    """Planes of the scan (scan frame) that the nominal stands on at this pose; their points count neither way."""
    laid: bool = False
    """Whether the pose is the one around it that lies closest on the scan."""

    @property
    def mirrored(self) -> bool:
        """Whether the pose mirrors the part."""
        return bool(np.linalg.det(self.pose[:3, :3]) < 0)

    @property
    def merit(self) -> float:
        """One number to rank poses by, before the contests."""
        return self.inliers - 2.0 * self.inside


@dataclass(frozen=True)
class Contest:
    """How many places (cells of two thinning cells) speak for the first pose and how many for the second."""

    first: int
    second: int

    @property
    def decisive(self) -> bool:
        """Whether the first pose is proven against the second."""
        margin = self.first - self.second
        return margin >= max(6.0, 2.0 * np.sqrt(self.first + self.second)) and self.first >= 3 * self.second


def gather_evidence(
    pose: Floats,
    scan: PreparedScan,
    nominal: Nominal,
    index: SurfaceIndex,
    bins: DirectionBins,
    model: SearchModel,
    tau: float,
) -> Evidence:
    """Judge one pose on all points of the thinned scan; ``tau`` is the largest distance of an inlier, mm."""
    from scipy.spatial import cKDTree

    moved = move_points(pose, scan.points)
    turned = turn_vectors(pose, scan.normals)
    near_reach = max(0.05 * model.diagonal, 2.0 * tau)
    foot, foot_normal, distance = bins.closest(moved, turned, scan.signed, near_reach)
    cosine = np.einsum("ij,ij->i", turned, foot_normal)
    distance = np.where(np.where(scan.signed, cosine, np.abs(cosine)) >= 0.5, distance, np.inf)
    fits = distance < tau
    plain = index.closest(moved, near_reach)
    depth = np.where(np.isfinite(plain.distance) & (plain.triangle >= 0), plain.distance, np.inf)
    close = np.abs(depth) <= near_reach
    inside = float(np.mean(depth < -(tau + 0.3))) if nominal.closed else 0.0
    tables = stands_on(pose, scan, nominal.mesh.vertices, tau, fits, np.abs(depth)) if scan.supports else ()
    coverage = 0.0
    if fits.any():
        probes, probe_normals = model.samples[::PROBE_STEP], model.sample_normals[::PROBE_STEP]
        tree = cKDTree(foot[fits])
        gap, nearest = tree.query(probes, k=4, distance_upper_bound=2.0 * scan.spacing, workers=2)
        normals = np.vstack([foot_normal[fits], np.zeros(3)])[nearest]
        same = np.einsum("nkj,nj->nk", normals, probe_normals) > 0.5
        covered = (same & np.isfinite(gap)).any(axis=1)
        seen = model.probe_seen if model.probe_seen.any() else np.ones(len(probes), dtype=bool)
        coverage = float(np.mean(covered[seen]))
        # a plane must not be excused as a table by the very surface in it: the rest has to carry the pose
        if tables and np.mean((covered & ~in_plane(tables, pose, probes, tau))[seen]) < LEAST_COVERAGE:
            tables = ()
    neutral = np.zeros(len(fits), dtype=bool)
    for standing in tables:
        neutral |= standing.points
    # where faces meet within a few points, normals estimated from a cloud face nowhere: they say nothing here
    unsure = ~scan.signed & scan.lone & ~fits & (np.abs(depth) <= min(max(0.1, 6.0 * scan.noise), tau))
    sure = either_face(moved, turned, scan.signed & scan.lone, distance, bins, near_reach)
    telling = np.where(scan.signed, sure, np.minimum(np.abs(depth), distance))
    return Evidence(
        pose, distance, telling, foot[fits], foot_normal[fits], float(np.mean(fits)),
        float(np.sum(fits[close])) / max(float(np.sum(close & ~neutral & ~unsure)), 1.0), inside,
        _spill(scan, fits, ~close & ~neutral), coverage,
        float(np.percentile(distance[fits], 98)) if fits.any() else tau, tuple(s.table for s in tables),
    )  # fmt: skip


def either_face(
    points: Floats, normals: Floats, beside: NDArray[np.bool_], distance: Floats, bins: DirectionBins, reach: float
) -> Floats:
    """Return distances (n,) to surface that faces as points (n, 3) do, of those ``beside`` edges to either face.

    A normal between two faces belongs to the bin of its largest component, which need not be that of the nearer face;
    turned by a rival's pose it may belong to another bin, and such points then decided contests at random.
    """
    rows = np.flatnonzero(beside)
    if not len(rows):
        return distance
    distance = distance.copy()
    at, facing, sure = points[rows], normals[rows], np.ones(len(rows), dtype=bool)
    for along in np.vstack([np.eye(3), -np.eye(3)]):
        _, normal, gap = bins.closest(at, np.tile(along, (len(rows), 1)), sure, reach)
        alike = np.einsum("ij,ij->i", facing, normal) >= 0.5
        distance[rows] = np.where(alike, np.minimum(gap, distance[rows]), distance[rows])
    return distance


def _spill(scan: PreparedScan, fits: NDArray[np.bool_], far: NDArray[np.bool_]) -> float:
    size = np.bincount(scan.patch)
    fitting = np.bincount(scan.patch, weights=fits)
    shared = (fitting >= 20) & (fitting >= 0.1 * size)
    return float(np.sum(far & shared[scan.patch])) / max(float(np.sum(fits)), 1.0)


def compare(
    first: Evidence,
    second: Evidence,
    scan: PreparedScan,
    tau: float,
    model: SearchModel | None = None,
    bins: DirectionBins | None = None,
    index: SurfaceIndex | None = None,
) -> Contest:
    """Hold the contest of two poses on the same thinned scan.

    With ``model``, ``bins`` and ``index``, the places where the poses differ are looked at one by one where all points
    together don't decide, and gaps in the scan count too.
    """
    # the scale of the better pose: a wrong one has wide inliers, and would hide all that speaks against it
    least = min(max(0.1, 6.0 * scan.noise), tau)
    limit = float(np.clip(1.5 * min(first.spread, second.spread), least, tau))
    gain = np.minimum(second.telling, 3.0 * limit) - np.minimum(first.telling, 3.0 * limit)
    low = scan.points.min(axis=0)
    at = np.floor((scan.points - low) / (2.0 * scan.spacing)).astype(np.int64)
    size = at.max(axis=0) + 1
    _, cell = np.unique((at[:, 0] * size[1] + at[:, 1]) * size[2] + at[:, 2], return_inverse=True)
    mean = np.bincount(cell, weights=gain) / np.bincount(cell)
    contest = Contest(int(np.count_nonzero(mean > limit)), int(np.count_nonzero(mean < -limit)))
    if contest.decisive or model is None or bins is None or index is None:
        return contest
    away = max(limit, 0.3)
    for_second = telling_gaps(
        first.pose, second.pose, first.feet, first.feet_normals, model, bins, away, scan.spacing
    )  # fmt: skip
    for_first = telling_gaps(
        second.pose, first.pose, second.feet, second.feet_normals, model, bins, away, scan.spacing
    )  # fmt: skip
    from runner.align.duel import Ground, duel

    near = Contest(*duel(first.pose, second.pose, Ground(scan, model, bins, index), least, limit, UNLAID * tau))
    if near.first + near.second > contest.first + contest.second:
        contest = near
    return Contest(contest.first + for_first, contest.second + for_second)


def disagreement(first: Floats, second: Floats, model: SearchModel, bins: DirectionBins, limit: float) -> Floats | None:
    """Return the place (3,), mm, in the nominal frame where two poses tell most clearly apart; None if nowhere.

    The nominal is moved as the second pose would have it; the place is the middle of the largest body of surface
    that then has no counterpart.
    """
    motion = second @ np.linalg.inv(first)
    moved, turned = move_points(motion, model.samples), turn_vectors(motion, model.sample_normals)
    _, _, distance = bins.closest(moved, turned, np.ones(len(moved), dtype=bool), 10.0 * limit)
    odd = np.flatnonzero(distance > limit)
    if not len(odd):
        return None
    area = np.sqrt(len(odd)) + 1.0
    body = islands(model.samples[odd], max(0.02 * model.diagonal, area * 1e-6))
    largest = body == np.argmax(np.bincount(body))
    return np.asarray(np.median(model.samples[odd[largest]], axis=0))
