"""Cross references: a list of small functions, each taking the draft and returning the problems it sees."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from runner.diagnostics import Problem
from runner.recipe import checks_alignment, checks_features, checks_kinds, checks_new
from runner.recipe.characteristics import (
    AngleBetween,
    Coaxial,
    Distance,
    Measured,
    Orientation,
    OtherGauge,
    Position,
    Profile,
    Runout,
    Symmetry,
)
from runner.recipe.draft import Draft
from runner.recipe.expand import member_names
from runner.recipe.features import Constructed, PatternFeature
from runner.recipe.frames import is_written_out, place_of, places_in
from runner.recipe.scalars import listed, nearest, shown

MOST_SUGGESTIONS = 40
"""Nearest names are sought for so many problems of one sort; it keeps the time bounded."""

SINGLE = ("to", "face", "hole", "chamfer", "trim edge")
"""Keys that name one feature, never a pattern."""

Check = Callable[[Draft], list[Problem]]
Path = tuple[str | int, ...]


def check(draft: Draft) -> list[Problem]:
    """Return the problems of all checks, unsorted."""
    every = (
        *CHECKS,
        *checks_features.CHECKS,
        *checks_kinds.CHECKS,
        *checks_new.CHECKS,
        *checks_alignment.CHECKS,
    )
    return [problem for one in every for problem in one(draft)]


def references_of(draft: Draft) -> Iterator[tuple[Path, str]]:
    """Yield path and name of every reference to a feature."""
    for label, datum in draft.datums.items():
        if datum is not None and datum.feature is not None:
            yield ("datums", label, "feature"), datum.feature
    for name, feature in draft.features.items():
        if isinstance(feature, Constructed):
            several = len(feature.parents) > 1
            for i, parent in enumerate(feature.parents):
                yield ("features", name, feature.kind, *((i,) if several else ())), parent
    yield from checks_alignment.references(draft)
    for name, characteristic in draft.characteristics.items():
        if characteristic is None:
            continue
        for inside, reference in characteristic.references:
            yield ("characteristics", name, *inside), reference
        to = getattr(characteristic, "to", None)
        if to is not None:
            yield ("characteristics", name, "to"), to


def frames_of(draft: Draft) -> Iterator[tuple[Path, str]]:
    """Yield path and text of every reference to a datum system."""
    if draft.alignment is not None and draft.alignment.datums is not None:
        yield ("alignment", "datums"), draft.alignment.datums
    for name, characteristic in draft.characteristics.items():
        frame = getattr(characteristic, "datums", None)
        if frame is not None:
            yield ("characteristics", name, "datums"), frame


def unknown_features(draft: Draft) -> list[Problem]:
    """Find names of features that the recipe does not define, and patterns where one feature belongs."""
    problems: list[Problem] = []
    names = list(draft.features)
    for path, reference in references_of(draft):
        each = reference.startswith("each of ")
        name = reference.removeprefix("each of ")
        if not draft.knows(name):
            problems.append(
                draft.places.problem(
                    path,
                    f'refers to feature "{name}", which this recipe does not define',
                    _members(draft, name) or "the features " + (listed(names) or "(none)"),
                    nearest(name, names) if len(problems) < MOST_SUGGESTIONS else "",
                )
            )
            continue
        pattern = isinstance(draft.features.get(name), PatternFeature)
        if each and not pattern and draft.features.get(name) is not None:
            problems.append(
                draft.places.problem(path, f'"{name}" is no pattern', "each of a pattern", f'write "{name}" alone')
            )
        if pattern and path[0] == "characteristics" and (path[-1] in SINGLE or isinstance(path[-1], int)):
            problems.append(
                draft.places.problem(
                    path, f'"{name}" is a pattern where one feature belongs', f'one member, such as "{name} 1"'
                )
            )
    return problems


def _members(draft: Draft, name: str) -> str:
    """Return the members of the pattern that a wrong number was asked of."""
    stem, _, number = name.rpartition(" ")
    feature = draft.features.get(stem)
    if number.isdigit() and isinstance(feature, PatternFeature):
        members = member_names(stem, feature)
        return f"the members {members[0]} to {members[-1]}"
    return ""


def unknown_datums(draft: Draft) -> list[Problem]:
    """Find datum systems and datums that the recipe does not define."""
    problems: list[Problem] = []
    for name, system in draft.systems.items():
        if system is not None:
            problems += _datums_in(draft, ("datum systems", name), system)
    for path, frame in frames_of(draft):
        if frame in draft.systems:
            continue
        if is_written_out(frame) or frame in draft.datums:
            problems += _datums_in(draft, path, frame)
            continue
        problems.append(
            draft.places.problem(
                path,
                f'refers to datum system "{frame}", which this recipe does not define',
                "the datum systems " + (listed(draft.systems) or "(none)") + ", or datums such as [A, B, C]",
                nearest(frame, list(draft.systems)) if len(problems) < MOST_SUGGESTIONS else "",
            )
        )
    return problems


def _datums_in(draft: Draft, whole: Path, text: str) -> list[Problem]:
    """Return the problems of one ordered list of datums."""
    problems: list[Problem] = []
    seen: set[str] = set()
    places = text.split("|")
    if len(places) > 3:
        problems.append(
            draft.places.problem(whole, f"{len(places)} datums in one system", "primary, secondary and tertiary datum")
        )
        return problems
    node = draft.places.node(whole)
    for i, place in enumerate(places):
        # a list is pointed at item by item, a text "A|B" as a whole
        path = (*whole, i) if node is not None and node.items is not None else whole
        wrong = checks_alignment.place_problem(draft, place_of(place))
        if wrong is not None:
            problems.append(draft.places.problem(path, *wrong))
        for label in place_of(place).labels:
            if label not in draft.datums:
                said = f'refers to datum "{label}", but this recipe defines {listed(draft.datums) or "none"}'
                problems.append(draft.places.problem(path, said, "", nearest(label, list(draft.datums)[:40])))
            elif label in seen:
                said = f'datum "{label}" stands twice in "{text}"'
                problems.append(draft.places.problem(path, said, "each datum once, in its order"))
            seen.add(label)
    return problems


def unused(draft: Draft) -> list[Problem]:
    """Warn about datums, datum systems and features that nothing uses."""
    complete = all(entry is not None for table in (draft.characteristics, draft.datums) for entry in table.values())
    if not complete or any(system is None for system in draft.systems.values()):
        return []  # what a broken entry uses is not known
    problems: list[Problem] = []
    frames = [frame for _, frame in frames_of(draft)]
    used_systems = set(frames)
    in_frames = [*frames, *(system for system in draft.systems.values() if system)]
    used_datums = {label for frame in in_frames for place in places_in(frame) for label in place.labels}
    used_features: set[str] = set()
    for _, reference in references_of(draft):
        name = reference.removeprefix("each of ")
        used_features |= {name, draft.pattern_of(name) or name}
    for label in draft.datums:
        if label not in used_datums:
            problems.append(_warning(draft, ("datums", label), "no datum system and no characteristic uses this datum"))
    for name in draft.systems:
        if name not in used_systems:
            problems.append(_warning(draft, ("datum systems", name), "no characteristic uses this datum system"))
    for name, feature in draft.features.items():
        if name not in used_features and feature is not None:
            problems.append(_warning(draft, ("features", name), "no datum and no characteristic uses this feature"))
    return problems


def _warning(draft: Draft, path: Path, message: str) -> Problem:
    return draft.places.problem(path, message, severity="warning", at_key=True)


def uncertainty_stated(draft: Draft) -> list[Problem]:
    """Find characteristics without an uncertainty where the decision is guarded by it."""
    if draft.decision is None or draft.decision.rule != "guarded":
        return []
    defaults = draft.defaults.characteristics if draft.defaults is not None else None
    problems: list[Problem] = []
    for name, characteristic in draft.characteristics.items():
        if characteristic is not None and characteristic.angular and not isinstance(characteristic, OtherGauge):
            key, stated = "angle uncertainty", getattr(characteristic, "uncertainty", None)
            stated = stated or (defaults.angle_uncertainty if defaults else None)
        elif isinstance(characteristic, Measured):
            key, stated = "uncertainty", characteristic.uncertainty
            stated = stated or (defaults.uncertainty if defaults else None)
        elif isinstance(characteristic, OtherGauge) and characteristic.kind_ == "value":
            key, stated = "", characteristic.uncertainty
        else:
            continue
        limits = getattr(characteristic, "limits", None)
        reference = limits is not None and limits.form == "reference"
        if not stated and not reference:
            problems.append(
                draft.places.problem(
                    ("characteristics", name),
                    "a guarded decision needs an uncertainty, and none is stated",
                    f"uncertainty here, or defaults: characteristics: {key}" if key else "uncertainty here",
                    at_key=True,
                )
            )
    return problems


def pictures_exist(draft: Draft) -> list[Problem]:
    """Find pictures of characteristics that don't exist or have none."""
    problems: list[Problem] = []
    for i, name in enumerate((draft.outputs.pictures if draft.outputs is not None else None) or []):
        path = ("outputs", "pictures", i)
        if name not in draft.characteristics:
            said = f'refers to characteristic "{name}", which this recipe does not define'
            ids = listed(f'"{one}"' for one in draft.characteristics)
            problems.append(draft.places.problem(path, said, f"the ids {ids}"))
        elif draft.characteristics[name] is not None and not isinstance(draft.characteristics[name], Profile):
            said = f'"{name}" is no profile, so that it has no picture'
            problems.append(draft.places.problem(path, said, "ids of profiles"))
    return problems


