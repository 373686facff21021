"""Datum systems: from measured datum features to the movement of the part into the drawing's frame.

The part is moved, not the frame: starting at the fitted pose, each datum in its order takes those movements that its
feature type holds and that no higher datum has taken (ISO 5459:2011, the situation features and their constraints;
ASME Y14.5-2018 clause 7, degrees of freedom). What no datum takes stays as the fit left it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from runner.geometry.frames import move_points
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Shape
from runner.measure import datum_rows
from runner.measure.datum_seat import Seated, all_rows, seat
from runner.measure.found import FoundFeature
from runner.measure.scene import Scene
from runner.measure.shift import Allowance, allowances_of
from runner.measure.specs import DatumSpec, DatumSystemSpec, FeatureSpec
from runner.measure.targets import seat_on_targets, target_rows
from runner.measure.twists import felt_space, named, null_space, orthonormal
from runner.records import DatumRecord

TARGET_ROUNDS = 25
STANDS = 1e-10
NEARLY = 2e-5
"""mm and rad: what is still accepted when the rounds are over."""


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
    shift: Floats = field(default_factory=lambda: np.zeros((6, 0)))
    """(6, s) movements that datums at maximum material hold only within ``allowances``, about ``centre``."""
    allowances: tuple[Allowance, ...] = ()
    """Boundaries that those datums' features must keep clear of; empty: no datum at maximum material."""

    @property
    def movable(self) -> Floats:
        """(6, k) movements that a zone may take: the free ones and, within the allowances, those of the shift."""
        return orthonormal(np.hstack([self.free, self.shift]))

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
        free = null_space(_rows(datum, specs, centre), free)
    return free


def _rows(datum: DatumSpec, specs: Mapping[str, FeatureSpec], centre: Floats) -> Floats:
    """All rows that a datum may set."""
    if datum.targets:
        return target_rows(datum.targets, centre)
    return all_rows(datum, nominal_shapes(datum, specs), centre)


def establish(
    system: DatumSystemSpec,
    features: Mapping[str, FoundFeature],
    specs: Mapping[str, FeatureSpec],
    centre: Floats,
    *,
    standard: str = "ISO GPS",
    scene: Scene | None = None,
) -> Established:
    """Establish a datum system from measured features.

    Parameters
    ----------
    system : its datums, in order.
    features, specs : measured and nominal features by name.
    centre : (3,) mm about which movements are stated.
    standard : the drawing's; ``ASME Y14.5`` touches open faces by constrained least squares.
    scene : the scan, for datum targets: they lie in the frame that they define, and are found again until it stands.
    """
    frame = np.eye(4)
    aimed = any(d.targets for d in system.datums)
    change = np.inf
    for _ in range(TARGET_ROUNDS):
        made = _one_pass(system, features, specs, centre, standard, scene, frame)
        if made.drawing_from_fit is None or not aimed:
            return made
        change = float(np.abs(made.drawing_from_fit - frame).max())
        frame = made.drawing_from_fit
        if change < STANDS:
            return made
    if change < NEARLY:
        return replace(made, notes=(*made.notes, f"the datum targets stand within {change:.1g} mm"))
    text = f"the datum targets don't come to rest: the frame still moves by {change:.2g} mm"
    return replace(made, drawing_from_fit=None, reason=text)


def _one_pass(
    system: DatumSystemSpec,
    features: Mapping[str, FoundFeature],
    specs: Mapping[str, FeatureSpec],
    centre: Floats,
    standard: str,
    scene: Scene | None,
    frame: Floats,
) -> Established:
    """All datums once, in their order; targets are looked for where ``frame`` has them."""
    labels = tuple(d.label for d in system.datums)
    move, free, held = np.eye(4), np.eye(6), np.eye(6)
    notes: list[str] = []
    loose: list[tuple[DatumSpec, list[Shape], list[FoundFeature], Seated]] = []
    squares = standard.startswith("ASME")

    def refuse(reason: str) -> Established:
        return Established(system.name, None, free, centre, reason=reason, datums=labels)

    for datum in system.datums:
        missing = [n for n in datum.features if n not in features or not features[n].ok or features[n].shape is None]
        if missing and not datum.targets:
            why = features[missing[0]].reason if missing[0] in features else "it is not in the recipe"
            return refuse(f'datum {datum.label} can\'t be established: feature "{missing[0]}": {why}')
        try:
            nominal = [] if datum.targets else nominal_shapes(datum, specs)
            rows = _rows(datum, specs, centre)
        except ValueError as error:
            return refuse(str(error))
        if felt_space(rows, free).shape[1] == 0:
            notes.append(f"datum {datum.label} holds nothing that the datums before it have left free")
            continue
        found = [features[n] for n in datum.features]
        if datum.targets:
            made = seat_on_targets(datum, scene, frame, move, free, centre)
            if isinstance(made, str):
                return refuse(f"datum {datum.label} can't be established: {made}")
        else:
            made = seat(datum, nominal, found, move, free, centre, squares=squares)
        move = made.move
        notes.extend(made.notes)
        free = null_space(rows, free)
        if datum.material == "maximum":
            loose.append((datum, nominal, found, made))
        else:
            held = null_space(made.used, held)
    allowances: list[Allowance] = []
    for datum, nominal, found, made in loose:
        got = allowances_of(datum, nominal, found, made.faces, move)
        if isinstance(got, str):
            # without room to shift the datum is held as if regardless of its size
            notes.append(f"datum {datum.label}: {got}; no shift")
            held = null_space(made.used, held)
            continue
        allowances.extend(got)
        room = min(a.least() for a in got)
        notes.append(f"datum {datum.label} at maximum material: clears its virtual condition by {room:.4f} mm")
    shift = _without(held, free) if allowances else np.zeros((6, 0))
    return Established(
        system.name, move, free, centre, notes=tuple(notes), datums=labels, shift=shift, allowances=tuple(allowances)
    )


def _without(wide: Floats, narrow: Floats) -> Floats:
    """Movements (6, s) of ``wide`` (6, k) square to those of ``narrow``."""
    rest = wide - narrow @ (narrow.T @ wide)
    u, values, _ = np.linalg.svd(rest, full_matrices=False)
    return u[:, values > 1e-6]


def moved_points(system: Established | None, points: Floats) -> Floats:
    """Return points (n, 3) of the fitted frame in the frame of a datum system (None: the fitted frame itself)."""
    if system is None or system.drawing_from_fit is None:
        return points
    return move_points(system.drawing_from_fit, points)
