"""Features from edges: circles, slots and straight edges of sheet, located by counting and refined by the bare fringe.

The raw value, from the outermost points, is given beside the corrected one, with the correction and its uncertainty.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from runner.geometry.distance import SurfaceIndex
from runner.geometry.fits import FailedFit, fit_plane
from runner.geometry.frames import unit
from runner.geometry.mesh import KEPT, TABLE, Floats, Nominal
from runner.geometry.shapes import Circle, Line, Plane, Shape, Slot, vector
from runner.measure.border import BorderFit, fit_border
from runner.measure.cells import make_cells, typical_spacing
from runner.measure.edge_loss import with_loss
from runner.measure.edge_points import beyond, measure_edge_point, measure_trim_edge
from runner.measure.edges import cloud_boundary
from runner.measure.element import array
from runner.measure.extract import AGREEMENT
from runner.measure.found import FoundFeature
from runner.measure.outline import CircleOutline, LineOutline, Outline, SlotOutline, even_place
from runner.measure.scene import Scene
from runner.measure.sheet import DEEPEST_SPACINGS, Sheet, find_sheet
from runner.measure.specks import isolated
from runner.measure.specs import FeatureSpec, MeasurePlan
from runner.measure.unseen import without_unseen

LEAST_BESIDE = 60
"""Points on the sheet beside the edge that the density needs."""
SHEET_BAND = 4.0
"""Points within this many standard deviations of the fitted sheet belong to it."""
LEAST_BAND = 0.01
"""mm: the band is never narrower."""
SEEN_SPACINGS = 2.5
"""A place of the edge is covered when a sheet point lies within this many spacings of it."""
UPPER = 0.5
"""Where the wall is seen: only points above this many standard deviations below the sheet are sure to be none of it."""
WALL_DEPTH = 1.2
"""mm: below the depth that still counts as the edge (``edge_depth``) the wall is looked for, down to here."""
HALF = 0.55
"""A circle seen over less of its turn, in one piece, is not measured; an arc is."""
STEEP = 0.5
"""A wall's normal leans less than this cosine to the sheet's."""
MOST_FILLED = 0.1
"""Beyond the edge there may be this share of the sheet's own density, no more, or the edge can't be told."""


def measure_edge_feature(
    spec: FeatureSpec, plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex, scene: Scene
) -> FoundFeature:
    """Measure one feature from the edge of the sheet beside it."""
    del index
    if spec.kind == "trim edge":
        return measure_trim_edge(spec, plan, nominal, scene)
    if spec.kind == "edge point":
        return measure_edge_point(spec, plan, nominal, scene)
    if spec.shape is None:
        return FoundFeature(spec, None, reason="the feature has no nominal element")
    spacing = scene.spacing if scene.spacing > 0 else plan.spacing
    sheet = find_sheet(spec, nominal, spacing)
    if not isinstance(sheet, Sheet):
        return FoundFeature(spec, None, reason=sheet.reason)
    rows = _around(sheet, spec, scene, spacing)
    base = FoundFeature(spec, None)
    if len(rows) < LEAST_BESIDE:
        few = "the sheet beside the edge was not seen" if len(rows) < 10 else f"only {len(rows)} points beside the edge"
        return replace(base, reason=few)
    speck = isolated(scene.points[rows], spacing)
    rows, rejected = rows[~speck], int(speck.sum())
    plane = _local_plane(sheet, sheet.levelled(scene.points[rows]), sheet.height(scene.points[rows]), spec.search)
    if isinstance(plane, str):
        return replace(base, reason=plane)
    fitted, sigma = plane
    local = _in_plane(sheet, fitted)
    band = max(SHEET_BAND * sigma, LEAST_BAND)
    height = local.height(scene.points[rows])
    flat = local.flat(scene.points[rows])
    on_sheet = np.abs(height) <= band
    # a wall point just below the edge can't be told from the sheet: as many stand in the band as in the next one below
    just_below = (height < -band) & (height >= -2.0 * band)
    taken = scene.removed[rows] == KEPT
    other = _other_surface(sheet.outline, flat[on_sheet], taken[on_sheet], scene.removed[rows][on_sheet], spec.search)
    if other:
        hint = "" if scene.normals_signed else " (the scan has no normals that would tell their sides)"
        return replace(base, rows=rows[on_sheet], points=scene.points[rows[on_sheet]], reason=other + hint)
    on_sheet &= taken
    used = rows[on_sheet]
    if len(used) < LEAST_BESIDE:
        return replace(base, reason=f"only {len(used)} points beside the edge lie in one plane")
    own_spacing = _spacing_beside(sheet.outline, flat[on_sheet], spacing)
    near_wall = np.abs(np.nan_to_num(sheet.outline.locate(flat).depth, nan=np.inf)) <= spec.search + 2 * own_spacing
    wall = just_below & near_wall
    points = np.vstack([flat[on_sheet], flat[wall]])
    weights = np.concatenate([np.ones(int(on_sheet.sum())), -np.ones(int(wall.sum()))])
    border = fit_border(sheet.outline, points, weights, own_spacing, sheet.room, spec.search)
    base = replace(base, rows=used, points=scene.points[used], rejected=rejected)
    if isinstance(border, str):
        wide = fit_border(sheet.outline, points, weights, own_spacing, sheet.room, spec.search, anywhere=True)
        if not isinstance(wide, str):
            away = _displacement(sheet.outline, wide.outline)
            seen = _coverage(wide.outline, flat[on_sheet], own_spacing, sheet.room)
            if away > spec.search and seen >= spec.least_coverage:
                return replace(base, reason=beyond(away, spec.search))
        return replace(base, reason=border)
    told = border.told
    steep = _steep(scene, rows, sheet.normal)
    border = _refined(border, sheet, flat, height, taken, sigma, band, own_spacing, steep, spec.edge_depth)
    border = replace(border, outline_is_material=isinstance(border.outline, CircleOutline) and not border.outline.hole)
    coverage = min(_coverage(border.outline, flat[on_sheet], own_spacing, sheet.room, border.unseen), told)
    if spec.kind == "circle" and coverage < HALF and border.widest_gap > np.pi:
        # one side alone holds a diameter badly, and the end of a scan there would pass for the rest of the edge
        return replace(
            base, reason=f"only {coverage:.0%} of the edge was seen, on one side: that does not hold a circle"
        )
    border, raw_note = _with_raw(border, local, scene, used, flat[on_sheet], own_spacing)
    shape = _shape(spec, border.outline, local)
    edge_rows = _edge_points(border.outline, flat[on_sheet], own_spacing)
    found = replace(
        base, shape=shape, border=border, coverage=coverage, rows=used[edge_rows], points=scene.points[used[edge_rows]]
    )
    trouble = _trouble(spec, _displacement(sheet.outline, border.outline), found, coverage)
    return replace(found, reason=trouble, notes=(raw_note,) if not trouble else ())


def _steep(scene: Scene, rows: NDArray[np.int64], normal: Floats) -> NDArray[np.bool_]:
    """Which points may be the wall's by their normals; all where there are none."""
    if scene.normals is None:
        return np.ones(len(rows), dtype=bool)
    found: NDArray[np.bool_] = np.abs(scene.normals[rows] @ normal) < STEEP
    return found