def frames_needed(draft: Draft) -> list[Problem]:
    """Find orientations without a datum or with two sorts of it, and positions without datums."""
    problems: list[Problem] = []
    for name, characteristic in draft.characteristics.items():
        path = ("characteristics", name)
        if isinstance(characteristic, Orientation) and (characteristic.datums is None) == (characteristic.to is None):
            said = "states neither datums nor to" if characteristic.to is None else "states both datums and to"
            problems.append(draft.places.problem(path, said, "datums, or to: a feature", at_key=True))
        needed = isinstance(characteristic, Position | Coaxial | Symmetry | Runout)
        if needed and getattr(characteristic, "datums", None) is None:
            assert characteristic is not None
            said = f"a {characteristic.kind} needs datums"
            problems.append(draft.places.problem(path, said, "datums: ...", at_key=True))
        if (
            isinstance(characteristic, Distance | AngleBetween)
            and characteristic.datums is not None
            and characteristic.along is None
        ):
            what = "a distance" if isinstance(characteristic, Distance) else "an angle"
            said = f"datums without a direction have no effect on {what}"
            problems.append(draft.places.problem((*path, "datums"), said, "along: a direction"))
    return problems


def units_of_standards(draft: Draft) -> list[Problem]:
    """Find metric fits and general classes on an inch drawing."""
    if draft.drawing is None or draft.drawing.units != "in":
        return []
    problems: list[Problem] = []
    for name, characteristic in draft.characteristics.items():
        for key in ("limits", "size limits"):
            limits = getattr(characteristic, key.replace(" ", "_"), None)
            if limits is not None and limits.form in ("fit", "general") and not limits.general_class:
                said = f"{shown(limits.text)} is defined in millimetres, but this drawing is in inches"
                path = ("characteristics", name, key)
                problems.append(draft.places.problem(path, said, "explicit limits in inches"))
    return problems


def units_of_entries(draft: Draft) -> list[Problem]:
    """Find entered values in a length unit other than the drawing's."""
    problems: list[Problem] = []
    for name, characteristic in draft.characteristics.items():
        unit = characteristic.unit if isinstance(characteristic, OtherGauge) else None
        if draft.drawing is not None and unit not in (None, "deg", draft.drawing.units):
            said = f'unit: a value in "{unit}" on a drawing in "{draft.drawing.units}"'
            path = ("characteristics", name, "unit")
            problems.append(draft.places.problem(path, said, f"{draft.drawing.units} or deg"))
    return problems


CHECKS: tuple[Check, ...] = (
    unknown_features,
    unknown_datums,
    unused,
    uncertainty_stated,
    pictures_exist,
    frames_needed,
    units_of_standards,
    units_of_entries,
)
