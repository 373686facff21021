"""Profile of a line: in each section, twice the largest deviation from the nominal outline, measured in its plane.

Every section stands for itself (ISO 1101:2017, 17.7; ISO 1660:2017): movements in its plane that the datums leave free,
all three without datums, are taken where its zone needs least, unless the zones hold together: then all sections and
requirements take one movement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits.filters import ALPHA
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.measure.characteristics.common import Context, Finding, Missing, Value, datum_movement
from runner.measure.characteristics.form import judged_as
from runner.measure.characteristics.noise_part import one_sided_details
from runner.measure.characteristics.patterns import Member, Placed, freedom, movement_details, shared_frame
from runner.measure.characteristics.profile import LEAST_GAIN, LEAST_REACH, REACH_IN_ZONES, profile_value
from runner.measure.cross_section import Cut, Seen, compare, cut_scan, locate_section
from runner.measure.element import array
from runner.measure.free_motion import Uses, best_movement
from runner.measure.outline_cut import FLATTEST, Frame, Outline, outline_of
from runner.measure.patch import NoPatch, find_patch
from runner.measure.sided import nominal_normals
from runner.measure.specs import CharacteristicSpec, FeatureSpec
from runner.measure.twists import felt_space, null_space, rows_of_points

MOST_SECTIONS = 200
SECTIONS = 9
"""Of a surface where the recipe gives no step."""
LEAST_POINTS = 8
BINS = 8
"""Bins per cut-off in which points are put together before they are filtered."""
WINDOW = 1.1
"""Cut-offs beyond which the weight is left out."""


@dataclass(frozen=True, eq=False)
class Section:
    """One section that is judged."""

    name: str
    outline: Outline
    here: NDArray[np.bool_]
    """(m,) segments of the outline that are meant."""
    least_coverage: float
    """Share of it without which ``conforms`` is not said."""


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the profile deviation of every section of every feature named, mm."""
    start = datum_movement(spec, context)
    if isinstance(start, Missing):
        return [start]
    together = shared_frame(spec, context)
    if together is not None and together.refused:
        return [Missing(name, together.refused) for name in spec.features]
    found: list[Finding] = []
    for name in spec.features:
        sections = _sections(spec, context, name)
        if isinstance(sections, str):
            found.append(Missing(name, sections))
            continue
        found += [_one(spec, context, section, start, together) for section in sections]
    return found


def _sections(spec: CharacteristicSpec, context: Context, name: str) -> list[Section] | str:
    """The sections of a feature: its own plane, or planes across a stated direction."""
    feature = context.specs.get(name)
    if feature is None:
        return f'there is no feature "{name}"'
    if feature.kind == "cross-section":
        located = locate_section(feature, context.nominal, context.scene.spacing)
        return located if isinstance(located, str) else [Section(name, *located, feature.least_coverage)]
    return _sections_across(spec, context, feature)


def _sections_across(spec: CharacteristicSpec, context: Context, feature: FeatureSpec) -> list[Section] | str:
    """Planes ``step`` apart across the stated direction, over the extent of a surface."""
    if spec.direction is None:
        return "the sections of a surface need the direction that they are square to"
    patch = find_patch(feature, context.nominal, max(context.scene.spacing, 1e-3))
    if isinstance(patch, NoPatch):
        return patch.reason
    way = unit(array(spec.direction))
    corners = context.nominal.mesh.vertices[np.unique(context.nominal.mesh.triangles[patch.triangles])]
    low, high = float((corners @ way).min()), float((corners @ way).max())
    step = spec.step if spec.step is not None else (high - low) / SECTIONS
    if not step > 0 or (high - low) < 1e-3:
        return "it has no extent along the direction of its sections"
    count = max(1, int((high - low) / step + 1e-9))
    if count > MOST_SECTIONS:
        return f"a step of {step:g} mm makes {count} sections; at most {MOST_SECTIONS} are judged"
    # centred, half a step or more from both ends
    first = 0.5 * (low + high) - 0.5 * (count - 1) * step
    middle = corners.mean(axis=0)
    sections = []
    for k in range(count):
        height = first + k * step
        at = middle + (height - float(middle @ way)) * way
        outline = outline_of(context.nominal, at, way)
        if isinstance(outline, str):
            continue
        here = patch.triangles[outline.triangle]
        if here.any():
            sections.append(Section(f"{feature.name} at {height:.2f} mm", outline, here, feature.least_coverage))
    return sections or "no section across that direction cuts it"


