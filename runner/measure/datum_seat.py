"""Seating one datum: the part is moved so that the datum feature lies where the drawing has it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from runner.geometry.fits.result import FailedFit, Fixed
from runner.geometry.fits.tangent import tangent_plane
from runner.geometry.frames import move_points, perpendicular, unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cone, Plane, Shape, Slot, moved, vector
from runner.measure import datum_rows
from runner.measure.association import encloses, grow, touch
from runner.measure.contact import Face, faces
from runner.measure.datum_rows import Constraint, stacked
from runner.measure.element import array, direction, place
from runner.measure.found import FoundFeature
from runner.measure.specs import DatumSpec
from runner.measure.twists import as_rigid, felt_space, null_space, rows_of_points, with_least_turn

ROUNDS = 12
SETTLED = 1e-12
ROCKS = 1e-3
"""mm over its extent: less rocking is not worth a note."""
PLACES = 9
"""Places of a plane that speak for it in a common datum."""


@dataclass(frozen=True, eq=False)
class Seated:
    """The part after one datum."""

    move: Floats
    """(4, 4) drawing_from_fit so far."""
    used: Floats
    """(r, 6) what the datum now holds, as far as higher datums had left it."""
    faces: tuple[Face, ...]
    """The sides of the datum feature as they are touched; empty where they aren't known."""
    notes: tuple[str, ...]


def all_rows(datum: DatumSpec, nominal: Sequence[Shape], centre: Floats) -> Floats:
    """Return every row (n, 6) that a datum may set."""
    part = "orientation" if datum.orientation_only else "all"
    return constraint(nominal, nominal, centre, part).rows


def constraint(
    nominal: Sequence[Shape],
    measured: Sequence[Shape],
    centre: Floats,
    part: str,
    found: Sequence[FoundFeature] | None = None,
) -> Constraint:
    """Return the constraint of one or several features: ``orientation``, ``location`` or ``all``."""
    if len(nominal) > 1:
        whole = _together(nominal, measured, centre, found)
        return datum_rows.turns_only(whole) if part == "orientation" else whole
    wanted, now = nominal[0], measured[0]
    pieces = []
    if part in ("orientation", "all"):
        pieces.append(datum_rows.orientation(wanted, now, centre))
    if part in ("location", "all"):
        pieces.append(datum_rows.location(wanted, now, centre, middle_of(found[0]) if found else 0.0))
    return stacked(pieces)


def middle_of(feature: FoundFeature) -> float:
    """Return the middle of a feature's extent along its axis, mm from its nominal point."""
    extent = feature.axial
    return 0.0 if extent is None or isinstance(feature.spec.shape, Circle | Slot) else 0.5 * (extent[0] + extent[1])


def coaxial(shapes: Sequence[Shape]) -> bool:
    """Whether several axes are nominally one."""
    axes = [direction(s) for s in shapes]
    if any(a is None for a in axes) or any(isinstance(s, Plane | Slot) for s in shapes):
        return False
    first = axes[0]
    assert first is not None
    for shape, axis in zip(shapes[1:], axes[1:], strict=True):
        assert axis is not None
        offset = place(shape) - place(shapes[0])
        if np.linalg.norm(np.cross(axis, first)) > 1e-4:
            return False
        if np.linalg.norm(offset - (offset @ first) * first) > 2e-3:
            return False
    return True


def _together(
    nominal: Sequence[Shape], measured: Sequence[Shape], centre: Floats, found: Sequence[FoundFeature] | None
) -> Constraint:
    """Several features as one datum: each by its places, in mm, so that near and far ones are weighed alike."""
    pieces = []
    one_axis = coaxial(nominal)
    for k, (wanted, now) in enumerate(zip(nominal, measured, strict=True)):
        feature = found[k] if found is not None else None
        if isinstance(wanted, Plane) and isinstance(now, Plane):
            pieces.append(_plane_places(wanted, now, centre, feature))
        elif one_axis:
            middle = middle_of(feature) if feature is not None else 0.0
            if feature is None and not isinstance(wanted, Circle):
                pieces.append(datum_rows.orientation(wanted, now, centre))
            pieces.append(datum_rows.at_both_ends(wanted, now, (middle, middle), centre))
        elif direction(wanted) is not None and not isinstance(wanted, Circle | Slot | Cone):
            extent = feature.axial if feature is not None else None
            pieces.append(datum_rows.at_both_ends(wanted, now, extent or (-5.0, 5.0), centre))
        else:
            pieces.append(datum_rows.location(wanted, now, centre))
    return stacked(pieces)


