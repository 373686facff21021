"""The face beside an edge: where the sheet lies, on which side the material is, and how wide it is there."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import perpendicular, unit
from runner.geometry.mesh import Floats, Nominal
from runner.geometry.shapes import Circle, Line, Plane, Slot, vector
from runner.measure.element import array, slot_axes
from runner.measure.outline import CircleOutline, LineOutline, Outline, SlotOutline
from runner.measure.patch import NoPatch, connected_at, on_element, rounded
from runner.measure.sampling import triangle_areas, triangle_normals
from runner.measure.specs import FeatureSpec

PLACES = 180
DEEPEST_SPACINGS = 16.0
STEPS = 64
ON_SHEET = 0.03
"""mm: a place within this of the face's triangles lies on the face."""
EDGE_TOLERANCE = 0.02
"""mm: vertices of the nominal this near to a nominal line lie on it."""
LEAST_ROOM_SHARE = 0.25
"""Share of the outline that must have the sheet beside it for the feature to lie on the nominal."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """The nominal face beside an edge, with the edge's outline in the face's plane."""

    triangles: NDArray[np.bool_]
    """(m,) triangles of the face."""
    origin: Floats
    u: Floats
    v: Floats
    normal: Floats
    """Out of the material."""
    outline: Outline
    room: Floats
    """(180,) depth of material at even places along the outline, mm."""

    def flat(self, points: Floats) -> Floats:
        """Return points (n, 3) in the plane's coordinates (n, 2)."""
        offset = points - self.origin
        return np.column_stack([offset @ self.u, offset @ self.v])

    def height(self, points: Floats) -> Floats:
        """Return heights (n,) above the nominal plane."""
        return (points - self.origin) @ self.normal

    def lifted(self, flat: Floats) -> Floats:
        """Return places (n, 2) of the plane as points (n, 3)."""
        return self.origin + flat[:, :1] * self.u + flat[:, 1:] * self.v


def find_sheet(spec: FeatureSpec, nominal: Nominal, spacing: float) -> Sheet | NoPatch:
    """Return the face beside an edge feature, or why there is none. Kept for the next part, as ``find_patch``."""
    return _found_sheet(spec, nominal, rounded(spacing))


@lru_cache(maxsize=512)
def _found_sheet(spec: FeatureSpec, nominal: Nominal, spacing: float) -> Sheet | NoPatch:
    shape = spec.shape
    if isinstance(shape, Circle):
        return _circle(shape, nominal, spacing)
    if isinstance(shape, Slot):
        return _slot(shape, nominal, spacing)
    if isinstance(shape, Line):
        return _line(shape, spec, nominal, spacing)
    return NoPatch(f"a {spec.kind} can't be measured from edges")


def _face_at(nominal: Nominal, centre: Floats, axis: Floats, near: Floats) -> NDArray[np.bool_] | NoPatch:
    chosen = on_element(Plane(vector(centre), vector(axis)), nominal)
    if not chosen.any():
        back = on_element(Plane(vector(centre), vector(-axis)), nominal)
        if back.any():
            return NoPatch("the face there looks the other way: turn the axis round, it points out of the sheet")
        return NoPatch("the nominal has no flat face in the plane of the edge, looking along its axis")
    return connected_at(nominal, chosen, near)


def _circle(shape: Circle, nominal: Nominal, spacing: float) -> Sheet | NoPatch:
    centre, axis = array(shape.centre), unit(array(shape.axis))
    u, v = perpendicular(axis)
    face = _face_at(nominal, centre, axis, centre + shape.radius * u)
    if isinstance(face, NoPatch):
        return face
    surface = SurfaceIndex.build(nominal, triangles=face)
    best: Sheet | None = None
    for hole in (True, False):
        outline = CircleOutline(0.0, 0.0, shape.radius, hole)
        room = _room(surface, outline, centre, u, v, spacing)
        if best is None or np.median(room) > np.median(best.room):
            best = Sheet(face, centre, u, v, axis, outline, room)
    assert best is not None
    return _checked(best, surface, f"a circle of radius {shape.radius:g} mm there")


def _slot(shape: Slot, nominal: Nominal, spacing: float) -> Sheet | NoPatch:
    centre, along, across, axis = slot_axes(shape)
    face = _face_at(nominal, centre, axis, centre + 0.5 * shape.width * across)
    if isinstance(face, NoPatch):
        return face
    surface = SurfaceIndex.build(nominal, triangles=face)
    corner = 0.0 if shape.round_ends else 3.0 * spacing
    outline = SlotOutline(0.0, 0.0, 0.0, shape.length, shape.width, shape.round_ends, corner)
    room = _room(surface, outline, centre, along, across, spacing)
    return _checked(Sheet(face, centre, along, across, axis, outline, room), surface, "such a slot there")


