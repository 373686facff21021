"""Cross-sections: where a plane cuts the scan, compared with where it cuts the nominal.

A mesh is cut exactly, edge by edge of its triangles. Of a cloud the points in a band along the plane are slid along the
nominal surface into it, with the deviation they have, so that the surface's slope and curvature across the plane don't
widen the section.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from runner.geometry.distance import Closest, SurfaceIndex
from runner.geometry.frames import move_points, turn_vectors
from runner.geometry.mesh import KEPT, Floats, Nominal
from runner.geometry.shapes import Plane
from runner.measure.detached import detached
from runner.measure.element import array
from runner.measure.found import FoundFeature
from runner.measure.outline_cut import FLATTEST, Frame, Outline, onto_faces, outline_of
from runner.measure.patch import NoPatch, find_patch
from runner.measure.scene import Scene
from runner.measure.sided import beside_rim, closest_facing, nominal_normals
from runner.measure.specs import FeatureSpec

BAND_SPACINGS = 1.0
"""Half width of the band in which a cloud's points are taken."""
COVER_SPACINGS = 2.0


@dataclass(frozen=True, eq=False)
class Cut:
    """The scan in a plane."""

    flat: Floats
    """(n, 2) mm, in the plane."""
    facing: Floats | None
    """(n, 2) the points' normals in the plane, any length."""
    rows: NDArray[np.int64]
    """(n,) rows of the scene (of a mesh: the nearer end of the edge)."""
    left_out: NDArray[np.bool_]
    """(n,) specks."""
    removed: NDArray[np.bool_]
    """(n,) removed by clean-up."""


@dataclass(frozen=True, eq=False)
class Seen:
    """Deviations of the scan in a section, mm."""

    outline: Outline
    here: NDArray[np.bool_]
    """(m,) segments of the outline that are meant."""
    flat: Floats
    """(n, 2)."""
    distance: Floats
    """(n,) in the plane, + out of the material."""
    slope: Floats
    """(n, 2) unit: the direction in which the deviation grows."""
    run: Floats
    """(n,) length along the line of the outline, mm."""
    line: NDArray[np.int64]
    """(n,) which line."""
    rows: NDArray[np.int64]
    """(n,) rows of the scene."""
    left_out: int
    """Isolated points."""
    removed: Floats
    """(k, 2) points that clean-up removed although they stand over this outline."""

    def coverage(self, spacing: float) -> tuple[float, float]:
        """Return the share of the outline that carries points, and the longest stretch without any, mm."""
        from scipy.spatial import cKDTree

        step = 0.5 * max(spacing, 1e-6)
        places, _ = self.outline.places(step, self.here)
        if not len(self.flat):
            return 0.0, float(len(places) * step)
        feet = self.flat - self.distance[:, None] * self.slope
        seen = np.asarray(cKDTree(feet).query(places)[0]) <= COVER_SPACINGS * spacing
        longest, run = 0, 0
        for one in seen:
            run = 0 if one else run + 1
            longest = max(longest, run)
        return float(seen.mean()), float(longest * step) + (2 * COVER_SPACINGS * spacing if longest else 0.0)


def measure_cross_section(spec: FeatureSpec, nominal: Nominal, index: SurfaceIndex, scene: Scene) -> FoundFeature:
    """Measure a cross-section in the fitted frame: its points lie in its plane."""
    located = locate_section(spec, nominal, scene.spacing)
    if isinstance(located, str):
        return FoundFeature(spec, None, reason=located)
    outline, here = located
    seen = look(outline, here, nominal, index, scene, np.eye(4), spec.search)
    if isinstance(seen, str):
        return FoundFeature(spec, None, reason=seen)
    coverage, gap = seen.coverage(scene.spacing)
    how = "cut of the mesh" if scene.triangles is not None else "points beside the plane slid into it"
    found = FoundFeature(
        spec,
        None,
        rows=seen.rows,
        points=outline.frame.lifted(seen.flat),
        coverage=coverage,
        rejected=seen.left_out,
        notes=(f"{how}; longest unseen stretch {gap:.1f} mm",),
    )
    least = spec.least_points or 4
    if len(seen.flat) < least:
        return replace(found, reason=f"only {len(seen.flat)} points in it; at least {least} are needed")
    if coverage < spec.least_coverage:
        return replace(
            found, reason=f"only {coverage:.0%} of it was seen; at least {spec.least_coverage:.0%} is needed"
        )
    return found


