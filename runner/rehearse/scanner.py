"""The synthetic scanner: from a nominal a scan as a hand-guided laser line scanner gives it.

Rays of each pass hit the nominal's mesh, which tells the face; then the point is computed on the exact face in float64,
inside its exact border. Everything that a real scanner does to it comes after that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from runner.geometry.frames import invert, move_points, rigid, turn_vectors, unit
from runner.geometry.mesh import Floats, Ints, Nominal, ScanGeometry
from runner.rehearse import effects
from runner.rehearse.caster import ParallelCaster
from runner.rehearse.deviate import Deviation
from runner.rehearse.scene import Scene, View, make_scene, make_views
from runner.rehearse.settings import ScannerSettings
from runner.rehearse.striping import lay_stripes, triangulate
from runner.rehearse.trim import TrimmedFaces
from runner.rehearse.truth import PART, SPECK, ScanTruth

__all__ = ["ScannerSettings", "scan"]


@dataclass(frozen=True, eq=False)
class _Seen:
    """Exact points of all passes before noise, in stripe order."""

    points: Floats
    normals: Floats
    body: Ints
    view: Ints
    stripe: Ints
    along: Ints
    place: Floats
    """(n, 2) mm in the pass's image plane, where its smooth error field lives."""

    def kept(self, keep: NDArray[Any]) -> _Seen:
        """Return the chosen rows."""
        return _Seen(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))


def scan(
    nominal: Nominal, settings: ScannerSettings, deviation: Deviation | None = None
) -> tuple[ScanGeometry, ScanTruth]:
    """Return one synthetic scan of ``nominal``, and everything known about it.

    The same nominal, settings and deviation give the same scan, bit by bit. Points before noise lie on the exact
    trimmed faces (faces of kind OTHER: on the mesh). With a ``deviation`` the rays are cast on the nominal, and the
    points found are then displaced.
    """
    deviation = deviation or Deviation()
    scene = make_scene(nominal, settings, _stream(settings, 0))
    views = make_views(settings, _stream(settings, 1))
    seen = _see(nominal, scene, views, settings)
    on_part = scene.label[seen.body] == PART
    face = np.where(on_part, seen.body, -1).astype(np.int32)
    gone = np.zeros(len(face), bool)
    gone[on_part] = effects.in_patches(seen.points[on_part], settings, _stream(settings, 2))
    edge = np.full(len(face), np.inf)
    edge[on_part] = effects.edge_distance(nominal.edges, seen.points[on_part], settings.edge_reach)
    gone |= effects.lost_at_edges(edge, settings, _stream(settings, 3))
    seen, face, edge = seen.kept(~gone), face[~gone], edge[~gone]

    exact = seen.points + deviation.displacement(seen.points, seen.normals, face, nominal.bounds)
    rays = np.array([view.direction for view in views])[seen.view]
    noisy = exact + _error(seen, settings)[:, None] * (seen.normals if settings.noise_along == "normal" else -rays)
    random = _stream(settings, 6)
    slipped = np.isfinite(edge) & (random.uniform(size=len(edge)) < settings.mixed_points)
    noisy[slipped] += random.uniform(0.0, settings.mixed_depth, (int(slipped.sum()), 1)) * rays[slipped]

    triangles = None
    if settings.output == "mesh":
        triangles = _mesh(nominal, scene, views, seen, noisy, settings)
        used = np.unique(triangles)
        renumber = np.full(len(noisy), -1, np.int32)
        renumber[used] = np.arange(len(used), dtype=np.int32)
        triangles = renumber[triangles]
        seen, face, exact, noisy = seen.kept(used), face[used], exact[used], noisy[used]
    return _finish(scene, views, seen, face, exact, noisy, triangles, settings, deviation)


def _stream(settings: ScannerSettings, effect: int) -> np.random.Generator:
    """Return the random numbers of one effect, so that switching one on leaves the others as they are."""
    return np.random.default_rng([settings.seed, effect])