def _line(shape: Line, spec: FeatureSpec, nominal: Nominal, spacing: float) -> Sheet | NoPatch:
    """A straight edge: of the flat faces that meet there, the one with the larger area carries the edge."""
    point, along = array(shape.point), unit(array(shape.direction))
    vertices, triangles = nominal.mesh.vertices, nominal.mesh.triangles
    offset = vertices - point
    height = offset @ along
    on_line = np.linalg.norm(offset - height[:, None] * along, axis=1) <= EDGE_TOLERANCE
    touching = np.flatnonzero(on_line[triangles].sum(axis=1) == 2)
    if not len(touching):
        return NoPatch("the nominal has no straight edge along this line")
    normals = triangle_normals(vertices, triangles[touching])
    best, best_area = None, 0.0
    for row, normal in zip(touching, normals, strict=True):
        middle = vertices[triangles[row]].mean(axis=0)
        if best is not None and best[row]:
            continue
        chosen = on_element(Plane(vector(middle), vector(normal)), nominal)
        if not chosen.any():
            continue
        face = connected_at(nominal, chosen, middle)
        area = float(triangle_areas(vertices, triangles[face]).sum())
        if area > best_area * (1 + 1e-9):
            best, best_area = face, area
    if best is None:
        return NoPatch("no flat face of the nominal meets this line")
    used = height[on_line & np.isin(np.arange(len(vertices)), np.unique(triangles[touching]))]
    start, end = float(used.min()), float(used.max())
    if spec.span is not None:
        start, end = max(start, spec.span[0]), min(end, spec.span[1])
    if end - start < 4 * spacing:
        return NoPatch("the edge is too short for the point spacing")
    normal = triangle_normals(vertices, triangles[best])[0]
    across = np.cross(normal, along)
    surface = SurfaceIndex.build(nominal, triangles=best)
    # keep clear of the edge's own ends, where other borders begin
    outline = LineOutline(0.0, 0.0, start + 2 * spacing, end - 2 * spacing)
    made = []
    for side in (1.0, -1.0):
        # the frame's y points into the material; x stays along the line
        room = _room(surface, outline, point, along, side * across, spacing)
        made.append(Sheet(best, point, along, side * across, normal, outline, room))
    return _checked(max(made, key=lambda s: float(np.median(s.room))), surface, "a straight edge along this line")


def _room(surface: SurfaceIndex, outline: Outline, origin: Floats, u: Floats, v: Floats, spacing: float) -> Floats:
    """Depth of material at even places along the outline, mm, as far as it matters."""
    along = (np.arange(PLACES, dtype=np.float64) + 0.5) * (outline.length / PLACES)
    places = outline.at(along)
    depths = (np.arange(STEPS, dtype=np.float64) + 1.0) * (DEEPEST_SPACINGS * spacing / STEPS)
    flat = places.points[:, None, :] + depths[None, :, None] * places.into_material[:, None, :]
    points = origin + flat[..., :1] * u + flat[..., 1:] * v
    away = np.abs(surface.closest(points.reshape(-1, 3)).distance).reshape(PLACES, STEPS)
    on_sheet = away <= ON_SHEET
    first_off = np.where(on_sheet.all(axis=1), STEPS, np.argmin(on_sheet, axis=1))
    return np.where(first_off == 0, 0.0, depths[np.maximum(first_off - 1, 0)])


def _checked(sheet: Sheet, surface: SurfaceIndex, what: str) -> Sheet | NoPatch:
    """Refuse an outline that does not run along the border of the face."""
    along = (np.arange(PLACES, dtype=np.float64) + 0.5) * (sheet.outline.length / PLACES)
    places = sheet.outline.at(along)
    step = 0.1
    inside = sheet.lifted(places.points + step * places.into_material)
    outside = sheet.lifted(places.points - step * places.into_material)
    is_in = np.abs(surface.closest(inside).distance) <= ON_SHEET
    is_out = np.abs(surface.closest(outside).distance) > ON_SHEET
    share = float((is_in & is_out).mean())
    if share < LEAST_ROOM_SHARE:
        return NoPatch(f"the border of the face there is not {what}")
    return sheet
