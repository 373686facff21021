"""The face beside an edge: where the sheet lies, on which side the material is, and how wide it is there."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from runner.geometry.distance import SurfaceIndex, TriangleIndex
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
CORNER_SPACINGS = 2.5
"""So many spacings beside a corner (and its rounding) are left out, since a corner is never sharp."""
CURVED_SPACINGS = 9.0
"""So many spacings of curved sheet beside an edge must be simply bowed;"""
WORST_BOW = 0.05
"""mm: within this of a surface of second degree."""
OFF_EDGE = 0.2
"""mm: the edge must lie on the curved sheet, in the middle of its turn."""
STEEPEST_SHEET = 0.8
"""Curved sheet leans no more than this cosine to the axis of the edge."""
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
    thickness: float = np.inf
    """mm, of the sheet beside the edge; inf where the nominal has no other side."""
    bow: Floats | None = None
    """(6,) of curved sheet: its height over the plane, as a surface of second degree (``_terms``)."""

    @property
    def off_sheet(self) -> float:
        """Places farther than this from the face's triangles are not on it, mm."""
        return ON_SHEET if self.bow is None else ON_SHEET + WORST_BOW

    def bowed(self, flat: Floats) -> Floats:
        """Return how high (n,) the nominal sheet stands over the plane at places (n, 2)."""
        return np.zeros(len(flat)) if self.bow is None else _terms(flat) @ self.bow

    def flat(self, points: Floats) -> Floats:
        """Return points (n, 3) in the plane's coordinates (n, 2)."""
        offset = points - self.origin
        return np.column_stack([offset @ self.u, offset @ self.v])

    def height(self, points: Floats) -> Floats:
        """Return heights (n,) above the nominal sheet."""
        height: Floats = (points - self.origin) @ self.normal
        return height if self.bow is None else height - self.bowed(self.flat(points))

    def levelled(self, points: Floats) -> Floats:
        """Return points (n, 3) with the bow of the nominal sheet taken out, so that the sheet is flat."""
        return points if self.bow is None else points - self.bowed(self.flat(points))[:, None] * self.normal

    def lifted(self, flat: Floats) -> Floats:
        """Return places (n, 2) of the plane as points (n, 3)."""
        plane = self.origin + flat[:, :1] * self.u + flat[:, 1:] * self.v
        return plane if self.bow is None else plane + self.bowed(flat)[:, None] * self.normal


def find_sheet(spec: FeatureSpec, nominal: Nominal, spacing: float) -> Sheet | NoPatch:
    """Return the face beside an edge feature, or why there is none. Kept for the next part, as ``find_patch``."""
    return _found_sheet(spec, nominal, rounded(spacing))


@lru_cache(maxsize=512)
def _found_sheet(spec: FeatureSpec, nominal: Nominal, spacing: float) -> Sheet | NoPatch:
    found = _lying_sheet(spec, nominal, spacing)
    if isinstance(found, NoPatch):
        return found
    return replace(found, thickness=_thickness(found, nominal, spacing))


@lru_cache(maxsize=8)
def whole_mesh(nominal: Nominal) -> TriangleIndex:
    """Return the nominal's mesh for rays."""
    return TriangleIndex(nominal.mesh)


def _thickness(sheet: Sheet, nominal: Nominal, spacing: float) -> float:
    """How far below the sheet its other side lies, beside the edge; the median over the outline."""
    along = (np.arange(24, dtype=np.float64) + 0.5) * (sheet.outline.length / 24)
    places = sheet.outline.at(along)
    start = sheet.lifted(places.points + 2.0 * spacing * places.into_material) - 0.01 * sheet.normal
    hit = whole_mesh(nominal).first_hit(start, np.tile(-sheet.normal, (24, 1)))[0] + 0.01
    hit = hit[np.isfinite(hit)]
    return float(np.median(hit)) if len(hit) else float("inf")


def _lying_sheet(spec: FeatureSpec, nominal: Nominal, spacing: float) -> Sheet | NoPatch:
    shape = spec.shape
    if isinstance(shape, Circle):
        return _circle(shape, spec, nominal, spacing)
    if isinstance(shape, Slot):
        return _slot(shape, spec, nominal, spacing)
    if isinstance(shape, Line):
        return _line(shape, spec, nominal, spacing)
    return NoPatch(f"a {spec.kind} can't be measured from edges")


