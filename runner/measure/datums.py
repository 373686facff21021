"""Datum systems: from measured datum features to the movement of the part into the drawing's frame.

The part is moved, not the frame: starting at the fitted pose, each datum in its order takes those movements that its
feature type holds and that no higher datum has taken (ISO 5459:2011, the situation features and their constraints;
ASME Y14.5-2018 clause 7, degrees of freedom). What no datum takes stays as the fit left it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from runner.geometry.frames import move_points
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cylinder, Plane, Shape, moved
from runner.measure import datum_rows
from runner.measure.association import touch_cylinder, touch_plane
from runner.measure.contact import contact_points
from runner.measure.datum_rows import Constraint, stacked
from runner.measure.found import FoundFeature
from runner.measure.specs import DatumSpec, DatumSystemSpec, FeatureSpec
from runner.measure.twists import as_rigid, felt_space, named, null_space
from runner.records import DatumRecord

ROUNDS = 8
SETTLED = 1e-12


@dataclass(frozen=True, eq=False)
class Established:
    """A datum system on one part."""

    name: str
    drawing_from_fit: Floats | None
    """(4, 4); None when it could not be established."""
    free: Floats
    """(6, k) movements that no datum holds, about ``centre``."""
    centre: Floats
    reason: str = ""
    notes: tuple[str, ...] = ()
    datums: tuple[str, ...] = ()

    def record(self) -> DatumRecord:
        """The record for the ledger."""
        matrix = self.drawing_from_fit
        return DatumRecord(
            name=self.name,
            datums=self.datums,
            drawing_from_fit=None if matrix is None else tuple(tuple(float(v) for v in row) for row in matrix),
            free=named(self.free),
            reason=self.reason,
            notes=self.notes,
        )


def nominal_shapes(datum: DatumSpec, specs: Mapping[str, FeatureSpec]) -> list[Shape]:
    """Return the nominal elements of a datum; ValueError names a feature that can't be one."""
    shapes = []
    for name in datum.features:
        spec = specs.get(name)
        if spec is None:
            raise ValueError(f'datum {datum.label}: there is no feature "{name}"')
        if spec.shape is None or not datum_rows.holds(spec.shape):
            raise ValueError(f'datum {datum.label}: feature "{name}" is a {spec.kind} and can\'t be a datum')
        shapes.append(spec.shape)
    return shapes


def free_movements(system: DatumSystemSpec, specs: Mapping[str, FeatureSpec], centre: Floats) -> Floats:
    """Return the movements (6, k) that the datums of a system leave free, from the nominal features alone."""
    free = np.eye(6)
    for datum in system.datums:
        free = null_space(_rows(nominal_shapes(datum, specs), centre), free)
    return free


def establish(
    system: DatumSystemSpec, features: Mapping[str, FoundFeature], specs: Mapping[str, FeatureSpec], centre: Floats
) -> Established:
    """Establish a datum system from measured features."""
    labels = tuple(d.label for d in system.datums)
    move = np.eye(4)
    free = np.eye(6)
    notes: list[str] = []
    for datum in system.datums:
        missing = [n for n in datum.features if n not in features or not features[n].ok]
        if missing:
            why = features[missing[0]].reason if missing[0] in features else "it is not in the recipe"
            text = f'datum {datum.label} can\'t be established: feature "{missing[0]}": {why}'
            return Established(system.name, None, free, centre, reason=text, datums=labels)
        try:
            nominal = nominal_shapes(datum, specs)
        except ValueError as error:
            return Established(system.name, None, free, centre, reason=str(error), datums=labels)
        found = [features[n] for n in datum.features]
        rows = _rows(nominal, centre)
        if felt_space(rows, free).shape[1] == 0:
            notes.append(f"datum {datum.label} holds nothing that the datums before it have left free")
            continue
        move = _seat(datum, nominal, found, move, free, centre, notes)
        free = null_space(rows, free)
    return Established(system.name, move, free, centre, notes=tuple(notes), datums=labels)


def _rows(shapes: list[Shape], centre: Floats) -> Floats:
    """All rows that a datum may set."""
    return _constraint(shapes, shapes, centre, "all").rows


def _constraint(nominal: list[Shape], measured: list[Shape], centre: Floats, part: str) -> Constraint:
    """Constraint of one or several features: ``orientation``, ``location`` or ``all``."""
    pieces = []
    together = len(nominal) > 1
    for wanted, now in zip(nominal, measured, strict=True):
        # a pattern of axes holds its tilt by their places only when they are one common axis; holes in a sheet don't
        if part in ("orientation", "all") and not (
            together and not isinstance(wanted, Plane) and not _coaxial(nominal)
        ):
            pieces.append(datum_rows.orientation(wanted, now, centre))
        if part in ("location", "all"):
            pieces.append(datum_rows.location(wanted, now, centre))
    return stacked(pieces)


