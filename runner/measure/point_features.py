"""Surface points: where the scanned surface meets a line through a nominal place, from the points around it.

The nominal's own shape is taken off first: what is averaged is the displacement of the surface from nominal along the
line, which is smooth, so that neither curvature nor the choice of the neighbourhood bends the result. A straight fit
over the neighbourhood, read on the line, keeps the noise of the mean and is not deceived by a slope.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from runner.geometry.frames import invert, move_points, perpendicular, turn_vectors, unit
from runner.geometry.mesh import KEPT, Floats, Nominal
from runner.geometry.pseudonormals import adjacency
from runner.geometry.shapes import Point, vector
from runner.measure.detached import detached
from runner.measure.element import array
from runner.measure.found import FoundFeature
from runner.measure.scene import Scene
from runner.measure.sided import closest_facing, nominal_normals
from runner.measure.specs import FeatureSpec

AROUND_SPACINGS = 3.0
"""Radius of the neighbourhood: some 28 points, which take the noise of one to a fifth."""
WIDER = (1.0, 1.5, 2.25)
"""Where the scan is thinner than elsewhere the neighbourhood is widened by these factors, until it holds enough."""
ENOUGH = 12
LEAST_SPACINGS = 1.5
"""An edge nearer than this leaves too few points on the surface around the place."""
LEAST_POINTS = 6
SHARP = float(np.radians(25.0))
"""Faces that turn from one another by more end at the edge between them."""
SAME_SURFACE = 0.7
"""Cosine of 45 degrees: nominal surface that turns away more takes no part."""
STEEPEST = 0.34
"""Cosine of 70 degrees: a line that meets the surface at less than 20 degrees doesn't tell where it is."""
OFF_NOMINAL = 0.1
"""mm: a stated place may lie this far off the nominal along its line (rounded lists, a mesh for a nominal)."""
WIDEST_GAP = float(np.radians(170.0))
"""Points all round the line but for a gap of this: otherwise the scan ends there."""
ROUNDS = 3
LAYERS = 8.0
"""Two groups of points farther apart than this many scatters are two surfaces."""


@dataclass(frozen=True, eq=False)
class Met:
    """Where the scanned surface meets a line."""

    deviation: float
    """mm along the line from the stated place."""
    rows: NDArray[np.int64]
    """Rows of the scene that were used."""
    standard: float
    """mm, standard deviation from the scatter of the points."""
    rms: float
    """mm, of the points about the fitted surface."""
    radius: float
    """mm, of the neighbourhood."""
    left_out: int
    """Isolated points."""


def measure_point_feature(spec: FeatureSpec, nominal: Nominal, scene: Scene) -> FoundFeature:
    """Measure one surface point in the fitted frame."""
    if not isinstance(spec.shape, Point) or spec.normal is None:
        return FoundFeature(spec, None, reason="a surface point needs a place and a normal")
    met = meet(
        array(spec.shape.point),
        array(spec.normal),
        array(spec.direction or spec.normal),
        spec.search,
        nominal,
        scene,
        np.eye(4),
    )
    if isinstance(met, str):
        return FoundFeature(spec, None, reason=met)
    way = unit(array(spec.direction or spec.normal))
    place = array(spec.shape.point) + met.deviation * way
    found = FoundFeature(
        spec,
        Point(vector(place)),
        rows=met.rows,
        points=scene.points[met.rows],
        coverage=1.0,
        rejected=met.left_out,
        notes=(f"surface within {met.radius:.2f} mm of its line, {len(met.rows)} points",),
    )
    least = spec.least_points
    if len(met.rows) < least:
        return replace(found, reason=f"only {len(met.rows)} points around it; at least {least} are needed")
    return found


def locate_point(spec: FeatureSpec, nominal: Nominal, spacing: float) -> str:
    """Return why a surface point can't be measured on this nominal with this point spacing; nothing when it can."""
    if not isinstance(spec.shape, Point) or spec.normal is None:
        return "a surface point needs a place and a normal"
    return where_on_nominal(
        array(spec.shape.point), array(spec.normal), array(spec.direction or spec.normal), nominal, spacing
    )[2]


def where_on_nominal(
    at: Floats, normal: Floats, along: Floats, nominal: Nominal, spacing: float
) -> tuple[float, float, str]:
    """Return how far, mm, the nominal lies along the line from a stated place, how far the next edge, and why not."""
    normal, along = unit(normal), unit(along)
    if abs(float(along @ normal)) < STEEPEST:
        return 0.0, 0.0, "its direction runs along the surface: the surface can't be found along it"
    off = _nominal_offset(at, along, normal, nominal)
    if isinstance(off, str):
        return 0.0, 0.0, off
    edge = sharp_edges(nominal).nearest(at + off * along, WIDER[-1] * AROUND_SPACINGS * spacing)
    if not edge >= LEAST_SPACINGS * spacing:
        text = f"an edge of the surface lies {edge:.2f} mm away, nearer than {LEAST_SPACINGS:g} point spacings"
        return off, edge, text
    return off, edge, ""


