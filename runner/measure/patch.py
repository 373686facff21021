"""Which part of the nominal a feature means: its triangles, area, borders and the places where coverage is counted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from runner.geometry.frames import perpendicular, unit
from runner.geometry.mesh import Floats, Nominal, SurfaceKind
from runner.geometry.shapes import Cone, Cylinder, Line, Plane, Point, Shape, Slot, Sphere, Torus
from runner.geometry.surfaces import project
from runner.measure.element import array, as_surface, axial, direction, natural_normals, place, signed_distance
from runner.measure.element import slot_axes as _slot_axes
from runner.measure.sampling import onto_exact, sample_triangles, triangle_areas, triangle_normals
from runner.measure.specs import FeatureSpec

LENGTH_TOLERANCE = 2e-3
"""mm: a STEP face lies on the nominal element when its own parameters agree this well."""
ANGLE_TOLERANCE = 1e-4
"""rad, likewise."""
MESH_TOLERANCE = 0.02
"""mm: corners of a mesh nominal lie this close to the element, plus its chord."""
MESH_ANGLE = np.cos(np.radians(20.0))
"""Triangles of a mesh nominal stand for the element when their normals agree within this."""
MOST_SAMPLES = 12_000


@dataclass(frozen=True, eq=False)
class Patch:
    """The part of the nominal that one feature means, in the nominal's frame."""

    shape: Shape | None
    """The element as the recipe gives it; None for a free surface region."""
    triangles: NDArray[np.bool_]
    """(m,) which triangles of the nominal."""
    faces: NDArray[np.int64]
    """Their faces."""
    area: float
    """mm^2."""
    samples: Floats
    """(k, 3) on the exact surface: where coverage is counted."""
    sample_spacing: float
    """mm, root of the area per sample."""
    outward: int
    """+1: the natural normal points out of the material (a shaft, a plane), -1: into it (a bore)."""
    axial: tuple[float, float] | None
    """Extent along the axis from the element's given point, mm."""
    swept: float | None
    """rad: how much of the turn about the axis the nominal has."""
    borders: tuple[Floats, ...]
    """Polylines (k, 3) around it."""


@dataclass(frozen=True)
class NoPatch:
    """The feature does not lie on the nominal. Falsy."""

    reason: str

    def __bool__(self) -> bool:
        """Return False."""
        return False


def find_patch(spec: FeatureSpec, nominal: Nominal, spacing: float) -> Patch | NoPatch:
    """Return the part of the nominal that a surface feature means, or why there is none.

    Kept for the next part: it depends on the plan alone.
    """
    return _found_patch(spec, nominal, rounded(spacing))


def rounded(spacing: float) -> float:
    """Return the spacing rounded to a power of the square root of 2, so that what depends on it is made once."""
    return float(2.0 ** (np.round(2.0 * np.log2(max(spacing, 1e-6))) / 2.0))


@lru_cache(maxsize=512)
def _found_patch(spec: FeatureSpec, nominal: Nominal, spacing: float) -> Patch | NoPatch:
    if spec.kind == "surface":
        chosen = _region(spec, nominal)
    elif spec.shape is None:
        return NoPatch("the feature has no nominal element")
    elif isinstance(spec.shape, Slot):
        chosen = _slot_walls(spec.shape, nominal)
    elif isinstance(spec.shape, Line):
        return _ridge_patch(spec, spec.shape, nominal, spacing)
    elif isinstance(spec.shape, Point):
        return NoPatch("a point is not measured from a face")
    else:
        chosen = on_element(as_surface(spec.shape), nominal)
        if isinstance(spec.shape, Plane) and spec.extent != "coplanar" and chosen.any():
            chosen = connected_at(nominal, chosen, array(spec.shape.point))
        if spec.span is not None and chosen.any():
            chosen = _within_span(chosen, nominal, spec.shape, spec.span)
        if spec.turn is not None and chosen.any():
            chosen = _within_turn(chosen, nominal, spec)
    if not chosen.any():
        return NoPatch(_nothing_there(spec, nominal))
    patch = make_patch(spec.shape, chosen, nominal, spacing, spec.span)
    if spec.turn is not None and spec.shape is not None and not isinstance(spec.shape, Slot):
        kept = in_turn(spec, patch.samples)
        if not kept.any():
            return NoPatch("the nominal has no face within the stated turn")
        samples = patch.samples[kept]
        patch = replace(patch, samples=samples, area=patch.area * float(kept.mean()), swept=_swept(samples, spec.shape))
    return patch