def _refined(
    border: BorderFit,
    sheet: Sheet,
    flat: Floats,
    height: Floats,
    taken: NDArray[np.bool_],
    sigma: float,
    band: float,
    spacing: float,
    steep: NDArray[np.bool_],
    edge_depth: float,
) -> BorderFit:
    """The counted border refined by the fringe, by the wall where it was seen, and for points lost beside the edge."""
    depth = min(edge_depth, 0.5 * sheet.thickness)
    below = max(depth, 2.0 * band)
    wall = flat[taken & steep & (height < -below) & (height > -min(WALL_DEPTH, sheet.thickness - band))]
    material = taken & (height >= -depth)
    fringe = flat[material]
    own = _spacing_beside(sheet.outline, flat[material & (np.abs(height) <= band)], spacing)
    made = without_unseen(border, fringe, own, sheet.room, wall, sigma)
    if made is None:
        return border
    if made.border.walls > 0.0 or not made.settled:
        return made.doubted(made.border)
    return made.doubted(with_loss(made.border, fringe, own, sigma, sheet.room, made.course))


def _around(sheet: Sheet, spec: FeatureSpec, scene: Scene, spacing: float) -> NDArray[np.int64]:
    """Rows of the points around the outline that may belong to the sheet or to the wall below its edge."""
    along = np.linspace(0.0, sheet.outline.length, 361)
    places = sheet.lifted(sheet.outline.at(np.minimum(along, sheet.outline.length * (1 - 1e-9))).points)
    reach = spec.search + (DEEPEST_SPACINGS + 2.0) * spacing
    rows = scene.cells.in_box(scene.points, places.min(axis=0) - reach, places.max(axis=0) + reach)
    rows = rows[np.abs(sheet.height(scene.points[rows])) <= max(spec.search, WALL_DEPTH)]
    if scene.normals is not None and len(rows):
        # points of the sheet's other side and of what lies under it; the wall stays, it is needed
        toward = scene.normals[rows] @ sheet.normal
        if scene.normals_signed:
            rows = rows[toward > -AGREEMENT]
    if not len(rows):
        return rows
    depth = sheet.outline.locate(sheet.flat(scene.points[rows])).depth
    return rows[np.isfinite(depth) & (depth >= -spec.search - 3 * spacing) & (depth <= DEEPEST_SPACINGS * spacing)]