def _face_at(
    nominal: Nominal, centre: Floats, axis: Floats, near: Floats, reach: float
) -> tuple[NDArray[np.bool_], Floats | None] | NoPatch:
    """The face at the edge: a flat one, else the curved sheet within ``reach`` of the centre with its bow."""
    chosen = on_element(Plane(vector(centre), vector(axis)), nominal)
    if chosen.any():
        return connected_at(nominal, chosen, near), None
    back = on_element(Plane(vector(centre), vector(-axis)), nominal)
    if back.any():
        return NoPatch("the face there looks the other way: turn the axis round, it points out of the sheet")
    return _curved_face(nominal, centre, axis, near, reach)


def _curved_face(
    nominal: Nominal, centre: Floats, axis: Floats, near: Floats, reach: float
) -> tuple[NDArray[np.bool_], Floats | None] | NoPatch:
    """Sheet that is bowed, not flat: heights over the plane of the edge by a surface of second degree."""
    missing = NoPatch("the nominal has no flat face in the plane of the edge, looking along its axis")
    corners = nominal.mesh.vertices[nominal.mesh.triangles]
    offset = corners.mean(axis=1) - centre
    height = offset @ axis
    sideways = np.linalg.norm(offset - height[:, None] * axis, axis=1)
    size = float(np.linalg.norm(near - centre))
    normals = triangle_normals(nominal.mesh.vertices, nominal.mesh.triangles)
    chosen = (normals @ axis > STEEPEST_SHEET) & (np.abs(height) < 0.5 * reach) & (sideways < reach + 2.0 * size)
    if not chosen.any():
        return missing
    chosen = connected_at(nominal, chosen, near)
    surface = SurfaceIndex.build(nominal, triangles=chosen)
    u, v = perpendicular(axis)
    far, angle = np.meshgrid(
        size + np.linspace(0.05, max(reach - size, 0.5), 8),
        np.linspace(0, 2 * np.pi, 48, endpoint=False),
        indexing="ij",
    )
    flat = np.column_stack([(far * np.cos(angle)).ravel(), (far * np.sin(angle)).ravel()])
    start = centre + flat[:, :1] * u + flat[:, 1:] * v + reach * axis
    hit = surface.first_hit(start, np.tile(-axis, (len(start), 1)))[0]
    seen = np.isfinite(hit)
    if seen.sum() < 0.25 * len(flat):
        return missing
    heights, flat = reach - hit[seen], flat[seen]
    bow = np.asarray(np.linalg.lstsq(_terms(flat), heights, rcond=None)[0], dtype=np.float64)
    rest = float(np.abs(heights - _terms(flat) @ bow).max())
    if rest > WORST_BOW:
        return NoPatch(
            f"the sheet beside the edge is curved: within {reach:.1f} mm it departs by {rest:.2f} mm from a simply "
            f"bowed one, {WORST_BOW} mm is allowed"
        )
    at_edge = _terms(size * np.column_stack([np.cos(angle[0]), np.sin(angle[0])])) @ bow
    if np.abs(np.median(at_edge)) > OFF_EDGE:
        return missing
    return chosen, bow


def _terms(flat: Floats) -> Floats:
    """Terms of a surface of second degree at places (n, 2): (n, 6)."""
    x, y = flat.T
    return np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])


def _circle(shape: Circle, spec: FeatureSpec, nominal: Nominal, spacing: float) -> Sheet | NoPatch:
    centre, axis = array(shape.centre), unit(array(shape.axis))
    u, v = perpendicular(axis)
    start, sweep = 0.0, 2.0 * np.pi
    if spec.turn is not None and spec.turn[1] - spec.turn[0] < 2.0 * np.pi - 1e-9:
        if spec.zero is None:
            return NoPatch("an arc needs the direction from which its turn counts")
        u = unit(array(spec.zero) - (array(spec.zero) @ axis) * axis)
        v = np.cross(axis, u)
        # keep clear of the arc's own ends, where other borders begin
        clear = 2.0 * spacing / shape.radius
        start, sweep = spec.turn[0] + clear, spec.turn[1] - spec.turn[0] - 2.0 * clear
        if sweep * shape.radius < 4.0 * spacing:
            return NoPatch("the arc is too short for the point spacing")
    elif v @ np.cross(axis, u) < 0:
        v = -v
    middle = start + 0.5 * sweep
    near = centre + shape.radius * (np.cos(middle) * u + np.sin(middle) * v)
    reach = shape.radius + CURVED_SPACINGS * spacing
    found = _face_at(nominal, centre, axis, near, reach)
    if isinstance(found, NoPatch):
        return found
    made = _round_sheet(shape, nominal, spacing, (u, v, axis), (start, sweep), found)
    if isinstance(made, NoPatch) and found[1] is None and nominal.source == "mesh" and spec.turn is None:
        # of curved sheet a strip of triangles may lie in the plane of the edge
        bowed = _curved_face(nominal, centre, axis, near, reach)
        if not isinstance(bowed, NoPatch):
            return _round_sheet(shape, nominal, spacing, (u, v, axis), (start, sweep), bowed)
    if not isinstance(made, NoPatch) and made.bow is not None and spec.turn is not None:
        return NoPatch("an arc on curved sheet can't be measured from edges")
    return made