def _reach(spec: CharacteristicSpec) -> float:
    return spec.reach if spec.reach is not None else max(REACH_IN_ZONES * (spec.zone or 0.0), LEAST_REACH)


def _one(
    spec: CharacteristicSpec, context: Context, section: Section, start: Floats, together: Placed | None
) -> Finding:
    """Judge one section, in the frame that all share or where its own zone needs least."""
    frame = Placed(start) if together is None else together
    # what may still be moved into reach is kept
    cut = _cut(context, section, frame.drawing_from_fit, 2.0 * _reach(spec))
    got = _judged_at(spec, context, section, cut)
    if isinstance(got, str):
        return Missing(section.name, got)
    if len(got[0].flat) < LEAST_POINTS:
        few = f"only {len(got[0].flat)} points in the section; at least {LEAST_POINTS} are needed"
        return Missing(section.name, few)
    if together is None:
        moved = _least(spec, context, section, cut, start)
        if isinstance(moved, str):
            return Missing(section.name, moved)
        if moved is not None:
            frame = moved
            got = _judged_at(spec, context, section, _turned(cut, _in_plane(section.outline.frame, frame, start)))
            if isinstance(got, str):
                return Missing(section.name, got)
    return _finding(spec, context, section, *got, frame)


def _cut(context: Context, section: Section, move: Floats, reach: float) -> Cut:
    return cut_scan(context.scene, move, section.outline.frame, context.nominal, context.index, reach)


def _judged_at(spec: CharacteristicSpec, context: Context, section: Section, cut: Cut) -> tuple[Seen, Judged] | str:
    """What is seen in a cut, and its deviations by the stated filter; or why there are none."""
    got = compare(cut, section.outline, section.here, context.scene, _reach(spec))
    if isinstance(got, str):
        return got
    judged = filtered(spec, got)
    return judged if isinstance(judged, str) else (got, judged)


def member(spec: CharacteristicSpec, context: Context, name: str, start: Floats, centre: Floats) -> Member | str:
    """Return all sections of a feature as they take part in one movement about ``centre`` (3,), or why they can't.

    The sections' planes stay where the drawing has them: each frame is cut anew.
    """
    sections = _sections(spec, context, name)
    if isinstance(sections, str):
        return sections

    def uses(frame: Floats) -> list[Uses] | str:
        found = []
        for section in sections:
            got = _judged_at(spec, context, section, _cut(context, section, frame, 2.0 * _reach(spec)))
            if isinstance(got, str):
                return f"{section.name}: {got}"
            found.append(_use(spec, context, section, *got, centre))
        return found

    del start
    facing = nominal_normals(context.nominal)
    rows = []
    for section in sections:
        outline = section.outline
        middle = outline.frame.lifted(0.5 * (outline.start + outline.end)[section.here])
        rows.append(rows_of_points(middle, facing[outline.triangle[section.here]], centre))
    return Member(uses, np.vstack(rows), LEAST_GAIN)


def _use(
    spec: CharacteristicSpec, context: Context, section: Section, got: Seen, judged: Judged, centre: Floats
) -> Uses:
    """Deviations of a section, and how they grow with a movement in space: in the plane and, on a slope, across it."""
    frame = section.outline.frame
    flat, slope = got.flat[judged.rows], got.slope[judged.rows]
    feet = frame.lifted(flat - got.distance[judged.rows, None] * slope)
    normal = context.index.closest(feet).normal
    out = normal @ frame.normal
    steep = np.maximum(np.sqrt(np.maximum(1.0 - out**2, 0.0)), FLATTEST)
    ways = slope[:, :1] * frame.u + slope[:, 1:] * frame.v + (out / steep)[:, None] * frame.normal
    rows = rows_of_points(frame.lifted(flat), ways, centre)
    return Uses(judged.values - spec.unequal, rows, 0.5 * (spec.zone or 0.0))


