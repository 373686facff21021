"""Checks of constructed features, of what the standard decides, and of what single kinds need."""

from __future__ import annotations

from runner.diagnostics import Problem
from runner.geometry.shapes import Shape
from runner.recipe.characteristics import (
    Coaxial,
    Form,
    Position,
    Profile,
    ProfileOfALine,
    Straightness,
    Symmetry,
)
from runner.recipe.confirmed import unconfirmed
from runner.recipe.defaults import ALL_TOGETHER
from runner.recipe.draft import Draft
from runner.recipe.features import Constructed, FeatureOptions, PatternFeature
from runner.recipe.frames import places_in
from runner.recipe.kinds import WIDE_FEATURES, WITHDRAWN_IN_ASME_2018
from runner.recipe.limits import Limits
from runner.recipe.scalars import Refused

TAKES_PATTERNS = ("centre", "axis", "centre circle")


def constructions_possible(draft: Draft) -> list[Problem]:
    """Find constructions in a circle, of patterns where one feature belongs, and those that give nothing."""
    from runner.recipe.translate.features import constructed_order

    problems = []
    order = constructed_order(draft.features)
    for name, feature in draft.features.items():
        if not isinstance(feature, Constructed):
            continue
        path = ("features", name, feature.kind)
        if name not in order:
            said = "is constructed of itself, through its parents"
            problems.append(draft.places.problem(path, said, "parents that stand by themselves", at_key=True))
            continue
        wide = draft.kind_of(feature.parents[0]) in WIDE_FEATURES and len(feature.parents) == 1
        across = getattr(feature, "across", None)
        if feature.kind == "symmetry plane" and wide != (across is not None):
            said = (
                "a slot or rectangle is halved across its width or its length" if wide else "across belongs to a slot"
            )
            problems.append(draft.places.problem(path, said, "across: width or length" if wide else "no across"))
        for parent in feature.parents:
            if isinstance(draft.features.get(parent), PatternFeature) and feature.kind not in TAKES_PATTERNS:
                said = f'"{parent}" is a pattern where one feature belongs'
                problems.append(draft.places.problem(path, said, f'one member, such as "{parent} 1"'))
    return problems or _nominal_constructions(draft, order)


def _nominal_constructions(draft: Draft, order: tuple[str, ...]) -> list[Problem]:
    """Find constructions that the nominal parents don't give; by the same function as the measured ones."""
    from runner.recipe.expand import member_names
    from runner.recipe.translate.features import nominal_of, parents_of
    from runner.recipe.translate.shapes import member_shapes, shape_of, unit_vector

    complete = all(item is not None for item in draft.features.values())
    if not order or not complete or draft.drawing is None:
        return []
    mm = 25.4 if draft.drawing.units == "in" else 1.0
    thickness = draft.sheet.thickness * mm if draft.sheet is not None else 0.0
    shapes: dict[str, Shape | None] = {}
    try:
        for name, item in draft.features.items():
            if isinstance(item, PatternFeature):
                members = member_shapes(item, mm, thickness)
                shapes |= dict(zip(member_names(name, item), members, strict=True))
            elif isinstance(item, FeatureOptions):
                shapes[name] = shape_of(item, mm, thickness)
    except (Refused, TypeError, IndexError):
        return []  # other checks say what is wrong with the patterns
    problems = []
    for name in order:
        item = draft.features[name]
        assert isinstance(item, Constructed)
        parents = parents_of(draft.features, item)
        if any(parent not in shapes for parent in parents):
            continue
        along = getattr(item, "along", None)
        found = nominal_of(item.kind, [shapes[one] for one in parents], None if along is None else unit_vector(along))
        if isinstance(found, str):
            path = ("features", name, item.kind)
            said = f"the nominal gives no {item.kind}: {found}"
            problems.append(draft.places.problem(path, said, "parents that give one", at_key=True))
        else:
            shapes[name] = found
    return problems


def standards_ask(draft: Draft) -> list[Problem]:
    """Find what the drawing's standard does not know, and what its edition leaves to be stated."""
    if draft.drawing is None:
        return []
    asme, edition = draft.drawing.standard == "ASME Y14.5", draft.drawing.edition
    problems = []
    for name, item in draft.characteristics.items():
        path = ("characteristics", name)
        if asme and isinstance(item, Coaxial | Symmetry):
            said = f"{item.kind} was withdrawn in ASME Y14.5-2018"
            if edition != "2018":
                said = f"{item.kind} of ASME Y14.5-{edition} (median points) is not measured; the one here is of ISO"
            if item.kind == "coaxiality":
                said = said if edition == "2018" else "coaxiality belongs to ISO GPS"
            allowed = "position or profile in its place" + ("" if edition == "2018" else ", or runout")
            problems.append(draft.places.problem((*path, item.kind), said, allowed, at_key=True))
        if not isinstance(item, Position | Profile):
            continue
        pattern = isinstance(draft.features.get(item.references[0][1].removeprefix("each of ")), PatternFeature)
        if item.zones is not None and not pattern:
            problems.append(draft.places.problem((*path, "zones"), "zones belong to a pattern", "each of a pattern"))
        if pattern and item.zones is None and not asme and edition != "2017":
            said = f"whether the zones of a pattern hold together is not stated, and ISO of {edition} differs from 2018"
            problems.append(draft.places.problem(path, said, "zones: combined (CZ) or separate (SZ)", at_key=True))
        if item.simultaneous not in (None, "separate") and item.datums is None:
            said = "a simultaneous requirement without datums is not measured by this version"
            problems.append(draft.places.problem((*path, "simultaneous"), said, "datums: ..., or separate"))
    return [*problems, *_alone(draft)]