def _round_sheet(
    shape: Circle,
    nominal: Nominal,
    spacing: float,
    axes: tuple[Floats, Floats, Floats],
    turn: tuple[float, float],
    found: tuple[NDArray[np.bool_], Floats | None],
) -> Sheet | NoPatch:
    """The sheet around a hole or inside a disc, whichever it is."""
    (u, v, axis), (start, sweep), (face, bow) = axes, turn, found
    centre = array(shape.centre)
    surface = SurfaceIndex.build(nominal, triangles=face)
    best: Sheet | None = None
    for hole in (True, False):
        outline = CircleOutline(0.0, 0.0, shape.radius, hole, start, sweep)
        bare = Sheet(face, centre, u, v, axis, outline, np.zeros(0), bow=bow)
        made = replace(bare, room=_room(surface, bare, spacing))
        if best is None or np.median(made.room) > np.median(best.room):
            best = made
    assert best is not None
    what = (
        f"a circle of radius {shape.radius:g} mm there"
        if sweep >= 2 * np.pi
        else f"an arc of radius {shape.radius:g} mm there"
    )
    return _checked(best, surface, what)


def _slot(shape: Slot, spec: FeatureSpec, nominal: Nominal, spacing: float) -> Sheet | NoPatch:
    centre, along, across, axis = slot_axes(shape)
    found = _face_at(
        nominal, centre, axis, centre + 0.5 * shape.width * across, 0.5 * shape.length + CURVED_SPACINGS * spacing
    )
    if isinstance(found, NoPatch):
        return found
    face, bow = found
    if bow is not None:
        return NoPatch("a slot or rectangle on curved sheet can't be measured from edges")
    surface = SurfaceIndex.build(nominal, triangles=face)
    corner = 0.0 if shape.round_ends else spec.corner_radius + CORNER_SPACINGS * spacing
    if not shape.round_ends and min(shape.length, shape.width) < 2.0 * corner + 4.0 * spacing:
        return NoPatch("between its corners the sides are too short for the point spacing")
    outline = SlotOutline(0.0, 0.0, 0.0, shape.length, shape.width, shape.round_ends, corner)
    bare = Sheet(face, centre, along, across, axis, outline, np.zeros(0))
    what = "such a slot there" if spec.kind == "slot" else "such a rectangle there"
    return _checked(replace(bare, room=_room(surface, bare, spacing)), surface, what)


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
        bare = Sheet(best, point, along, side * across, normal, outline, np.zeros(0))
        made.append(replace(bare, room=_room(surface, bare, spacing)))
    return _checked(max(made, key=lambda s: float(np.median(s.room))), surface, "a straight edge along this line")


def _room(surface: SurfaceIndex, sheet: Sheet, spacing: float) -> Floats:
    """Depth of material at even places along the outline, mm, as far as it matters."""
    outline = sheet.outline
    along = (np.arange(PLACES, dtype=np.float64) + 0.5) * (outline.length / PLACES)
    places = outline.at(along)
    depths = (np.arange(STEPS, dtype=np.float64) + 1.0) * (DEEPEST_SPACINGS * spacing / STEPS)
    flat = places.points[:, None, :] + depths[None, :, None] * places.into_material[:, None, :]
    points = sheet.lifted(flat.reshape(-1, 2))
    away = np.abs(surface.closest(points).distance).reshape(PLACES, STEPS)
    on_sheet = away <= sheet.off_sheet
    first_off = np.where(on_sheet.all(axis=1), STEPS, np.argmin(on_sheet, axis=1))
    return np.where(first_off == 0, 0.0, depths[np.maximum(first_off - 1, 0)])


def _checked(sheet: Sheet, surface: SurfaceIndex, what: str) -> Sheet | NoPatch:
    """Refuse an outline that does not run along the border of the face."""
    along = (np.arange(PLACES, dtype=np.float64) + 0.5) * (sheet.outline.length / PLACES)
    places = sheet.outline.at(along)
    step = 0.1
    inside = sheet.lifted(places.points + step * places.into_material)
    outside = sheet.lifted(places.points - step * places.into_material)
    is_in = np.abs(surface.closest(inside).distance) <= sheet.off_sheet
    is_out = np.abs(surface.closest(outside).distance) > sheet.off_sheet
    share = float((is_in & is_out).mean())
    if share < LEAST_ROOM_SHARE:
        return NoPatch(f"the border of the face there is not {what}")
    return sheet