def _see(nominal: Nominal, scene: Scene, views: list[View], settings: ScannerSettings) -> _Seen:
    """Cast all passes and keep what laser and camera see, on exact faces, in the passes that see it best."""
    random = _stream(settings, 4)
    stages = {True: scene, False: scene.without_table()}
    lasers = [ParallelCaster(stages[v.from_above].triangles, v.direction) for v in views]
    cameras = [ParallelCaster(stages[v.from_above].triangles, v.camera) for v in views]
    trimmed = TrimmedFaces(nominal)
    faces = len(nominal.faces)
    passes: list[_Seen] = []
    for k, (view, laser) in enumerate(zip(views, lasers, strict=True)):
        stage = stages[view.from_above]
        grid = lay_stripes(laser, view, settings, random)
        hit, points = laser.first(grid.rays)
        rows = np.flatnonzero(hit >= 0)
        hit, points = hit[rows], points[rows]
        body = stage.body[hit].astype(np.int32)
        corners = stage.triangles[hit]
        normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-300)[:, None]
        part = np.flatnonzero(body < faces)
        direction = np.broadcast_to(view.direction, (len(part), 3))
        on_mesh = points.copy()
        body[part], points[part], exact_normals = trimmed.settle(body[part], points[part], direction)
        known = ~np.isnan(exact_normals[:, 0])
        normals[part[known]] = exact_normals[known]
        keep = (body >= 0) & _faces_eye(normals, view, settings)
        keep[keep] = ~cameras[k].blocked(on_mesh[keep])
        keep[keep] = _among_best(k, views, lasers, cameras, on_mesh[keep], normals[keep], body[keep] >= faces, settings)
        rows = rows[keep]
        passes.append(
            _Seen(
                points[keep],
                normals[keep],
                body[keep],
                np.full(len(rows), k, np.int32),
                grid.stripe[rows],
                grid.along[rows],
                grid.rays[rows],
            )
        )
    return _Seen(*(np.concatenate([getattr(p, name) for p in passes]) for name in _Seen.__dataclass_fields__))


def _faces_eye(normals: Floats, view: View, settings: ScannerSettings) -> NDArray[np.bool_]:
    """Whether laser and camera look at a surface within the grazing limit."""
    least = np.cos(np.radians(settings.grazing_limit))
    return np.asarray((normals @ -view.direction >= least) & (normals @ -view.camera >= least))


def _among_best(
    own: int,
    views: list[View],
    lasers: list[ParallelCaster],
    cameras: list[ParallelCaster],
    points: Floats,
    normals: Floats,
    off_part: NDArray[np.bool_],
    settings: ScannerSettings,
) -> NDArray[np.bool_]:
    """Whether fewer than ``layers`` other passes see a place more squarely than this one."""
    better = np.zeros(len(points), np.int64)
    squareness = normals @ -views[own].direction
    for k, view in enumerate(views):
        if k == own:
            continue
        rows = np.flatnonzero((normals @ -view.direction > squareness + 1e-9) & (better < settings.layers))
        if not view.from_above:
            rows = rows[~off_part[rows]]
        rows = rows[_faces_eye(normals[rows], view, settings)]
        rows = rows[~lasers[k].blocked(points[rows])]
        rows = rows[~cameras[k].blocked(points[rows])]
        better[rows] += 1
    return better < settings.layers


def _error(seen: _Seen, settings: ScannerSettings) -> Floats:
    """Return the error (n,) of each point: white, plus the smooth field of its pass."""
    error = effects.white_noise(len(seen.view), settings, _stream(settings, 5))
    for k in np.unique(seen.view):
        rows = seen.view == k
        error[rows] += effects.smooth_noise(
            seen.place[rows], settings, np.random.default_rng([settings.seed, 7, int(k)])
        )
    return error