def _plane_places(wanted: Plane, now: Plane, centre: Floats, feature: FoundFeature | None) -> Constraint:
    """Heights of a plane at some places of its extent."""
    normal, normal_now = array(wanted.normal), array(now.normal)
    if normal_now @ normal < 0:
        normal_now = -normal_now
    if feature is not None and feature.patch is not None and len(feature.patch.samples) >= PLACES:
        samples = feature.patch.samples
        places = samples[np.linspace(0, len(samples) - 1, PLACES).astype(np.int64)]
    else:
        u, v = perpendicular(normal)
        places = array(wanted.point) + 5.0 * np.array([u, v, -u, -v])
    residual = (places - array(now.point)) @ normal_now / float(normal @ normal_now)
    return Constraint(rows_of_points(places, np.broadcast_to(normal, places.shape), centre), residual)


def seat(
    datum: DatumSpec,
    nominal: Sequence[Shape],
    found: Sequence[FoundFeature],
    move: Floats,
    free: Floats,
    centre: Floats,
    *,
    squares: bool,
) -> Seated:
    """Move the part so that one datum is seated, using only the movements ``free`` (6, k).

    ``squares``: open faces are touched with the least sum of squares (ASME) and not with the least largest distance.
    """
    parts: tuple[str, ...] = ("orientation", "location")
    if datum.orientation_only:
        parts = ("orientation",)
    elif len(nominal) > 1:
        parts = ("all",)
    elif datum_rows.location_first(nominal[0], free, centre):
        parts = ("location", "orientation")
    left, used, felt_by = free, [], {}
    for part in parts:
        rows = constraint(nominal, nominal, centre, part, found).rows
        move = solve(_at(nominal, found, centre, part), move, left, centre)
        felt_by[part] = felt_space(rows, left).shape[1]
        used.append(felt_rows(rows, left))
        left = null_space(rows, left)
    rows = np.vstack(used)
    if datum.associate != "outside material":
        return Seated(move, rows, _sides(datum, found), (f"datum {datum.label}: least squares, as asked",))
    basis = with_least_turn(felt_space(rows, free), left)
    # where only its direction counts, its place goes along without moving the part
    place_counts = bool(felt_by.get("location", 0)) or "all" in parts or parts[0] == "location"
    got = [faces(f, datum.filter) for f in found]
    refused = next((g for g in got if isinstance(g, str)), "")
    if refused:
        kind = "centre by least squares over the edge" if _from_edge(found) else "associated by least squares"
        return Seated(move, rows, (), (f"datum {datum.label}: {kind} ({refused})",))
    sides = [face for g in got if not isinstance(g, str) for face in g[0]]
    filtered = next(g[1] for g in got if not isinstance(g, str))
    loose = None if place_counts else _shifts(nominal, centre)
    every = basis if loose is None else np.hstack([basis, loose])
    rule = "constrained least squares (ASME Y14.5.1)" if squares else "least largest distance (ISO 5459)"
    rocking = ""
    if encloses(sides, every, centre):
        grown = grow(sides, move, basis, centre, loose)
        seated = grown if isinstance(grown, str) else grown[0]
        rule = "all sides grown alike until they fit"
    elif all(isinstance(face.wanted, Plane | Cone) for face in sides):
        seated = touch(sides, move, basis, centre, squares=squares)
        if not isinstance(seated, str):
            rocking = _rocking(sides, seated, basis)
    else:
        seated = "its faces don't hold it from all sides"
    if isinstance(seated, str):
        note = f"datum {datum.label}: {seated}; associated by least squares instead"
        return Seated(move, rows, tuple(sides), (note,))
    note = f"datum {datum.label}: outside the material, {rule}, over {filtered}{rocking}"
    return Seated(seated, rows, tuple(sides), (note,))