def _ridge_patch(spec: FeatureSpec, line: Line, nominal: Nominal, spacing: float) -> Patch | NoPatch:
    """Both flat faces that meet in a line."""
    from runner.measure.ridge import ridge_of

    if spec.source != "surface":
        return NoPatch("a line from edges lies on no face")
    ridge = ridge_of(line, nominal, spec.span)
    if isinstance(ridge, str):
        return NoPatch(ridge)
    return make_patch(line, ridge.triangles, nominal, spacing, ridge.span)


def turned_from(spec: FeatureSpec, points: Floats) -> Floats:
    """Return the angles (n,), rad, about a feature's axis from the middle of its stated turn, within half a turn."""
    assert spec.shape is not None and spec.turn is not None
    axis = direction(spec.shape)
    assert axis is not None
    u = array(spec.zero) if spec.zero is not None else perpendicular(axis)[0]
    u = unit(u - (u @ axis) * axis)
    offset = points - place(spec.shape)
    angle = np.arctan2(offset @ np.cross(axis, u), offset @ u) - 0.5 * (spec.turn[0] + spec.turn[1])
    result: Floats = np.mod(angle + np.pi, 2.0 * np.pi) - np.pi
    return result


def in_turn(spec: FeatureSpec, points: Floats) -> NDArray[np.bool_]:
    """Return which points (n,) lie within the stated turn of an arc."""
    assert spec.turn is not None
    inside: NDArray[np.bool_] = np.abs(turned_from(spec, points)) <= 0.5 * (spec.turn[1] - spec.turn[0]) + 1e-9
    return inside


def _within_turn(chosen: NDArray[np.bool_], nominal: Nominal, spec: FeatureSpec) -> NDArray[np.bool_]:
    """Drop triangles that lie wholly outside the stated turn."""
    assert spec.turn is not None
    rows = np.flatnonzero(chosen)
    angle = turned_from(spec, nominal.mesh.vertices[nominal.mesh.triangles[rows]].reshape(-1, 3)).reshape(-1, 3)
    half = 0.5 * (spec.turn[1] - spec.turn[0])
    across = np.ptp(angle, axis=1) > np.pi
    touching = (angle.min(axis=1) <= half) & (angle.max(axis=1) >= -half)
    # a triangle that lies across the far side touches the turn by a corner or not at all
    touching = np.where(across, (np.abs(angle) <= half).any(axis=1), touching)
    kept = np.zeros(len(chosen), dtype=bool)
    kept[rows[touching]] = True
    return kept


def make_patch(
    shape: Shape | None,
    chosen: NDArray[np.bool_],
    nominal: Nominal,
    spacing: float,
    span: tuple[float, float] | None = None,
) -> Patch:
    """Return the patch of chosen triangles (m,)."""
    triangles = nominal.mesh.triangles[chosen]
    vertices = nominal.mesh.vertices
    area = float(triangle_areas(vertices, triangles).sum())
    wanted = int(np.clip(area / max(spacing, 1e-6) ** 2, 200, MOST_SAMPLES))
    samples, rows = sample_triangles(vertices, triangles, wanted)
    sample_faces = nominal.triangle_face[chosen][rows].astype(np.int64)
    if nominal.source == "step":
        samples = onto_exact(nominal, samples, sample_faces)
    carrier = None if shape is None or isinstance(shape, Slot | Line) else as_surface(shape)
    outward, extent, swept = 1, None, None
    if carrier is not None:
        normals = triangle_normals(vertices, triangles)[rows]
        outward = 1 if float(np.sum(normals * natural_normals(carrier, samples))) >= 0 else -1
    elif isinstance(shape, Slot):
        outward = -1
    axis = None if shape is None else direction(shape)
    if shape is not None and axis is not None and not isinstance(shape, Plane):
        corners = vertices[np.unique(triangles)]
        height, _, _ = axial(corners, place(shape), axis)
        extent = (float(height.min()), float(height.max()))
        if span is not None:
            extent = (max(extent[0], span[0]), min(extent[1], span[1]))
            inside = axial(samples, place(shape), axis)[0]
            kept = (inside >= extent[0]) & (inside <= extent[1])
            samples = samples[kept] if kept.any() else samples
        swept = _swept(samples, shape)
    return Patch(
        shape=shape,
        triangles=chosen,
        faces=np.unique(nominal.triangle_face[chosen]).astype(np.int64),
        area=area,
        samples=samples,
        sample_spacing=float(np.sqrt(area / max(len(samples), 1))),
        outward=outward,
        axial=extent,
        swept=swept,
        borders=border_of(nominal, chosen),
    )