def _local_plane(sheet: Sheet, points: Floats, height: Floats, search: float) -> tuple[Plane, float] | str:
    """The sheet as it lies beside the edge and its points' scatter; points and heights without the nominal's bow."""
    depth = sheet.outline.locate(sheet.flat(points)).depth
    chosen = depth > 0
    if chosen.sum() < LEAST_BESIDE // 2:
        return "the sheet beside the edge was not seen"
    # the sheet is where most points stand: the fullest band of heights, before anything is fitted
    level = np.median(height[chosen])
    width = max(1.4826 * float(np.median(np.abs(height[chosen] - level))), 1e-4)
    chosen &= np.abs(height - level) <= max(6.0 * width, 0.05)
    start = Plane(vector(sheet.origin), vector(sheet.normal))
    sigma = 0.0
    fit = fit_plane(points[chosen], start)
    for _ in range(3):
        if isinstance(fit, FailedFit):
            return fit.reason
        normal = array(fit.shape.normal)
        away = (points - array(fit.shape.point)) @ normal
        inside = np.abs(away[chosen])
        sigma = float(1.4826 * np.median(inside)) if len(inside) else 0.0
        chosen = (depth > 0) & (np.abs(away) <= max(SHEET_BAND * sigma, LEAST_BAND))
        if chosen.sum() < LEAST_BESIDE // 2:
            return "the points beside the edge don't lie in one plane"
        fit = fit_plane(points[chosen], start)
    if isinstance(fit, FailedFit):
        return fit.reason
    shift = abs(float((array(fit.shape.point) - sheet.origin) @ sheet.normal))
    if shift > search:
        return beyond(shift, search)
    return fit.shape, max(sigma, fit.rms)


def _in_plane(sheet: Sheet, plane: Plane) -> Sheet:
    """The same sheet with its plane as found; the axes stay along the nominal ones."""
    normal = array(plane.normal)
    normal = normal if normal @ sheet.normal > 0 else -normal
    origin = sheet.origin - float((sheet.origin - array(plane.point)) @ normal) * normal
    u = unit(sheet.u - (sheet.u @ normal) * normal)
    v = np.cross(normal, u)
    if v @ sheet.v < 0:
        v = -v
    return replace(sheet, origin=origin, u=u, v=v, normal=normal)