def locate_section(spec: FeatureSpec, nominal: Nominal, spacing: float) -> tuple[Outline, NDArray[np.bool_]] | str:
    """Return the outline in a cross-section's plane and which of its segments are meant; or why there is none."""
    if not isinstance(spec.shape, Plane):
        return "a cross-section needs a place and a normal"
    outline = outline_of(nominal, array(spec.shape.point), array(spec.shape.normal))
    if isinstance(outline, str):
        return outline
    here = np.ones(len(outline.start), dtype=bool)
    if spec.region != "all" and spec.region_points:
        patch = find_patch(replace(spec, kind="surface", shape=None), nominal, max(spacing, 1e-3))
        if isinstance(patch, NoPatch):
            return patch.reason
        here = patch.triangles[outline.triangle]
        if not here.any():
            return "the plane does not cut the faces named"
    return outline, here


def look(
    outline: Outline,
    here: NDArray[np.bool_],
    nominal: Nominal,
    index: SurfaceIndex,
    scene: Scene,
    move: Floats,
    reach: float,
) -> Seen | str:
    """Return the deviations of the scan, moved by ``move`` (4, 4), from an outline within ``reach``, mm, of it."""
    cut = cut_scan(scene, move, outline.frame, nominal, index, reach)
    return compare(cut, outline, here, scene, reach)


def compare(cut: Cut, outline: Outline, here: NDArray[np.bool_], scene: Scene, reach: float) -> Seen | str:
    """Return the deviations of a cut from the segments ``here`` (m,) of an outline."""
    near = outline.nearest(cut.flat, cut.facing, scene.normals_signed)
    meant = np.isfinite(near.distance) & (np.abs(near.distance) <= reach) & here[near.segment]
    offset = cut.flat - near.foot
    # what lies sideways of the end of an open line says nothing about it
    along = outline.end[near.segment] - outline.start[near.segment]
    along = along / np.maximum(np.linalg.norm(along, axis=1), 1e-12)[:, None]
    at_end = (near.share <= 0) | (near.share >= 1)
    sideways = np.abs(np.einsum("ij,ij->i", offset, along))
    over = np.abs(np.einsum("ij,ij->i", offset, outline.normal[near.segment]))
    meant &= ~(at_end & (sideways > over) & _open_end(outline, near.segment, near.share))
    if not meant.any():
        return "not seen: the scan has no points there"
    lonely = cut.left_out.copy()
    kept = np.flatnonzero(meant & ~lonely)
    lifted = np.column_stack([cut.flat[kept], np.zeros(len(kept))])
    lonely[kept[detached(lifted, near.distance[kept], scene.spacing)]] = True
    judged = meant & ~lonely & ~cut.removed
    if not judged.any():
        return "only removed or isolated points lie near it"
    distance = near.distance[judged]
    slope = outline.normal[near.segment[judged]].copy()
    clear = np.abs(distance) > 1e-6
    slope[clear] = offset[judged][clear] / distance[clear, None]
    return Seen(
        outline,
        here,
        cut.flat[judged],
        distance,
        slope,
        (outline.along[near.segment] + near.share * outline.lengths[near.segment])[judged],
        outline.chain[near.segment[judged]],
        cut.rows[judged],
        int((lonely & meant).sum()),
        near.foot[meant & cut.removed & ~lonely],
    )


def _open_end(outline: Outline, segment: NDArray[np.int64], share: Floats) -> NDArray[np.bool_]:
    """Whether the place on a segment is the end of a line that no other segment goes on from."""
    from scipy.spatial import cKDTree

    places = np.where(share[:, None] <= 0, outline.start[segment], outline.end[segment])
    corners = np.vstack([outline.start, outline.end])
    touching = cKDTree(corners).query_ball_point(places, 1e-3, return_length=True)
    return np.asarray(touching) < 2


def cut_scan(scene: Scene, move: Floats, frame: Frame, nominal: Nominal, index: SurfaceIndex, reach: float) -> Cut:
    """Return where a plane cuts the scan, moved by ``move`` (4, 4)."""
    points = move_points(move, scene.points)
    normals = None if scene.normals is None else turn_vectors(move, scene.normals)
    if scene.triangles is not None:
        return _cut_mesh(scene, points, normals, frame)
    return _cut_cloud(scene, points, normals, frame, nominal, index, reach)