def on_element(shape: Shape, nominal: Nominal) -> NDArray[np.bool_]:
    """Return which triangles (m,) lie on an element: by the exact faces of a STEP nominal, by corners otherwise."""
    if nominal.source == "step":
        return _faces_on(shape, nominal)[nominal.triangle_face]
    return _triangles_on(shape, nominal)


def _faces_on(shape: Shape, nominal: Nominal) -> NDArray[np.bool_]:
    """Faces (F,) of the same kind and parameters."""
    faces = nominal.faces
    axis = direction(shape)
    origin = place(shape)
    kind = {
        Plane: SurfaceKind.PLANE,
        Cylinder: SurfaceKind.CYLINDER,
        Cone: SurfaceKind.CONE,
        Sphere: SurfaceKind.SPHERE,
        Torus: SurfaceKind.TORUS,
    }[type(shape)]
    same = faces.kind == kind
    rows = np.flatnonzero(same)
    if not len(rows):
        return same
    offset = faces.origin[rows] - origin
    good = np.ones(len(rows), dtype=bool)
    if axis is None:
        axis = np.array([0.0, 0.0, 1.0])
    else:
        good &= np.linalg.norm(np.cross(faces.axis[rows], axis), axis=1) <= ANGLE_TOLERANCE
    if isinstance(shape, Plane):
        good &= (faces.axis[rows] @ axis > 0) & (np.abs(offset @ axis) <= LENGTH_TOLERANCE)
    elif isinstance(shape, Cylinder):
        radial = offset - (offset @ axis)[:, None] * axis
        good &= np.linalg.norm(radial, axis=1) <= LENGTH_TOLERANCE
        good &= np.abs(faces.radius[rows] - shape.radius) <= LENGTH_TOLERANCE
    else:
        good &= np.linalg.norm(offset, axis=1) <= LENGTH_TOLERANCE
        if isinstance(shape, Cone):
            good &= (np.abs(faces.minor[rows] - shape.half_angle) <= ANGLE_TOLERANCE) & (faces.axis[rows] @ axis > 0)
        elif isinstance(shape, Sphere | Torus):
            good &= np.abs(faces.radius[rows] - shape.radius) <= LENGTH_TOLERANCE
        if isinstance(shape, Torus):
            good &= np.abs(faces.minor[rows] - shape.minor) <= LENGTH_TOLERANCE
    found = np.zeros(len(faces), dtype=bool)
    found[rows[good]] = True
    if isinstance(shape, Cylinder | Sphere) and found.any():
        # a bore and a shaft of the same radius on one axis: the larger one is meant
        signs = faces.outward[found]
        weight = float(np.sum(signs * faces.area[found]))
        found &= faces.outward == (1 if weight >= 0 else -1)
    return found


def _triangles_on(shape: Shape, nominal: Nominal) -> NDArray[np.bool_]:
    """Triangles (m,) of a mesh whose corners lie on the element and whose normals agree."""
    vertices, triangles = nominal.mesh.vertices, nominal.mesh.triangles
    near = np.asarray(np.abs(signed_distance(shape, vertices)) <= MESH_TOLERANCE + nominal.chord_mm)
    candidates: NDArray[np.bool_] = np.asarray(near[triangles].all(axis=1))
    rows = np.flatnonzero(candidates)
    if not len(rows):
        return candidates
    normals = triangle_normals(vertices, triangles[rows])
    centres = vertices[triangles[rows]].mean(axis=1)
    agreement = np.sum(normals * natural_normals(shape, centres), axis=1)
    if isinstance(shape, Plane):
        good = agreement >= MESH_ANGLE
    else:
        areas = triangle_areas(vertices, triangles[rows])
        fits = np.abs(agreement) >= MESH_ANGLE
        sign = 1.0 if float(np.sum((areas * agreement)[fits])) >= 0 else -1.0
        good = sign * agreement >= MESH_ANGLE
    found = np.zeros(len(triangles), dtype=bool)
    found[rows[good]] = True
    return found


