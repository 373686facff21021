"""The frame in which a zone is judged: as the datums give it, or moved where they leave zones room to move.

Zones that hold together (CZ of ISO 5458:2018; ASME Y14.5-2018, 10.5: a pattern), requirements that share one movement
(SIM; ASME 7.19, simultaneous requirements: positions and profiles alike), lower segments of composite tolerances (ASME
10.5.1) and frames that shift about a datum at maximum material are moved as one; separate zones (SZ) each by itself.
Clauses from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from weakref import WeakKeyDictionary

import numpy as np

from runner.geometry.mesh import Floats
from runner.measure.characteristics.common import Context, Finding, Missing, datum_movement
from runner.measure.free_motion import SETTLED, Movement, Uses, best_movement
from runner.measure.shift import Allowance
from runner.measure.specs import CharacteristicSpec
from runner.measure.twists import felt_space, named

POSITIONS = ("position", "coaxiality", "concentricity", "symmetry")
PROFILES = ("profile", "profile of a line")
MOVABLE_KINDS = (*POSITIONS, *PROFILES)
"""Kinds that can share a movement."""


@dataclass(frozen=True, eq=False)
class Member:
    """One feature whose zone takes part in a movement."""

    uses: Callable[[Floats], Sequence[Uses] | str]
    """Its deviations at a frame (4, 4) with what its zone allows; or why there are none."""
    rows: Floats
    """(n, 6) which movements about the centre it feels, from its nominal place alone."""
    least_gain: float = SETTLED
    """mm: a round that gains less is not worth its cost."""


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
    free, centre, allowances = freedom(spec, context)
    if not free.shape[1]:
        return [one(spec, context, name, Placed(start)) for name in spec.features]
    together = shared_frame(spec, context)
    findings: list[Finding] = []
    for name in spec.features:
        placed = together
        if placed is None:
            words = "optimised: the zone of this feature by itself"
            placed = _placed([(spec, name)], context, start, free, centre, allowances, words)
        findings.append(Missing(name, placed.refused) if placed.refused else one(spec, context, name, placed))
    return findings


def shared_frame(spec: CharacteristicSpec, context: Context) -> Placed | None:
    """The frame that the zones of a pattern or a simultaneous group take together; None: each takes its own."""
    start = datum_movement(spec, context)
    if isinstance(start, Missing):
        return None
    free, centre, allowances = freedom(spec, context)
    if not free.shape[1]:
        return None
    stranger = unmoved(spec, context)
    if stranger is not None:
        who = f"{stranger.id} ({stranger.kind})"
        said = f'the zones of "{spec.simultaneous}" move together, and {who} can\'t be moved with them by this version'
        return Placed(start, refused=said)
    shared = _members(spec, context)
    if len(shared) < 2 and not spec.combined:
        return None
    return _shared(spec, context, lambda: _placed(shared, context, start, free, centre, allowances, _words(spec)))


_KNOWN: WeakKeyDictionary[Context, dict[tuple[str, str | None], Placed]] = WeakKeyDictionary()


def _shared(spec: CharacteristicSpec, context: Context, place: Callable[[], Placed]) -> Placed:
    """The frame of a simultaneous group, sought once for all its members."""
    if not spec.simultaneous or not isinstance(context, Context):
        return place()
    known = _KNOWN.setdefault(context, {})
    key = (spec.simultaneous, spec.datum_system)
    if key not in known:
        known[key] = place()
    return known[key]


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


def freedom(spec: CharacteristicSpec, context: Context) -> tuple[Floats, Floats, Sequence[Allowance]]:
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
    chosen: list[Member] = []
    for spec, name in members:
        member = _member(spec, context, name, start, centre)
        if isinstance(member, str):
            # one hole that wasn't seen could pull the pattern elsewhere: the others can't be judged without it
            return Placed(start, refused=f"the zones move together, and {member}" if len(members) > 1 else member)
        chosen.append(member)

    def uses(frame: Floats) -> list[Uses] | str:
        found: list[Uses] = []
        for member in chosen:
            got = member.uses(frame)
            if isinstance(got, str):
                return got
            found += got
        return found

    felt = felt_space(np.vstack([member.rows for member in chosen]), free)
    if not felt.shape[1] and not allowances:
        return Placed(start)
    # a shift is bounded by all its movements, also by those that the zones don't feel
    gain = max(member.least_gain for member in chosen)
    got = best_movement(uses, start, free if allowances else felt, centre, allowances, least_gain=gain)
    if isinstance(got, str):
        return Placed(start, refused=got)
    return Placed(got.frame, movement_details(got, felt, words, centre))


def _member(spec: CharacteristicSpec, context: Context, name: str, start: Floats, centre: Floats) -> Member | str:
    """One feature as it takes part, by its kind; or why it can't."""
    from runner.measure.characteristics import line_profile, position, profile

    makers = {"profile": profile.member, "profile of a line": line_profile.member}
    return makers.get(spec.kind, position.member)(spec, context, name, start, centre)


def movement_details(got: Movement, felt: Floats, words: str, centre: Floats) -> dict[str, float | str]:
    """How far a zone was moved, with what."""
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