def _mesh(
    nominal: Nominal, scene: Scene, views: list[View], seen: _Seen, points: Floats, settings: ScannerSettings
) -> Ints:
    """Triangulate each pass between its neighbouring stripes."""
    touching = _touching_bodies(nominal, len(scene.label))
    longest = 4.0 * max(settings.stripe_spacing, settings.point_spacing)
    pieces = []
    for k, view in enumerate(views):
        rows = np.flatnonzero(seen.view == k)
        local = triangulate(
            seen.stripe[rows], seen.along[rows], points[rows], seen.body[rows], touching, view.direction, longest
        )
        pieces.append(rows[local].astype(np.int32))
    return np.concatenate(pieces)


def _touching_bodies(nominal: Nominal, bodies: int) -> NDArray[np.bool_]:
    """Return which bodies (square) share a border: the nominal's faces by the edges of its mesh, others none."""
    touching = np.eye(bodies, dtype=bool)
    corners = nominal.mesh.triangles.astype(np.int64)
    sides = np.sort(np.concatenate([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]]), axis=1)
    face = np.tile(nominal.triangle_face, 3)
    order = np.lexsort((sides[:, 1], sides[:, 0]))
    sides, face = sides[order], face[order]
    same = (sides[1:] == sides[:-1]).all(axis=1)
    first, second = face[:-1][same], face[1:][same]
    touching[first, second] = touching[second, first] = True
    return touching


def _finish(
    scene: Scene,
    views: list[View],
    seen: _Seen,
    face: Ints,
    exact: Floats,
    noisy: Floats,
    triangles: Ints | None,
    settings: ScannerSettings,
    deviation: Deviation,
) -> tuple[ScanGeometry, ScanTruth]:
    """Add specks, order the points, and move everything into the scan's own frame."""
    specks = effects.stray_points(noisy, settings, _stream(settings, 8)) if len(noisy) else np.zeros((0, 3))
    extra = len(specks)
    if triangles is not None and extra:
        fresh = (len(noisy) + np.arange(extra, dtype=np.int32)).reshape(-1, 3)
        triangles = np.concatenate([triangles, fresh])
    points = np.concatenate([noisy, specks])
    label = np.concatenate([scene.label[seen.body], np.full(extra, SPECK, np.uint8)])
    face = np.concatenate([face, np.full(extra, -1, np.int32)])
    view = np.concatenate([seen.view, np.full(extra, -1, np.int32)])
    exact = np.concatenate([exact, specks])
    random = _stream(settings, 9)
    normals = None
    if settings.normals != "none":
        stray = random.standard_normal((extra, 3))
        stray = unit(stray) if extra else stray
        normals = np.concatenate([effects.shaken_normals(seen.normals, settings, random), stray])
    order = random.permutation(len(points)) if settings.shuffle else np.arange(len(points))
    if triangles is not None:
        place = np.empty(len(order), np.int32)
        place[order] = np.arange(len(order), dtype=np.int32)
        triangles = place[triangles]
    scan_from_nominal = _pose(settings)
    geometry = ScanGeometry(
        points=move_points(scan_from_nominal, points[order]),
        triangles=triangles,
        normals=None if normals is None else turn_vectors(scan_from_nominal, normals[order]),
        normals_signed=settings.normals == "signed",
    )
    truth = ScanTruth(
        nominal_from_scan=invert(scan_from_nominal),
        label=label[order],
        face=face[order],
        view=view[order],
        exact=exact[order],
        directions=np.array([v.direction for v in views]),
        stripes=np.array([v.stripe for v in views]),
        cameras=np.array([v.camera for v in views]),
        settings=settings,
        deviation=deviation,
    )
    return geometry, truth


def _pose(settings: ScannerSettings) -> Floats:
    """Return scan_from_nominal (4, 4): uniform on the rotations, uniform in a cube."""
    if settings.pose == "as nominal":
        return np.eye(4)
    random = _stream(settings, 10)
    rotation = Rotation.random(rng=random).as_matrix()
    return rigid(rotation, random.uniform(-settings.pose_range, settings.pose_range, 3))