def meet(
    at: Floats,
    normal: Floats,
    along: Floats,
    search: float,
    nominal: Nominal,
    scene: Scene,
    move: Floats,
) -> Met | str:
    """Return where the surface of the scan, moved by ``move`` (4, 4), meets the line through ``at``; or why nowhere.

    Parameters
    ----------
    at, normal, along : (3,) stated place, outward normal there, direction of the line; nominal frame.
    search : mm along the line.
    """
    normal, along = unit(normal), unit(along)
    off, edge, why = where_on_nominal(at, normal, along, nominal, scene.spacing)
    if why:
        return why
    on_nominal = at + off * along
    wanted = AROUND_SPACINGS * scene.spacing
    for factor in WIDER:
        radius = min(factor * wanted, edge)
        picked = _around(on_nominal, normal, along, search, radius, nominal, scene, move)
        if not isinstance(picked, str) and len(picked[0]) >= ENOUGH:
            break
    if isinstance(picked, str):
        return picked
    rows, places, deviation, left_out = picked
    flat = _across(places - on_nominal, along)
    trouble = _not_around(flat) or _two_layers(deviation, scene.spacing)
    if trouble:
        return trouble
    table = np.column_stack([np.ones(len(flat)), flat])
    solution = np.linalg.lstsq(table, deviation, rcond=None)[0]
    rest = deviation - table @ solution
    sigma = float(np.sqrt(rest @ rest / max(len(rest) - 3, 1)))
    weight = np.linalg.pinv(table.T @ table)[0, 0]
    value = float(off + solution[0])
    if abs(value) > search:
        return f"the surface lies {value:+.2f} mm from its place, beyond the search of {search:g} mm"
    rms = float(np.sqrt(np.mean(rest**2)))
    return Met(value, rows, sigma * float(np.sqrt(weight)), rms, radius, left_out)


def _nominal_offset(at: Floats, along: Floats, normal: Floats, nominal: Nominal) -> float | str:
    """How far along the line, mm, the nominal lies from the stated place."""
    offset = 0.0
    for _ in range(2 * ROUNDS):
        found = [c for rows, c in closest_facing(nominal, (at + offset * along)[None], normal[None], 10.0) if len(rows)]
        if not found:
            return "the nominal has no surface there that looks along its normal"
        slope, away = float(found[0].normal[0] @ along), float(found[0].distance[0])
        if abs(slope) < STEEPEST:
            return "the nominal's surface there runs along its direction"
        offset -= away / slope
    if abs(away) > 1e-3 or abs(offset) > OFF_NOMINAL:
        return f"its place lies {abs(offset):.3f} mm off the nominal's surface"
    if float(found[0].normal[0] @ normal) < SAME_SURFACE:
        turn = float(np.degrees(np.arccos(np.clip(found[0].normal[0] @ normal, -1.0, 1.0))))
        return f"its normal is {turn:.0f} deg off the nominal's there"
    return offset


def _around(
    at: Floats,
    normal: Floats,
    along: Floats,
    search: float,
    radius: float,
    nominal: Nominal,
    scene: Scene,
    move: Floats,
) -> tuple[NDArray[np.int64], Floats, Floats, int] | str:
    """Rows, moved places (n, 3) and deviations (n,) along the line of the points around it, isolated ones left out."""
    back = invert(move)
    ends = move_points(back, np.array([at - search * along, at + search * along]))
    rows = scene.cells.in_box(scene.points, ends.min(axis=0) - radius, ends.max(axis=0) + radius)
    if not len(rows):
        return "not seen: the scan has no points there"
    places = move_points(move, scene.points[rows])
    offset = places - at
    near = np.linalg.norm(_across(offset, along), axis=1) <= radius
    near &= np.abs(offset @ along) <= search + radius
    if scene.normals is not None:
        agreement = turn_vectors(move, scene.normals[rows]) @ normal
        near &= (agreement if scene.normals_signed else np.abs(agreement)) >= 0.5
    rows, places = rows[near], places[near]
    if not len(rows):
        return "not seen: the scan has no points there whose surface looks its way"
    kept = scene.removed[rows] == KEPT
    if not kept.any():
        return f"the {len(rows)} points there were removed as not belonging to the part"
    lonely = scene.specks[rows]
    left_out = int(lonely.sum())
    rows, places = rows[kept & ~lonely], places[kept & ~lonely]
    if not scene.normals_signed:
        # without signed normals the nominal decides on which side of a thin sheet a point lies
        facing = nominal_normals(nominal)[scene.triangle[rows]] @ normal
        rows, places = rows[facing >= 0.5], places[facing >= 0.5]
    deviation, good = _deviations(places, along, normal, nominal, 2.0 * (search + radius))
    good &= np.abs(deviation) <= search
    rows, places, deviation = rows[good], places[good], deviation[good]
    alone = detached(places, deviation, scene.spacing)
    rows, places, deviation = rows[~alone], places[~alone], deviation[~alone]
    left_out += int(alone.sum())
    if len(rows) < LEAST_POINTS:
        return f"only {len(rows)} points within {radius:.2f} mm of its line; at least {LEAST_POINTS} are needed"
    return rows, places, deviation, left_out