def connected_at(nominal: Nominal, chosen: NDArray[np.bool_], point: Floats) -> NDArray[np.bool_]:
    """Keep of the chosen triangles (m,) the connected piece nearest to ``point``."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    rows = np.flatnonzero(chosen)
    triangles = nominal.mesh.triangles[rows]
    used, local = np.unique(triangles, return_inverse=True)
    local = local.reshape(-1, 3)
    links = coo_matrix(
        (
            np.ones(2 * len(local), dtype=np.int8),
            (np.concatenate([local[:, 0], local[:, 1]]), np.concatenate([local[:, 1], local[:, 2]])),
        ),
        shape=(len(used), len(used)),
    )
    _, piece_of_vertex = connected_components(links, directed=False)
    piece = piece_of_vertex[local[:, 0]]
    distances = point_triangle_distances(point, nominal.mesh.vertices[triangles])
    kept = np.zeros(len(chosen), dtype=bool)
    kept[rows[piece == piece[int(np.argmin(distances))]]] = True
    return kept


def point_triangle_distances(point: Floats, corners: Floats) -> Floats:
    """Return the distances (m,) of one point from triangles with corners (m, 3, 3)."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = np.cross(b - a, c - a)
    double_area = np.linalg.norm(normal, axis=1)
    safe = np.where(double_area > 0, double_area, 1.0)
    normal = normal / safe[:, None]
    height = np.sum((point - a) * normal, axis=1)
    foot = point - height[:, None] * normal
    inside = double_area > 0
    best = np.full(len(corners), np.inf)
    for p, q in ((a, b), (b, c), (c, a)):
        edge = q - p
        inside &= np.sum(np.cross(edge, foot - p) * normal, axis=1) >= -1e-12 * safe
        square = np.sum(edge * edge, axis=1)
        t = np.clip(np.sum((point - p) * edge, axis=1) / np.where(square > 0, square, 1.0), 0.0, 1.0)
        best = np.minimum(best, np.linalg.norm(p + t[:, None] * edge - point, axis=1))
    return np.where(inside, np.abs(height), best)


def _within_span(
    chosen: NDArray[np.bool_], nominal: Nominal, shape: Shape, span: tuple[float, float]
) -> NDArray[np.bool_]:
    """Drop triangles that lie wholly outside the stated extent along the axis."""
    axis = direction(shape)
    if axis is None:
        return chosen
    height = (nominal.mesh.vertices[nominal.mesh.triangles] - place(shape)) @ axis
    return chosen & (height.max(axis=1) > span[0]) & (height.min(axis=1) < span[1])


def _slot_walls(slot: Slot, nominal: Nominal) -> NDArray[np.bool_]:
    """The two flat walls and the two round or flat ends of a slot."""
    centre, along, across, axis = _slot_axes(slot)
    found = np.zeros(len(nominal.mesh.triangles), dtype=bool)
    half_width = slot.width / 2
    straight = slot.length / 2 - (half_width if slot.round_ends else 0.0)
    limits = []
    for sign in (1.0, -1.0):
        # the material lies outside the slot, so its walls' outward normals point to the slot's middle
        wall = Plane(tuple(centre + sign * half_width * across), tuple(-sign * across))
        limits.append((on_element(wall, nominal), straight, half_width))
        if slot.round_ends:
            end = Cylinder(tuple(centre + sign * straight * along), tuple(axis), half_width)
            limits.append((on_element(end, nominal), slot.length / 2, half_width))
        else:
            cap = Plane(tuple(centre + sign * straight * along), tuple(-sign * along))
            limits.append((on_element(cap, nominal), slot.length / 2, half_width))
    middles = nominal.mesh.vertices[nominal.mesh.triangles].mean(axis=1) - centre
    for mask, reach_along, reach_across in limits:
        near = (np.abs(middles @ along) <= reach_along + 0.05) & (np.abs(middles @ across) <= reach_across + 0.05)
        found |= mask & near
    return found


def _region(spec: FeatureSpec, nominal: Nominal) -> NDArray[np.bool_]:
    """All triangles, or those of the faces nearest to the given points."""
    if spec.region == "all" or not spec.region_points:
        return np.ones(len(nominal.mesh.triangles), dtype=bool)
    corners = nominal.mesh.vertices[nominal.mesh.triangles]
    chosen = np.zeros(len(corners), dtype=bool)
    for point in spec.region_points:
        nearest = int(np.argmin(point_triangle_distances(array(point), corners)))
        chosen |= nominal.triangle_face == nominal.triangle_face[nearest]
    return chosen


def _swept(samples: Floats, shape: Shape) -> float | None:
    """Share of the full turn that the samples take, rad."""
    axis = direction(shape)
    if axis is None or isinstance(shape, Line) or len(samples) < 8:
        return None
    u, v = perpendicular(axis)
    offset = samples - place(shape)
    angle = np.arctan2(offset @ v, offset @ u)
    bins = 72
    filled = np.bincount(((angle + np.pi) / (2 * np.pi) * bins).astype(int) % bins, minlength=bins) > 0
    return float(filled.mean() * 2 * np.pi)