def _cut_mesh(scene: Scene, points: Floats, normals: Floats | None, frame: Frame) -> Cut:
    """Cross every edge of the triangles that has its ends on both sides."""
    assert scene.triangles is not None
    above = frame.height(points)
    corner = above[scene.triangles] >= 0
    crossed = scene.triangles[corner.any(axis=1) & ~corner.all(axis=1)].astype(np.int64)
    edges = np.vstack([crossed[:, [0, 1]], crossed[:, [1, 2]], crossed[:, [2, 0]]])
    edges.sort(axis=1)
    edges = edges[(above[edges[:, 0]] >= 0) != (above[edges[:, 1]] >= 0)]
    edges = np.unique(edges, axis=0)
    i, j = edges.T
    share = above[i] / (above[i] - above[j])
    places = points[i] + share[:, None] * (points[j] - points[i])
    facing = None
    if normals is not None:
        facing = frame.turned(normals[i] + share[:, None] * (normals[j] - normals[i]))
        # surface that runs along the plane makes no line in it
        steep = np.linalg.norm(facing, axis=1) >= FLATTEST
        places, facing, share, i, j = places[steep], facing[steep], share[steep], i[steep], j[steep]
    specks = scene.specks
    return Cut(
        frame.flat(places),
        facing,
        np.where(share < 0.5, i, j),
        specks[i] | specks[j],
        (scene.removed[i] != KEPT) | (scene.removed[j] != KEPT),
    )


def _cut_cloud(
    scene: Scene,
    points: Floats,
    normals: Floats | None,
    frame: Frame,
    nominal: Nominal,
    index: SurfaceIndex,
    reach: float,
) -> Cut:
    """Slide the points of a band along the nominal surface into the plane, each with its own deviation."""
    rows = np.flatnonzero(np.abs(frame.height(points)) <= BAND_SPACINGS * scene.spacing)
    points = points[rows]
    facing = None if normals is None else normals[rows]
    foot, normal, distance, face, good = _feet(points, facing, scene.normals_signed, nominal, index, reach)
    flat = frame.turned(normal)
    square = np.einsum("ij,ij->i", flat, flat)
    good &= square >= FLATTEST**2
    rows, foot, normal, distance = rows[good], foot[good], normal[good], distance[good]
    flat, square, face = flat[good], square[good], face[good]
    # the direction in the tangent plane that leaves the cutting plane fastest
    out = frame.normal - (normal @ frame.normal)[:, None] * normal
    slid = foot - (frame.height(foot) / square)[:, None] * out
    slid = onto_faces(nominal, face, frame, slid, flat)
    length = np.sqrt(square)
    places = frame.flat(slid) + (distance / square)[:, None] * flat
    return Cut(
        places,
        None if facing is None else flat / length[:, None],
        rows,
        scene.specks[rows],
        scene.removed[rows] != KEPT,
    )


def _feet(
    points: Floats, facing: Floats | None, signed: bool, nominal: Nominal, index: SurfaceIndex, reach: float
) -> tuple[Floats, Floats, Floats, NDArray[np.int32], NDArray[np.bool_]]:
    """Feet (n, 3) on the nominal that looks the points' way, its normals, distances (n,) and faces, and which exist."""
    foot, normal = np.zeros_like(points), np.zeros_like(points)
    distance, good = np.zeros(len(points)), np.zeros(len(points), dtype=bool)
    face = np.zeros(len(points), dtype=np.int32)
    triangles = nominal_normals(nominal)

    def take(rows: NDArray[np.int64], closest: Closest, agrees: NDArray[np.bool_]) -> None:
        fine = closest.found & agrees & ~beside_rim(points[rows], closest, triangles)
        to = rows[fine]
        foot[to], normal[to], distance[to] = closest.point[fine], closest.normal[fine], closest.distance[fine]
        face[to], good[to] = closest.face[fine], True

    if not len(points):
        return foot, normal, distance, face, good
    if facing is not None and signed:
        for rows, closest in closest_facing(nominal, points, facing, reach):
            take(rows, closest, np.ones(len(rows), dtype=bool))
        return foot, normal, distance, face, good
    closest = index.closest(points, reach)
    agrees = np.ones(len(points), dtype=bool)
    if facing is not None:
        agrees = np.abs(np.einsum("ij,ij->i", facing, closest.normal)) >= 0.5
    take(np.arange(len(points)), closest, agrees)
    return foot, normal, distance, face, good
