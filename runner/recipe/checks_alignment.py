"""Checks of the alignment, of datums and of scan sets."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from runner.align.rough import pose_from_landmarks
from runner.diagnostics import Problem
from runner.recipe.defaults import LANDMARK_LIMIT_MM
from runner.recipe.draft import Draft
from runner.recipe.features import PatternFeature
from runner.recipe.frames import DatumPlace
from runner.recipe.kinds import SIZE_FEATURES
from runner.recipe.sections import Judge

Path = tuple[str | int, ...]


def references(draft: Draft) -> Iterator[tuple[Path, str]]:
    """Yield path and name of every feature that the alignment names."""
    alignment = draft.alignment
    if alignment is None:
        return
    target = alignment.fit.to if alignment.fit is not None else None
    for part in target if isinstance(target, tuple) else ():
        for name in part.names:
            yield ("alignment", "fit", "to"), name
    for label, point in (alignment.reference_points or {}).items():
        if point.feature is not None:
            yield ("alignment", "reference points", label, "feature"), point.feature


def place_problem(draft: Draft, place: DatumPlace) -> tuple[str, str] | None:
    """Return what is wrong with the symbols at one place of a datum system, and what is allowed."""
    if place.material == "least":
        return f'"{place.text}": a datum at least material is not measured by this version', "the datum alone"
    datum = draft.datums.get(place.labels[0])
    material = place.material == "maximum" or (datum is not None and datum.at == "maximum material")
    if not material:
        return None
    if len(place.labels) > 1:
        return f'"{place.text}": a common datum at maximum material is not measured by this version', "single datums"
    if datum is not None and datum.targets:
        return f'"{place.text}": datum targets have no material condition', "the datum alone"
    if place.material == "maximum" and datum is not None and datum.at != "maximum material":
        if datum.virtual_size is None:
            said = f'"{place.text}": the size of its virtual condition is not stated'
            return said, "virtual size: of that datum, from size limit and geometrical tolerance"
        kind = draft.kind_of(datum.feature or "")
        if kind is not None and kind not in SIZE_FEATURES:
            return f'"{place.text}": a {kind} has no size', "one of " + ", ".join(SIZE_FEATURES)
    return None


def datums_possible(draft: Draft) -> list[Problem]:
    """Find datums at maximum material without a size, sizes without effect, and filters that serve no datum."""
    problems = []
    systems = [text for text in draft.systems.values() if text]
    systems += [f for item in draft.characteristics.values() if (f := getattr(item, "datums", None)) is not None]
    for label, datum in draft.datums.items():
        if datum is None:
            continue
        path = ("datums", label)
        kind = draft.kind_of(datum.feature) if datum.feature is not None else None
        if datum.at == "maximum material":
            if datum.virtual_size is None:
                said = "the size of the virtual condition is not stated"
                allowed = "virtual size: from size limit and geometrical tolerance"
                problems.append(draft.places.problem((*path, "at"), said, allowed))
            if kind is not None and kind not in SIZE_FEATURES:
                said = f"a {kind} has no size, so that no material condition applies"
                problems.append(draft.places.problem((*path, "at"), said, "one of " + ", ".join(SIZE_FEATURES)))
        elif datum.virtual_size is not None and not any(f"{label}Ⓜ" in text for text in systems):
            said = "a virtual size has no effect without maximum material"
            problems.append(draft.places.problem((*path, "virtual size"), said, f"at: maximum material, or [{label}Ⓜ]"))
        if isinstance(datum.filter, Judge) and datum.filter.central is not None:
            said = "a central zone is no filter of a datum"
            allowed = "{filter: gaussian, cutoff: ...} or all points"
            problems.append(draft.places.problem((*path, "filter"), said, allowed))
    return problems


def alignment_stated(draft: Draft) -> list[Problem]:
    """Find methods without what they need, and the reverse."""
    alignment = draft.alignment
    if alignment is None:
        return []
    if alignment.method == "datums" and alignment.datums is None:
        said = "method: datums needs datums"
        return [draft.places.problem(("alignment", "method"), said, "datums: the name of a datum system")]
    if alignment.datums is not None and alignment.method != "datums":
        said = "datums are named but the method is not datums"
        return [draft.places.problem(("alignment", "datums"), said, "method: datums")]
    if (alignment.method == "reference points") != bool(alignment.reference_points):
        said = "reference points and method: reference points belong together"
        return [draft.places.problem(("alignment",), said, "both, or neither", at_key=True)]
    if alignment.method == "as scanned" and alignment.start == "automatic":
        said = "method: as scanned makes no fit, so that nothing is started"
        return [draft.places.problem(("alignment", "start"), said, "start: as scanned")]
    return []


def fit_possible(draft: Draft) -> list[Problem]:
    """Find fits that are not made, and reference points that don't hold the part."""
    alignment = draft.alignment
    if alignment is None:
        return []
    problems = []
    fit = alignment.fit
    stated = [
        key
        for key in ("to", "by", "hold")
        if fit is not None and getattr(fit, key) not in (None, (), "all surfaces", "least squares")
    ]
    if stated and alignment.method in ("as scanned", "reference points"):
        said = f"method: {alignment.method} makes no such fit"
        problems.append(draft.places.problem(("alignment", "fit", stated[0]), said, "method: best fit or datums"))
    points = alignment.reference_points or {}
    rows = []
    for label, point in points.items():
        at = np.array(point.at, dtype=np.float64)
        rows += [np.concatenate([n, np.cross(at, n)]) for n in np.array(point.fixes, dtype=np.float64)]
        if point.feature is not None and isinstance(draft.features.get(point.feature), PatternFeature):
            said = f'"{point.feature}" is a pattern where one feature belongs'
            path = ("alignment", "reference points", label, "feature")
            problems.append(draft.places.problem(path, said, f'one member, such as "{point.feature} 1"'))
    if rows:
        matrix = np.array(rows)
        middle = np.mean([point.at for point in points.values()], axis=0)
        # about the middle and by the points' own size, so that a far frame counts as a near one
        matrix[:, 3:] -= np.cross(middle, matrix[:, :3])
        size = max(1e-9, float(np.max(np.abs([np.array(point.at) - middle for point in points.values()]))))
        matrix[:, 3:] /= size
        held = int(np.linalg.matrix_rank(matrix, tol=1e-3))
        if held < 6:
            said = f"the reference points hold {held} of 6 degrees of freedom"
            whole = ("alignment", "reference points")
            problems.append(
                draft.places.problem(whole, said, "such as three, two and one direction (3-2-1)", at_key=True)
            )
    return problems