def border_of(nominal: Nominal, chosen: NDArray[np.bool_]) -> tuple[Floats, ...]:
    """Return the border of chosen triangles as segments (2, 3), exact edges of a STEP nominal where they exist."""
    triangles = nominal.mesh.triangles[chosen].astype(np.int64)
    if not len(triangles):
        return ()
    edges = np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    edges.sort(axis=1)
    unique, counts = np.unique(edges, axis=0, return_counts=True)
    segments = nominal.mesh.vertices[unique[counts == 1]]
    return tuple(segments)


@lru_cache(maxsize=256)
def surface_places(patch: Patch, nominal: Nominal) -> tuple[Floats, Floats]:
    """Return some places (k, 3) of a patch and the surface's normals there (k, 3), exact where the face is.

    By the faces and not by their mesh: the facets of a cone feel a turn about its axis, the cone does not.
    """
    rows = np.flatnonzero(patch.triangles)
    rows = rows[:: max(1, len(rows) // 400)]
    vertices, triangles = nominal.mesh.vertices, nominal.mesh.triangles[rows]
    places, normals = vertices[triangles].mean(axis=1), triangle_normals(vertices, triangles)
    if nominal.source == "step":
        feet, exact, distance = project(nominal.faces, nominal.triangle_face[rows], places)
        # as in the distances: a face whose mesh lies far from its closed form is taken from the mesh
        good = np.abs(distance) <= 5.0 * max(nominal.chord_mm, 1e-3)
        places[good], normals[good] = feet[good], exact[good]
    return places, normals


def _nothing_there(spec: FeatureSpec, nominal: Nominal) -> str:
    """The reason text, with the nearest matching geometry of the nominal."""
    shape = spec.shape
    if shape is None:
        return "no surface of the nominal at the given points"
    nearest = nearest_match(as_surface(shape), nominal)
    kind = type(shape).__name__.lower()
    return f"the nominal has no such {kind}" + (f"; nearest: {nearest}" if nearest else f" and no other {kind} near it")


def nearest_match(shape: Shape, nominal: Nominal) -> str:
    """Describe the face of the same kind that lies nearest to an element, with the differences; empty if none."""
    if nominal.source != "step" or isinstance(shape, Slot | Line):
        return ""
    kinds = {Plane: SurfaceKind.PLANE, Cylinder: SurfaceKind.CYLINDER, Cone: SurfaceKind.CONE}
    kinds |= {Sphere: SurfaceKind.SPHERE, Torus: SurfaceKind.TORUS}
    faces = nominal.faces
    rows = np.flatnonzero(faces.kind == kinds[type(shape)])
    if not len(rows):
        return ""
    origin, axis = place(shape), direction(shape)
    offset = faces.origin[rows] - origin
    turn = np.zeros(len(rows))
    if axis is not None:
        cosine = np.clip(faces.axis[rows] @ axis, -1, 1)
        turn = np.degrees(np.arccos(cosine if isinstance(shape, Plane) else np.abs(cosine)))
    if isinstance(shape, Plane):
        away = np.abs(np.sum(offset * faces.axis[rows], axis=1))
    elif isinstance(shape, Cylinder):
        along = np.sum(offset * faces.axis[rows], axis=1)
        away = np.linalg.norm(offset - along[:, None] * faces.axis[rows], axis=1)
    else:
        away = np.linalg.norm(offset, axis=1)
    size = np.zeros(len(rows))
    if isinstance(shape, Cylinder | Sphere | Torus):
        size = faces.radius[rows] - shape.radius
    elif isinstance(shape, Cone):
        size = np.degrees(faces.minor[rows] - shape.half_angle)
    best = int(np.argmin(away + np.abs(size) + 0.5 * np.minimum(turn, 20.0)))
    parts = []
    if axis is not None and turn[best] > np.degrees(ANGLE_TOLERANCE):
        parts.append(f"turned by {turn[best]:.3f} deg" if turn[best] < 179.9 else "facing the other way")
    if isinstance(shape, Plane):
        parts.append(f"{away[best]:.4f} mm away")
    else:
        at = ", ".join(f"{v:.3f}" for v in faces.origin[rows[best]])
        parts.append(f"{'axis' if isinstance(shape, Cylinder) else 'centre'} {away[best]:.4f} mm away, at ({at})")
        if isinstance(shape, Cone):
            parts.append(f"half angle off by {size[best]:+.4f} deg")
        else:
            parts.append(
                f"radius {faces.radius[rows[best]]:.4f} instead of {getattr(shape, 'radius', 0.0):.4f} mm"
                if abs(size[best]) > LENGTH_TOLERANCE
                else f"the same radius {faces.radius[rows[best]]:.4f} mm"
            )
    return f"a {type(shape).__name__.lower()} " + ", ".join(parts)