def _other_surface(
    outline: Outline, flat: Floats, taken: NDArray[np.bool_], removed: NDArray[np.uint8], search: float
) -> str:
    """Why the border can't be told from another surface in the sheet's plane, or empty.

    Looks at points (n, 2) of the plane. Beyond the farthest place where the edge may be there must be none. What
    clean-up called table was called so by the nominal: it would put the border where the nominal has it.
    """
    depth = outline.locate(flat).depth
    inner = float(np.count_nonzero(depth > search)) / max(_area(outline, search, float(np.nanmax(depth))), 1e-9)
    deepest = float(np.nanmin(depth))
    beyond = _area(outline, deepest, -search) * inner
    found = int(np.count_nonzero(depth < -search))
    labelled = int(np.count_nonzero(~taken & (np.abs(depth) <= search)))
    along = _area(outline, -search, search) * inner
    most = removed[~taken & (depth <= search)]
    name = "the table" if len(most) and np.mean(most == TABLE) > 0.5 else "another surface"
    if beyond >= 5.0 and found > MOST_FILLED * beyond + 3.0:
        return f"{name} lies in the plane of the edge and fills the place beyond it: the border can't be told"
    if labelled > MOST_FILLED * along + 3.0:
        return f"points removed as {name}'s lie in the plane of the edge: the border can't be told"
    return ""


def _area(outline: Outline, start: float, end: float) -> float:
    """Area between two depths beside an outline, mm^2."""
    if end <= start:
        return 0.0
    places = outline.at((np.arange(180, dtype=np.float64) + 0.5) * (outline.length / 180))
    steps = start + (np.arange(20, dtype=np.float64) + 0.5) * ((end - start) / 20)
    share = np.maximum(1.0 + places.curvature[:, None] * steps, 0.0)
    return float(share.mean() * outline.length * (end - start))


def _spacing_beside(outline: Outline, flat: Floats, usual: float) -> float:
    """Root of the area per point on the sheet beside the edge, mm."""
    depth = outline.locate(flat).depth
    inner = flat[depth > 2.0 * usual]
    if len(inner) < LEAST_BESIDE // 2:
        return usual
    raised = np.column_stack([inner, np.zeros(len(inner))])
    found = typical_spacing(raised, make_cells(raised))
    return found if found > 0 else usual


def _coverage(
    outline: Outline, flat: Floats, spacing: float, room: Floats, unseen: NDArray[np.bool_] | None = None
) -> float:
    """Share of the border that carries points, and does not stand in from the rest (``unseen`` (u,), even places)."""
    from scipy.spatial import cKDTree

    along = (np.arange(len(room), dtype=np.float64) + 0.5) * (outline.length / len(room))
    places = outline.at(along)
    distance = np.asarray(cKDTree(flat).query(places.points + 0.5 * spacing * places.into_material)[0])
    wanted = room > 0
    seen = distance <= SEEN_SPACINGS * spacing
    if unseen is not None:
        seen &= ~unseen[even_place(along, outline.length, len(unseen))]
    return float(seen[wanted].mean()) if wanted.any() else 0.0


def _edge_points(outline: Outline, flat: Floats, spacing: float) -> NDArray[np.bool_]:
    """The points at the border itself: what is shown as the feature's points."""
    located = outline.locate(flat)
    near: NDArray[np.bool_] = np.isfinite(located.along) & (np.abs(located.depth) <= 4.0 * spacing)
    return near


