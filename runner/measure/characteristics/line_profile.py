"""Profile of a line: in each section, twice the largest deviation from the nominal outline, measured in its plane.

Every section stands for itself (ISO 1101:2017, 17.7; ISO 1660:2017): movements in its plane that the datums leave free,
all three without datums, are taken where its zone needs least.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits.filters import ALPHA
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.measure.characteristics.common import Context, Finding, Missing, Value, datum_movement
from runner.measure.characteristics.profile import LEAST_REACH, REACH_IN_ZONES, profile_value
from runner.measure.cross_section import Cut, Seen, compare, cut_scan, locate_section
from runner.measure.element import array
from runner.measure.minimax import least_largest
from runner.measure.outline_cut import Frame, Outline, outline_of
from runner.measure.patch import NoPatch, find_patch
from runner.measure.specs import CharacteristicSpec, FeatureSpec
from runner.measure.twists import null_space, orthonormal

MOST_SECTIONS = 200
SECTIONS = 9
"""Of a surface where the recipe gives no step."""
LEAST_POINTS = 8
ROUNDS = 10
GAINED = 1e-6
"""mm: a round that gains less is the last."""
LARGEST_STEP = 0.5
"""mm that a round may move any point."""
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
    move = datum_movement(spec, context)
    if isinstance(move, Missing):
        return [move]
    found: list[Finding] = []
    for name in spec.features:
        sections = _sections(spec, context, name)
        if isinstance(sections, str):
            found.append(Missing(name, sections))
            continue
        found += [_one(spec, context, section, move) for section in sections]
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


def _one(spec: CharacteristicSpec, context: Context, section: Section, move: Floats) -> Finding:
    """Judge one section."""
    zone = spec.zone or 0.0
    reach = spec.reach if spec.reach is not None else max(REACH_IN_ZONES * zone, LEAST_REACH)
    scene, outline = context.scene, section.outline
    free = _free(spec, context, outline.frame)
    # what may still be moved into reach is kept
    cut = cut_scan(scene, move, outline.frame, context.nominal, context.index, 2.0 * reach)

    def seen_after(rigid: Floats) -> Seen | str:
        return compare(_turned(cut, rigid), outline, section.here, scene, reach)

    got = seen_after(np.eye(3))
    if isinstance(got, str):
        return Missing(section.name, got)
    if len(got.flat) < LEAST_POINTS:
        return Missing(section.name, f"only {len(got.flat)} points in the section; at least {LEAST_POINTS} are needed")
    judged = filtered(spec, got)
    if isinstance(judged, str):
        return Missing(section.name, judged)
    if free.shape[1]:
        got, judged = _least(spec, got, judged, free, seen_after)
    return _finding(spec, context, section, got, judged, bool(free.shape[1]))


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


def _free(spec: CharacteristicSpec, context: Context, frame: Frame) -> Floats:
    """Movements (3, k) in the plane (along u, along v, turn about its origin) that no datum holds."""
    if spec.datum_system is None:
        return np.eye(3)
    system = context.systems[spec.datum_system]
    if not system.free.shape[1]:
        return np.zeros((3, 0))
    # twists about the system's centre that move the plane within itself: no shift along, no tilt of its normal
    arm = frame.origin - system.centre
    out = np.zeros((3, 6))
    out[0, :3], out[1, :3] = frame.u, frame.v
    out[2, :3], out[2, 3:] = np.cross(arm, frame.normal), frame.normal
    inside = null_space(out, system.free)
    if not inside.shape[1]:
        return np.zeros((3, 0))
    shift = inside[3:] + np.cross(inside[:3].T, arm).T
    flat = np.vstack([frame.u @ shift, frame.v @ shift, frame.normal @ inside[:3]])
    felt = flat[:, np.linalg.norm(flat, axis=0) > 1e-9]
    return orthonormal(felt) if felt.shape[1] else np.zeros((3, 0))


def _least(spec, got: Seen, judged: Judged, free: Floats, seen_after) -> tuple[Seen, Judged]:  # type: ignore[no-untyped-def]
    """Take the free movements where the zone needs least: linear programmes, each on distances measured again."""

    def width(now: Judged) -> float:
        return profile_value(float(now.values.max()), float(now.values.min()), spec.unequal)

    best, best_judged, rigid, stuck = got, judged, np.eye(3), 0
    for _ in range(ROUNDS):
        places, slopes = got.flat[judged.rows], got.slope[judged.rows]
        turn = slopes[:, 1] * places[:, 0] - slopes[:, 0] * places[:, 1]
        rows = np.column_stack([slopes, turn]) @ free
        limit = LARGEST_STEP / np.maximum(np.abs(rows).max(axis=0), 1e-9)
        found = least_largest(rows, judged.values - spec.unequal, limit)
        if found is None:
            break
        rigid = _rigid(free @ found[0]) @ rigid
        tried = seen_after(rigid)
        if isinstance(tried, str):
            break
        tried_judged = filtered(spec, tried)
        if isinstance(tried_judged, str):
            break
        gained = width(best_judged) - width(tried_judged)
        stuck = 0 if gained > GAINED else stuck + 1
        got, judged = tried, tried_judged
        if gained > 0:
            best, best_judged = tried, tried_judged
        if stuck == 2:
            break
    return best, best_judged


def _rigid(step: Floats) -> Floats:
    """The movement (3, 3) of the plane: shift along u and v, turn about its origin."""
    c, s = np.cos(step[2]), np.sin(step[2])
    return np.array([[c, -s, step[0]], [s, c, step[1]], [0.0, 0.0, 1.0]])


def _turned(cut: Cut, rigid: Floats) -> Cut:
    """A cut after a movement (3, 3) in its plane."""
    facing = None if cut.facing is None else cut.facing @ rigid[:2, :2].T
    return Cut(cut.flat @ rigid[:2, :2].T + rigid[:2, 2], facing, cut.rows, cut.left_out, cut.removed)


def _finding(
    spec: CharacteristicSpec, context: Context, section: Section, got: Seen, judged: Judged, placed: bool
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
        "definition": "2 x largest deviation in the section's plane",
    }
    if placed:
        details["zone"] = (
            "without datums, each section taken where its zone needs least"
            if spec.datum_system is None
            else "in the datum frame; what the datums leave free in the section's plane is taken where it needs least"
        )
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
        profile_value(plus, minus, spec.unequal),
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