def _alone(draft: Draft) -> list[Problem]:
    """Warn about a word of simultaneity that only one characteristic has."""
    words: dict[tuple[str, str], list[str]] = {}
    for name, item in draft.characteristics.items():
        word, frame = getattr(item, "simultaneous", None), getattr(item, "datums", None)
        if word not in (None, "separate", ALL_TOGETHER) and frame is not None:
            words.setdefault((word, draft.systems.get(frame) or frame), []).append(name)
    return [
        draft.places.problem(
            ("characteristics", names[0], "simultaneous"),
            f'no other characteristic with the same datums has the word "{word}"',
            "the same word and datums at two characteristics",
            severity="warning",
        )
        for (word, _), names in words.items()
        if len(names) == 1
    ]


def kinds_need(draft: Draft) -> list[Problem]:
    """Find what single kinds need or can't have."""
    problems = []
    for name, item in draft.characteristics.items():
        path = ("characteristics", name)
        if item is None or not item.references:
            continue
        kind = draft.kind_of(item.references[0][1])
        if kind is None:
            continue

        def add(key: str | None, said: str, allowed: str, path: tuple[str, ...] = path) -> None:
            where = (*path, key) if key else path
            problems.append(draft.places.problem(where, said, allowed, at_key=key is None))

        if isinstance(item, Straightness):
            round_face = kind in ("cylinder", "cone")
            if round_face != (item.of is not None):
                add(
                    None if round_face else "of",
                    "which straightness of a round face is not stated"
                    if round_face
                    else f"a {kind} has one straightness",
                    "of: axis or of: generators" if round_face else "no of",
                )
            if (kind == "plane") != (item.along is not None):
                flat = kind == "plane"
                said = (
                    "straightness in a plane needs the direction of its lines" if flat else "along belongs to a plane"
                )
                add(None if flat else "along", said, "along: such as +x" if flat else "no along")
            free = item.of == "axis" or kind == "line"
            if free and item.shape is None:
                add(
                    None, "the zone's shape is not stated, and the drawing decides it", "shape: diametral or two planes"
                )
            if item.shape == "spherical" or (item.shape == "diametral" and not free):
                add("shape", f"this straightness has no {item.shape} zone", "two planes")
            if free and item.shape == "two planes" and item.direction is None:
                add(None, "a zone of two planes needs the direction across it", "direction: such as +x")
        if isinstance(item, Symmetry) and (kind in WIDE_FEATURES) != (item.across is not None):
            wide = kind in WIDE_FEATURES
            said = (
                f"the symmetry of a {kind} needs across" if wide else f"across belongs to a slot, but this is a {kind}"
            )
            add(None if wide else "across", said, "across: width or length" if wide else "no across")
        if isinstance(item, ProfileOfALine) and kind == "cross-section" and (item.direction or item.step):
            key = "direction" if item.direction is not None else "step"
            add(key, "a cross-section is one section", f"no {key}")
        if isinstance(item, ProfileOfALine) and kind != "cross-section" and item.direction is None:
            add(None, "a face needs the direction across its sections", "direction: such as +x")
        frame = getattr(item, "datums", None)
        if isinstance(item, Form) and frame is not None:
            add("datums", "a form has no datums", "no datums")
    return problems


def rows_from_memory(draft: Draft) -> list[Problem]:
    """Mark limits that come from a row of a standard's table that is known from memory only."""
    problems = []
    for name, item in draft.characteristics.items():
        for key in ("limits", "size limits"):
            limits = getattr(item, key.replace(" ", "_"), None)
            if isinstance(limits, Limits) and unconfirmed(limits):
                said = f"limits of {limits.text} come from a table row not confirmed against the standard"
                allowed = "explicit limits, or compare the limits printed below with the standard"
                problems.append(draft.places.problem(("characteristics", name, key), said, allowed, severity="warning"))
    return problems


def separate_of_lower_segments(draft: Draft) -> list[Problem]:
    """Find datums that give directions only in characteristics which need a place."""
    problems = []
    for name, item in draft.characteristics.items():
        frame = getattr(item, "datums", None)
        if frame is None or not isinstance(item, Coaxial | Symmetry):
            continue
        if any(place.orientation_only for place in places_in(draft.systems.get(frame) or frame)):
            said = f"a {item.kind} needs the place of its datum, not only directions"
            problems.append(draft.places.problem(("characteristics", name, "datums"), said, "the datum without ><"))
    return problems


assert set(WITHDRAWN_IN_ASME_2018) == {"coaxiality", "concentricity", "symmetry"}
CHECKS = (constructions_possible, standards_ask, kinds_need, rows_from_memory, separate_of_lower_segments)