@dataclass(frozen=True, eq=False)
class Judged:
    """Deviations as the zone has to hold them."""

    values: Floats
    """(k,) mm."""
    rows: NDArray[np.int64]
    """(k,) the point of the section that each belongs to."""


def filtered(spec: CharacteristicSpec, seen: Seen) -> Judged | str:
    """Return the deviations of a section by the stated filter, or why there are none."""
    if spec.judge.kind == "gaussian":
        if spec.judge.cutoff is None or spec.judge.cutoff <= 0:
            return "a gaussian filter needs a cut-off"
        return along_line(seen, spec.judge.cutoff)
    rows = np.arange(len(seen.distance))
    if spec.judge.kind == "central 95 %":
        low, high = np.quantile(seen.distance, [0.025, 0.975])
        rows = rows[(seen.distance >= low) & (seen.distance <= high)]
    return Judged(seen.distance[rows], rows)


def along_line(seen: Seen, cutoff: float) -> Judged:
    """Return Gaussian means of deviations along the outline, an eighth of the cut-off apart.

    The weight is that of ISO 16610-21, exp(-pi (d / (alpha L))^2), d being the length along the nominal outline. Points
    are first put together in bins, so that where many lie they don't outweigh their neighbours; near ends it is normed
    on what exists.
    """
    step = cutoff / BINS
    number = np.floor(seen.run / step).astype(np.int64)
    values, rows = [], []
    for line in np.unique(seen.line):
        mine = np.flatnonzero(seen.line == line)
        inverse = np.unique(number[mine], return_inverse=True)[1]
        counts = np.bincount(inverse)
        mean = np.bincount(inverse, weights=seen.distance[mine]) / counts
        place = np.bincount(inverse, weights=seen.run[mine]) / counts
        total = _turn_of(seen, int(line))
        away = np.abs(place[:, None] - place[None, :])
        if total is not None:
            away = np.minimum(away, total - away)
        weight = np.where(away <= WINDOW * cutoff, np.exp(-np.pi * (away / (ALPHA * cutoff)) ** 2), 0.0)
        values.append((weight @ mean) / weight.sum(axis=1))
        nearest = np.array([mine[np.argmin(np.abs(seen.run[mine] - p))] for p in place], dtype=np.int64)
        rows.append(nearest)
    return Judged(np.concatenate(values), np.concatenate(rows))


def _turn_of(seen: Seen, line: int) -> float | None:
    """The length, mm, of a closed line; None for an open one."""
    outline = seen.outline
    mine = np.flatnonzero(outline.chain == line)
    first, last = mine[np.argmin(outline.along[mine])], mine[np.argmax(outline.along[mine])]
    if float(np.linalg.norm(outline.start[first] - outline.end[last])) > 0.05:
        return None
    return float(outline.along[last] + outline.lengths[last])


def _least(
    spec: CharacteristicSpec, context: Context, section: Section, cut: Cut, start: Floats
) -> Placed | str | None:
    """The frame, moved within the section's plane, in which its zone needs least; None: nothing is free there."""
    movable, centre, allowances = freedom(spec, context)
    plane = section.outline.frame
    free = _within(plane, movable, centre)
    if not free.shape[1]:
        return None

    def uses(frame: Floats) -> list[Uses] | str:
        got = _judged_at(spec, context, section, _turned(cut, _in_plane(plane, Placed(frame), start)))
        return got if isinstance(got, str) else [_use(spec, context, section, *got, centre)]

    got = best_movement(uses, start, free, centre, allowances, least_gain=LEAST_GAIN)
    if isinstance(got, str):
        return got
    return Placed(got.frame, movement_details(got, free, "optimised: each section by itself, in its plane", centre))