def _at(
    nominal: Sequence[Shape], found: Sequence[FoundFeature], centre: Floats, part: str
) -> Callable[[Floats], Constraint]:
    """The constraint of measured features as a function of the movement."""

    def at(move: Floats) -> Constraint:
        measured = [moved(f.shape, move) for f in found if f.shape is not None]
        return constraint(nominal, measured, centre, part, found)

    return at


def solve(constraint_at: Callable[[Floats], Constraint], move: Floats, free: Floats, centre: Floats) -> Floats:
    """Take the residual of a constraint away, as far as the movements ``free`` can.

    ``constraint_at`` gives the constraint at a movement (4, 4).
    """
    for _ in range(ROUNDS):
        step = least_squares(constraint_at(move), free)
        move = as_rigid(step, centre) @ move
        if float(np.abs(step).max()) < SETTLED:
            break
    return move


def least_squares(given: Constraint, free: Floats) -> Floats:
    """Return the least twist (6,) within ``free`` that meets a constraint best."""
    if free.shape[1] == 0 or not len(given.residual):
        return np.zeros(6)
    system = given.rows @ free
    cut = 1e-6 * max(1.0, float(np.abs(given.rows).max()))
    u, values, vt = np.linalg.svd(system, full_matrices=False)
    kept = values > cut
    solution = vt[kept].T @ ((u[:, kept].T @ given.residual) / values[kept])
    step = (free @ solution)[:, None]
    return with_least_turn(step, null_space(given.rows, free))[:, 0]


def felt_rows(rows: Floats, left: Floats) -> Floats:
    """Return the combinations (r, 6) of the rows that act on the movements ``left``."""
    if not len(rows) or not left.shape[1]:
        return np.zeros((0, 6))
    u, values, _ = np.linalg.svd(rows @ left, full_matrices=False)
    rank = int(np.sum(values > 1e-6 * max(1.0, float(np.abs(rows).max()))))
    return np.asarray(u[:, :rank].T @ rows)


def _sides(datum: DatumSpec, found: Sequence[FoundFeature]) -> tuple[Face, ...]:
    got = [faces(f, datum.filter) for f in found]
    return tuple(face for g in got if not isinstance(g, str) for face in g[0])


def _from_edge(found: Sequence[FoundFeature]) -> bool:
    return any(isinstance(f.spec.shape, Circle) and f.spec.source == "edges" for f in found)


def _shifts(nominal: Sequence[Shape], centre: Floats) -> Floats | None:
    """Shifts (6, m) along which the features have a place of their own."""
    rows = np.vstack([datum_rows.location(s, s, centre).rows for s in nominal])[:, 3:]
    _, values, ways = np.linalg.svd(rows, full_matrices=False)
    ways = ways[values > 1e-9 * values[0]]
    return np.vstack([np.zeros((3, len(ways))), ways.T]) if len(ways) else None


def _rocking(sides: Sequence[Face], move: Floats, basis: Floats) -> str:
    """How far the part could rock on a datum face, as a clause for its note; empty when it can't."""
    if len(sides) != 1 or not isinstance(sides[0].wanted, Plane):
        return ""
    points, normal = move_points(move, sides[0].points), array(sides[0].wanted.normal)
    _, values, turns = np.linalg.svd(np.cross(basis[:3].T, normal), full_matrices=False)
    tilts = turns[values > 1e-9]
    if not len(tilts):
        return ""
    held = Fixed(perpendicular_to=vector(np.cross(normal, unit(tilts[0])))) if len(tilts) == 1 else None
    got = tangent_plane(points, vector(normal), held)
    if isinstance(got, FailedFit) or got.rocking_mm < ROCKS:
        return ""
    return f"; it can rock by {np.degrees(got.rocking_rad):.3f} deg ({got.rocking_mm:.3f} mm over its extent)"
