"""The frame in which a position is judged: as the datums give it, or moved where they leave zones room to move.

Zones that hold together (CZ of ISO 5458:2018; ASME Y14.5-2018, 10.5: a pattern), requirements that share one movement
(SIM; ASME 7.19, simultaneous requirements), lower segments of composite tolerances (ASME 10.5.1) and frames that shift
about a datum at maximum material are moved as one; separate zones (SZ) each by itself. Clauses from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from runner.geometry.mesh import Floats
from runner.measure.characteristics.common import Context, Finding, Missing, datum_movement
from runner.measure.free_motion import Movement, Uses, best_movement
from runner.measure.shift import Allowance
from runner.measure.specs import CharacteristicSpec
from runner.measure.twists import felt_space, named, rows_of_points

MOVABLE_KINDS = ("position", "coaxiality", "concentricity", "symmetry")
"""Kinds that can share a movement."""


@dataclass(frozen=True, eq=False)
class Placed:
    """A frame to judge in."""

    drawing_from_fit: Floats
    """(4, 4)"""
    details: Mapping[str, float | str] = field(default_factory=dict)
    """Whether the zone was moved, with what, and by how much."""
    refused: str = ""


Evaluate = Callable[[CharacteristicSpec, Context, str, Placed], Finding]


def each_in_its_frame(spec: CharacteristicSpec, context: Context, one: Evaluate) -> list[Finding]:
    """Evaluate each feature in the frame that it, its pattern or its simultaneous group takes."""
    start = datum_movement(spec, context)
    if isinstance(start, Missing):
        return [start]
    free, centre, allowances = _freedom(spec, context)
    if not free.shape[1]:
        return [one(spec, context, name, Placed(start)) for name in spec.features]
    stranger = unmoved(spec, context)
    if stranger is not None:
        who = f"{stranger.id} ({stranger.kind})"
        said = f'the zones of "{spec.simultaneous}" move together, and {who} can\'t be moved with them by this version'
        return [Missing(name, said) for name in spec.features]
    shared = _members(spec, context)
    if len(shared) > 1 or spec.combined:
        placed = _placed(shared, context, start, free, centre, allowances, _words(spec))
        if placed.refused:
            return [Missing(name, placed.refused) for name in spec.features]
        return [one(spec, context, name, placed) for name in spec.features]
    findings: list[Finding] = []
    for name in spec.features:
        placed = _placed(
            [(spec, name)], context, start, free, centre, allowances, "optimised: the zone of this feature by itself"
        )
        findings.append(Missing(name, placed.refused) if placed.refused else one(spec, context, name, placed))
    return findings


def unmoved(spec: CharacteristicSpec, context: Context) -> CharacteristicSpec | None:
    """Return another requirement of the same simultaneous group whose zone this version can't move along, or None.

    To leave it out would let the others take a place that suits them alone, and read too small.
    """
    if not spec.simultaneous:
        return None
    for other in context.plan.characteristics:
        together = other.simultaneous == spec.simultaneous and other.datum_system == spec.datum_system
        if together and other.id != spec.id and MOVABLE_KINDS.count(other.kind) + MOVABLE_KINDS.count(spec.kind) < 2:
            return other
    return None


def _words(spec: CharacteristicSpec) -> str:
    if spec.simultaneous:
        return f'optimised: the zones of all requirements of "{spec.simultaneous}" moved together'
    return "optimised: the zones of the pattern moved together"


def _freedom(spec: CharacteristicSpec, context: Context) -> tuple[Floats, Floats, Sequence[Allowance]]:
    """Movements (6, k) that the zones may take, their centre (3,), and what bounds them."""
    if spec.datum_system is None:
        low, high = context.nominal.bounds
        return np.eye(6), 0.5 * (low + high), ()
    system = context.systems[spec.datum_system]
    return system.movable, system.centre, system.allowances


def _members(spec: CharacteristicSpec, context: Context) -> list[tuple[CharacteristicSpec, str]]:
    """All features, each with its characteristic, that move together with this one; alone when it is separate."""
    together = [spec]
    if spec.simultaneous:
        together = [
            other
            for other in context.plan.characteristics
            if other.simultaneous == spec.simultaneous
            and other.datum_system == spec.datum_system
            and other.kind in MOVABLE_KINDS
        ]
        together = together if any(o.id == spec.id and o.features == spec.features for o in together) else [spec]
    if not spec.simultaneous and not spec.combined:
        return [(spec, name) for name in spec.features[:1]]
    return [(other, name) for other in together for name in other.features]


def _placed(
    members: Sequence[tuple[CharacteristicSpec, str]],
    context: Context,
    start: Floats,
    free: Floats,
    centre: Floats,
    allowances: Sequence[Allowance],
    words: str,
) -> Placed:
    """The frame in which the worst of the members' zones is used least."""
    from runner.measure.characteristics.position import judged_feature, places_of, zone_of

    chosen = []
    for spec, name in members:
        feature = judged_feature(spec, context, name)
        if isinstance(feature, Missing):
            # one hole that wasn't seen could pull the pattern elsewhere: the others can't be judged without it
            return Placed(start, refused=f"the zones move together, and {feature.reason}")
        zone = zone_of(spec, feature)
        if isinstance(zone, str):
            return Placed(start, refused=zone)
        chosen.append((spec, feature, 0.5 * zone))

    def uses(frame: Floats) -> list[Uses] | str:
        found = []
        for spec, feature, limit in chosen:
            got = places_of(spec, context, feature, frame)
            if isinstance(got, str):
                return got
            values = got.deviations @ got.basis.T
            rows = np.stack(
                [rows_of_points(got.points, np.broadcast_to(b, got.points.shape), centre) for b in got.basis], axis=1
            )
            found.append(Uses(values, rows, limit))
        return found

    first = uses(start)
    if isinstance(first, str):
        return Placed(start, refused=first)
    felt = felt_space(np.vstack([np.asarray(u.rows).reshape(-1, 6) for u in first]), free)
    if not felt.shape[1] and not allowances:
        return Placed(start)
    # a shift is bounded by all its movements, also by those that the zones don't feel
    got = best_movement(uses, start, free if allowances else felt, centre, allowances)
    if isinstance(got, str):
        return Placed(start, refused=got)
    return Placed(got.frame, _details(got, felt, words, centre))


def _details(got: Movement, felt: Floats, words: str, centre: Floats) -> dict[str, float | str]:
    angle = float(np.arccos(np.clip(0.5 * (np.trace(got.moved[:3, :3]) - 1.0), -1.0, 1.0)))
    if angle < 1e-5:
        # the cosine loses what the antisymmetric part keeps
        skew = got.moved[:3, :3] - got.moved[:3, :3].T
        angle = 0.5 * float(np.linalg.norm([skew[2, 1], skew[0, 2], skew[1, 0]]))
    shift = got.moved[:3, :3] @ centre + got.moved[:3, 3] - centre
    details: dict[str, float | str] = {
        "zone": f"{words}; {', '.join(named(felt))} taken where they need least",
        "zone turned by, deg": float(np.degrees(angle)),
        "zone moved by": float(np.linalg.norm(shift)),
    }
    for label, room in got.room:
        details[f"room left at datum {label}"] = room
    if not got.settled:
        details["zone"] = f"{details['zone']} (the search stopped early: the zones may need less)"
    return details