def _coaxial(shapes: list[Shape]) -> bool:
    """Whether several axes are nominally one."""
    from runner.measure.element import direction, place

    axes = [direction(s) for s in shapes]
    if any(a is None for a in axes) or isinstance(shapes[0], Plane):
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


def _seat(
    datum: DatumSpec,
    nominal: list[Shape],
    found: list[FoundFeature],
    move: Floats,
    free: Floats,
    centre: Floats,
    notes: list[str],
) -> Floats:
    """Move the part so that one datum is seated, using only free movements."""
    if _coaxial(nominal) and len(nominal) > 1:
        return _seat_common_axis(nominal, found, move, free, centre)
    first, second = ("orientation", "location")
    if len(nominal) == 1 and datum_rows.location_first(nominal[0], free, centre):
        first, second = second, first
    left = free
    parts = ("all",) if len(nominal) > 1 else (first, second)
    for part in parts:
        move = _solve(nominal, found, move, left, centre, part)
        left = null_space(_constraint(nominal, nominal, centre, part).rows, left)
    if datum.associate != "outside material" or len(nominal) > 1:
        if len(nominal) > 1 and datum.associate == "outside material":
            notes.append(f"datum {datum.label}: common to {len(nominal)} features, associated by least squares")
        return move
    only, feature = nominal[0], found[0]
    rows = _constraint(nominal, nominal, centre, "all").rows
    basis = felt_space(rows, free)
    if isinstance(only, Plane):
        points, filtered = contact_points(feature)
        seated = touch_plane(points, only, move, basis, centre)
    elif isinstance(only, Cylinder) and feature.spec.source == "surface" and feature.patch is not None:
        points, filtered = contact_points(feature)
        seated = touch_cylinder(points, only, feature.patch.outward, move, basis, centre)
    else:
        if isinstance(only, Circle) and feature.spec.source == "edges":
            notes.append(f"datum {datum.label}: centre by least squares over the edge")
        else:
            notes.append(f"datum {datum.label}: associated by least squares")
        return move
    if isinstance(seated, str):
        notes.append(f"datum {datum.label}: {seated}; associated by least squares instead")
        return move
    notes.append(f"datum {datum.label}: outside the material, over means of {filtered}")
    return seated


def _seat_common_axis(
    nominal: list[Shape], found: list[FoundFeature], move: Floats, free: Floats, centre: Floats
) -> Floats:
    """A-B: one axis through the axes of several coaxial features, at the middle of each."""
    for _ in range(ROUNDS):
        pieces = []
        for wanted, feature in zip(nominal, found, strict=True):
            assert feature.shape is not None
            now = moved(feature.shape, move)
            span = feature.patch.axial if feature.patch is not None and feature.patch.axial is not None else (0.0, 0.0)
            middle = 0.5 * (span[0] + span[1])
            pieces.append(datum_rows.at_both_ends(wanted, now, (middle, middle), centre))
        step = _least_squares(stacked(pieces), free)
        move = as_rigid(step, centre) @ move
        if float(np.abs(step).max()) < SETTLED:
            break
    return move


def _solve(
    nominal: list[Shape], found: list[FoundFeature], move: Floats, free: Floats, centre: Floats, part: str
) -> Floats:
    """Take the residual of some constraints away, as far as the free movements can."""
    for _ in range(ROUNDS):
        measured = [moved(f.shape, move) for f in found if f.shape is not None]
        step = _least_squares(_constraint(nominal, measured, centre, part), free)
        move = as_rigid(step, centre) @ move
        if float(np.abs(step).max()) < SETTLED:
            break
    return move


def _least_squares(constraint: Constraint, free: Floats) -> Floats:
    """The least twist (6,) within ``free`` that meets a constraint best."""
    if free.shape[1] == 0 or not len(constraint.residual):
        return np.zeros(6)
    system = constraint.rows @ free
    cut = 1e-6 * max(1.0, float(np.abs(constraint.rows).max()))
    u, values, vt = np.linalg.svd(system, full_matrices=False)
    kept = values > cut
    solution = vt[kept].T @ ((u[:, kept].T @ constraint.residual) / values[kept])
    return free @ solution


def moved_points(system: Established | None, points: Floats) -> Floats:
    """Return points (n, 3) of the fitted frame in the frame of a datum system (None: the fitted frame itself)."""
    if system is None or system.drawing_from_fit is None:
        return points
    return move_points(system.drawing_from_fit, points)