def _deviations(
    places: Floats, along: Floats, normal: Floats, nominal: Nominal, reach: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """Displacements (n,) along a direction from the nominal that looks its way, and for which points (n,) they exist.

    On thin sheet that is off by more than half its thickness the nearest surface would be the other side.
    """
    deviation = np.zeros(len(places))
    good = np.ones(len(places), dtype=bool)
    facing = np.broadcast_to(normal, places.shape)
    for _ in range(ROUNDS):
        step, met = np.zeros(len(places)), np.zeros(len(places), dtype=bool)
        for rows, closest in closest_facing(nominal, places - deviation[:, None] * along, facing, reach):
            slope = closest.normal @ along
            usable = (np.abs(slope) >= STEEPEST) & (closest.normal @ normal >= SAME_SURFACE)
            step[rows[usable]] = closest.distance[usable] / slope[usable]
            met[rows[usable]] = True
        good &= met
        deviation = deviation + np.where(good, step, 0.0)
    return deviation, good


def _across(offset: Floats, along: Floats) -> Floats:
    """Components (n, 2) of offsets across a unit direction."""
    u, v = perpendicular(along)
    return np.column_stack([offset @ u, offset @ v])


def _not_around(flat: Floats) -> str:
    """Why points (n, 2) don't surround the line, or nothing."""
    angle = np.sort(np.arctan2(flat[:, 1], flat[:, 0]))
    gap = float(np.diff(np.concatenate([angle, [angle[0] + 2 * np.pi]])).max())
    return "the scan ends there: its points lie on one side of the place only" if gap > WIDEST_GAP else ""


def _two_layers(deviation: Floats, spacing: float) -> str:
    """Why the points around the line are not one surface, or nothing."""
    order = np.sort(deviation)
    steps = np.diff(order)
    k = int(np.argmax(steps))
    fewer = min(k + 1, len(order) - k - 1)
    scatter = max(float(order[: k + 1].std()), float(order[k + 1 :].std()), 0.02 * spacing)
    if fewer >= 3 and float(steps[k]) > LAYERS * scatter:
        return f"two surfaces {steps[k]:.2f} mm apart lie there: which of them is meant can't be told"
    return ""


class Edges:
    """Sharp edges of a nominal as segments."""

    def __init__(self, segments: Floats) -> None:
        """Take segments (k, 2, 3)."""
        self._segments = segments
        self._low = segments.min(axis=1) if len(segments) else np.zeros((0, 3))
        self._high = segments.max(axis=1) if len(segments) else np.zeros((0, 3))

    def nearest(self, at: Floats, reach: float) -> float:
        """Return the distance, mm, from a point (3,) to the nearest segment, or inf beyond ``reach``."""
        close = np.all((at >= self._low - reach) & (at <= self._high + reach), axis=1)
        if not close.any():
            return float(np.inf)
        start, way = self._segments[close, 0], self._segments[close, 1] - self._segments[close, 0]
        square = np.maximum(np.einsum("ij,ij->i", way, way), 1e-30)
        share = np.clip(np.einsum("ij,ij->i", at - start, way) / square, 0.0, 1.0)
        nearest = float(np.linalg.norm(start + share[:, None] * way - at, axis=1).min())
        return nearest if nearest <= reach else float(np.inf)


@lru_cache(maxsize=8)
def sharp_edges(nominal: Nominal) -> Edges:
    """Return the edges at which the nominal's surface ends or turns sharply; kept for the next part."""
    if nominal.source == "step":
        table = nominal.edges
        pieces = []
        for e in range(len(table)):
            if np.isfinite(table.angle[e]) and table.angle[e] < SHARP:
                continue
            line = table.points[table.offsets[e] : table.offsets[e + 1]]
            pieces.append(np.stack([line[:-1], line[1:]], axis=1))
        return Edges(np.vstack(pieces) if pieces else np.zeros((0, 2, 3)))
    mesh = nominal.mesh
    around = adjacency(mesh)
    normals = around.triangle_normal
    pieces = []
    for k in range(3):
        other = around.neighbour[:, k]
        turn = np.einsum("ij,ij->i", normals, normals[np.maximum(other, 0)])
        sharp = (other < 0) | (turn < np.cos(SHARP))
        ends = mesh.triangles[sharp][:, [k, (k + 1) % 3]]
        pieces.append(mesh.vertices[ends])
    return Edges(np.vstack(pieces))
