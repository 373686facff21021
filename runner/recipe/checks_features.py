"""Checks of features, patterns and names by themselves."""

from __future__ import annotations

import math
from collections.abc import Callable

from runner.diagnostics import Problem
from runner.recipe.draft import Draft
from runner.recipe.expand import count_of, places_of
from runner.recipe.features import FeatureOptions, PatternFeature
from runner.recipe.kinds import DATUM_FEATURES, EDGE_KINDS
from runner.recipe.scalars import Refused

MOST_MEMBERS = 10_000


def names_that_clash(draft: Draft) -> list[Problem]:
    """Find names that differ in case only, or that a pattern's member already has."""
    problems = []
    for section, table in (("features", draft.features), ("datum systems", draft.systems)):
        seen: dict[str, str] = {}
        for name in table:
            earlier = seen.setdefault(name.lower(), name)
            if earlier != name:
                said = f'differs from "{earlier}" in capital letters only'
                problems.append(draft.places.problem((section, name), said, "names apart in letters", at_key=True))
    for name in draft.features:
        pattern = draft.pattern_of(name)
        if pattern is not None and draft.features[pattern] is not None:
            said = f'is already a member of the pattern "{pattern}"'
            problems.append(draft.places.problem(("features", name), said, at_key=True))
    for name in draft.systems:
        if name in draft.datums:
            said = "a datum has this name already"
            problems.append(draft.places.problem(("datum systems", name), said, "another name", at_key=True))
    return problems


def empty_sections(draft: Draft) -> list[Problem]:
    """Find sections without any entry, and labels that are easily misread."""
    problems = []
    for section in ("features", "characteristics"):
        node = draft.places.node((section,))
        if node is not None and node.pairs is not None and not node.pairs:
            problems.append(draft.places.problem((section,), "nothing is listed here", "at least one entry"))
    for label in draft.datums:
        if label in ("I", "O", "Q"):
            said = f"the letter {label} is avoided for datums, since it reads like a digit"
            problems.append(draft.places.problem(("datums", label), said, severity="warning", at_key=True))
    return problems


def edge_depths(draft: Draft) -> list[Problem]:
    """Find depths of edges on features that are not taken from edges."""
    problems = []
    for name, feature in draft.features.items():
        if not isinstance(feature, FeatureOptions) or feature.depth is None:
            continue
        kind = feature.of.repeated if isinstance(feature, PatternFeature) else feature.kind
        source = getattr(feature, "from_", None) or ("edges" if kind in EDGE_KINDS else "surface")
        if source != "edges":
            said = f"depth belongs to features from edges, but this {kind} is taken from its surface"
            problems.append(draft.places.problem(("features", name, "depth"), said, "from: edges, or no depth"))
    return problems


def datum_features(draft: Draft) -> list[Problem]:
    """Find datums on features that give none."""
    problems = []
    for label, datum in draft.datums.items():
        kind = draft.kind_of(datum.feature) if datum is not None and datum.feature is not None else None
        if kind is not None and kind not in DATUM_FEATURES:
            said = f"a {kind} gives no datum in this version"
            path = ("datums", label, "feature")
            problems.append(draft.places.problem(path, said, "one of " + ", ".join(DATUM_FEATURES)))
    return problems


def patterns_possible(draft: Draft) -> list[Problem]:
    """Find patterns whose directions are parallel, whose members coincide, or that are very many."""
    problems = []
    total = 0
    for name, feature in draft.features.items():
        if not isinstance(feature, PatternFeature):
            continue
        path = ("features", name, "pattern")
        total += count_of(feature)
        if total > MOST_MEMBERS:
            said = f"more than {MOST_MEMBERS} members in all patterns"
            problems.append(draft.places.problem(("features", name), said, at_key=True))
            break
        try:
            places, axis, lengthwise = places_of(feature)
        except Refused as error:
            problems.append(draft.places.problem(path, error.message, error.allowed, at_key=True))
            continue
        seen: dict[tuple[float, ...], int] = {}
        for i, place in enumerate(places):
            twin = seen.setdefault(tuple(round(float(v), 6) + 0.0 for v in place), i)
            if twin != i:
                said = f"members {twin + 1} and {i + 1} lie at the same place"
                problems.append(draft.places.problem(path, said, at_key=True))
                break
        slot = feature.of.slot or feature.of.rectangle
        shown = "slot" if feature.of.slot is not None else "rectangle"
        if slot is None:
            continue
        if slot.along is None and lengthwise is None:
            said = f"the {shown}s' direction is not stated, and places give none"
            problems.append(
                draft.places.problem(("features", name, "of", shown), said, "along: a direction", at_key=True)
            )
        elif not _square(tuple(axis), slot.along or tuple(lengthwise[0])):  # type: ignore[index]
            said = f"the {shown}s' length is not square to the axis"
            problems.append(
                draft.places.problem(
                    ("features", name, "of", shown), said, "along: a direction square to it", at_key=True
                )
            )
    return problems


def _square(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    """Return whether two directions are square to each other within 0.006 degrees."""
    return abs(sum(p * q for p, q in zip(a, b, strict=True))) <= 1e-4 * math.hypot(*a) * math.hypot(*b)


def slots_possible(draft: Draft) -> list[Problem]:
    """Find slots whose length is not square to their axis, and far sides without a sheet thickness."""
    problems = []
    for name, feature in draft.features.items():
        shown = "rectangle" if getattr(feature, "rectangle", None) is not None else "slot"
        slot = getattr(feature, shown, None)
        if slot is not None and not _square(slot.axis, slot.along):
            said = "along is not square to axis"
            path = ("features", name, shown, "along")
            problems.append(draft.places.problem(path, said, "a direction square to the axis"))
        far = getattr(feature, "side", None) == "far"
        if far and draft.sheet is None and draft.places.node(("sheet",)) is None:
            said = "the far side needs the sheet's thickness"
            problems.append(draft.places.problem(("features", name, "side"), said, "sheet: {thickness: ...}"))
    return problems


CHECKS: tuple[Callable[[Draft], list[Problem]], ...] = (
    names_that_clash,
    empty_sections,
    edge_depths,
    datum_features,
    patterns_possible,
    slots_possible,
)