def _within(frame: Frame, movable: Floats, centre: Floats) -> Floats:
    """Movements (6, k) about ``centre`` (3,) that move a plane within itself and are felt there."""
    # no shift along the normal, no tilt of it
    arm = frame.origin - centre
    out, flat = np.zeros((3, 6)), np.zeros((3, 6))
    out[0, :3], out[1, :3] = frame.u, frame.v
    out[2, :3], out[2, 3:] = np.cross(arm, frame.normal), frame.normal
    inside = null_space(out, movable)
    flat[0, :3], flat[0, 3:] = np.cross(arm, frame.u), frame.u
    flat[1, :3], flat[1, 3:] = np.cross(arm, frame.v), frame.v
    flat[2, :3] = frame.normal
    return felt_space(flat, inside)


def _in_plane(plane: Frame, frame: Placed, start: Floats) -> Floats:
    """The movement (3, 3) of a plane within itself from ``start`` to a frame."""
    move = frame.drawing_from_fit @ np.linalg.inv(start)
    shift = move[:3, :3] @ plane.origin + move[:3, 3] - plane.origin
    across = move[:3, :3] @ plane.u
    c, s = float(across @ plane.u), float(across @ plane.v)
    return np.array([[c, -s, float(shift @ plane.u)], [s, c, float(shift @ plane.v)], [0.0, 0.0, 1.0]])


def _turned(cut: Cut, rigid: Floats) -> Cut:
    """A cut after a movement (3, 3) in its plane."""
    facing = None if cut.facing is None else cut.facing @ rigid[:2, :2].T
    return Cut(cut.flat @ rigid[:2, :2].T + rigid[:2, 2], facing, cut.rows, cut.left_out, cut.removed)


def _finding(
    spec: CharacteristicSpec, context: Context, section: Section, got: Seen, judged: Judged, frame: Placed
) -> Finding:
    values = judged.values
    plus, minus = float(values.max()), float(values.min())
    coverage, gap = got.coverage(context.scene.spacing)
    worst = judged.rows[int(np.argmax(np.abs(values - spec.unequal)))]
    at = got.outline.frame.lifted(got.flat[worst][None])[0]
    details: dict[str, float | str] = {
        "worst plus": plus,
        "worst minus": minus,
        "worst at x": float(at[0]),
        "worst at y": float(at[1]),
        "worst at z": float(at[2]),
        "largest gap": gap,
        "rms": float(np.sqrt(np.mean(values**2))),
        "isolated points left out": float(got.left_out),
        "unequal": float(spec.unequal),
        "judged": judged_as(spec),
        "definition": "2 x largest deviation in the section's plane",
    }
    value = profile_value(plus, minus, spec.unequal)
    if spec.judge.kind != "none":
        details["plain zone"] = profile_value(float(got.distance.max()), float(got.distance.min()), spec.unequal)
    lifted = got.outline.frame.lifted(got.flat)
    details |= one_sided_details(lifted, got.distance, value, plus - minus, spec.judge)
    details |= frame.details
    blocked = ""
    if spec.largest_gap is not None and gap > spec.largest_gap:
        blocked = f"a stretch of {gap:.1f} mm was not seen; {spec.largest_gap:g} mm is allowed"
    if coverage < section.least_coverage:
        blocked = blocked or f"only {coverage:.0%} of the section was seen; {section.least_coverage:.0%} is needed"
    unseen = _unexplained(got, context.scene.spacing)
    if unseen:
        details["removed points near the surface"] = float(unseen)
        blocked = blocked or (
            f"{unseen} points by the section were removed as not belonging to the part, and the surface under them was "
            "not seen"
        )
    return Value(
        section.name,
        value,
        points=len(got.rows),
        coverage=coverage,
        blocked=blocked,
        details=details,
    )


def _unexplained(got: Seen, spacing: float) -> int:
    """Count the removed points that stand over a place of the outline where nothing else was seen."""
    from scipy.spatial import cKDTree

    if not len(got.removed):
        return 0
    feet = got.flat - got.distance[:, None] * got.slope
    return int(np.sum(np.asarray(cKDTree(feet).query(got.removed)[0]) > 3.0 * spacing))