def _with_raw(
    border: BorderFit, sheet: Sheet, scene: Scene, rows: NDArray[np.int64], flat: Floats, spacing: float
) -> tuple[BorderFit, str]:
    """Add what the outermost points alone would say, and the ovality that stands out of the scatter."""
    if scene.triangles is not None:
        boundary = scene.on_boundary[rows]
        # where the wall was seen too, the mesh has no boundary at the edge
        if not boundary.any():
            boundary = cloud_boundary(flat)
    else:
        boundary = cloud_boundary(flat)
    located = border.outline.locate(flat)
    outermost = boundary & np.isfinite(located.depth) & (np.abs(located.depth) <= 2.5 * spacing)
    short = float(np.mean(located.depth[outermost])) if outermost.any() else float("nan")
    outline = border.outline
    del sheet
    ovality = 0.0
    if isinstance(outline, CircleOutline):
        # points stop short of a hole by `short`: they show it larger; of a disc: smaller
        raw = 2.0 * (outline.radius + (short if outline.hole else -short))
        correction = 2.0 * outline.radius - raw
        angle = border.along / outline.radius
        if len(angle) >= 8 and outline.closed:
            pair = np.column_stack([np.cos(2 * angle), np.sin(2 * angle)])
            second = 2.0 * (pair.T @ border.offsets) / len(angle)
            scatter = 2.0 * border.rms**2 / len(angle) * border.shared
            square = float(second @ second)
            ovality = float(np.sqrt(square - 2 * scatter)) if square > 13.8 * scatter else 0.0
    elif isinstance(outline, SlotOutline):
        raw, correction = outline.width + 2.0 * short, -2.0 * short
    else:
        raw, correction = short, -short
    if not np.isfinite(raw):
        raw, correction = float("nan"), 0.0
        text = "no boundary points stand at the edge"
    else:
        text = f"outermost points alone: {raw:.4f} mm; correction {correction:+.4f} mm"
    way = "seen in strips" if border.by_fringe else "counted in cells"
    text += f", standard uncertainty {border.size_standard:.4f} mm; {way}, {len(border.along)} of {border.cells}"
    if border.unseen is not None and border.unseen.any():
        text += f"; {border.unseen.mean():.0%} of the edge stands in from the rest by more than form: taken as not seen"
    return replace(border, raw_size=raw, correction=correction, ovality=ovality), text


def _shape(spec: FeatureSpec, outline: Outline, sheet: Sheet) -> Shape:
    """The measured element in space."""
    if isinstance(outline, CircleOutline):
        centre = replace(sheet, bow=None).lifted(np.array([[outline.x, outline.y]]))[0]
        return Circle(vector(centre), vector(sheet.normal), float(outline.radius))
    if isinstance(outline, SlotOutline):
        assert isinstance(spec.shape, Slot)
        centre = sheet.lifted(np.array([[outline.x, outline.y]]))[0]
        along = np.cos(outline.turn) * sheet.u + np.sin(outline.turn) * sheet.v
        return Slot(
            vector(centre),
            vector(sheet.normal),
            vector(along),
            float(outline.overall),
            float(outline.width),
            spec.shape.round_ends,
        )
    assert isinstance(outline, LineOutline)
    ends = sheet.lifted(np.array([[0.0, outline.offset], [1.0, outline.offset + outline.slope]]))
    return Line(vector(ends[0]), vector(unit(ends[1] - ends[0])))


def _displacement(nominal: Outline, found: Outline) -> float:
    """How far, at most, the border found lies from the nominal one, mm; corners don't count."""
    along = (np.arange(180, dtype=np.float64) + 0.5) * (found.length / 180)
    usable = getattr(found, "usable", None)
    if usable is not None and usable(along).any():
        along = along[usable(along)]
    away = np.abs(nominal.locate(found.at(along).points).depth)
    return float(np.nanmax(away)) if np.isfinite(away).any() else float("inf")


def _trouble(spec: FeatureSpec, away: float, found: FoundFeature, coverage: float) -> str:
    """Why it must not be used, or empty; ``away``: how far the border lies from nominal, mm."""
    if coverage < spec.least_coverage:
        return f"only {coverage:.0%} of the edge was seen; at least {spec.least_coverage:.0%} is needed"
    least = spec.least_points or 12
    if len(found.points) < least:
        return f"only {len(found.points)} points at the edge; at least {least} are needed"
    return beyond(away, spec.search) if away > spec.search else ""