def hints_possible(draft: Draft) -> list[Problem]:
    """Find hints that nothing uses, and landmarks that don't fit one another."""
    alignment = draft.alignment
    if alignment is None or alignment.hints is None:
        return []
    if "as scanned" in (alignment.start, alignment.method):
        said = "as scanned searches for no pose, so that hints have no effect"
        return [draft.places.problem(("alignment", "hints"), said, "start: automatic, or no hints", at_key=True)]
    hints = alignment.hints
    if not hints.landmarks:
        return []
    units = draft.drawing.units if draft.drawing is not None else "mm"
    limit = hints.landmark_limit or LANDMARK_LIMIT_MM / (25.4 if units == "in" else 1.0)
    nominal, scan = (np.array([getattr(one, key) for one in hints.landmarks]) for key in ("nominal", "scan"))
    off = pose_from_landmarks(nominal, scan)[1]
    worst = int(np.argmax(off))
    if off[worst] <= limit:
        return []
    said = (
        f"the landmarks don't fit one another: after the best fit number {worst + 1} lies {off[worst]:.3g} {units} "
        "from its place"
    )
    flat = pose_from_landmarks(nominal * [-1.0, 1.0, 1.0], scan)[1].max() <= limit
    hint = "two of them may be swapped, or a sign may be wrong"
    if flat:
        hint = "they fit when mirrored: a scanner with a left-handed frame, or a sign"
    path = ("alignment", "hints", "landmarks", worst)
    return [draft.places.problem(path, said, f"at most {limit:.3g} {units} (landmark limit)", hint)]


CHECKS = (datums_possible, alignment_stated, fit_possible, hints_possible)
