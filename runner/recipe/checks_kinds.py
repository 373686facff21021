"""Checks of what may be asked of which feature, and of what the drawing must have stated."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from runner.diagnostics import Problem
from runner.recipe.characteristics import (
    CharacteristicOptions,
    Form,
    Orientation,
    Position,
    ProfileZone,
    Size,
)
from runner.recipe.draft import Draft
from runner.recipe.kinds import (
    AXIS_FEATURES,
    CHARACTERISTIC_FEATURES,
    FLAT_FEATURES,
    POINT_FEATURES,
    SIZE_FEATURES,
    WIDE_FEATURES,
)
from runner.recipe.limits import Limits
from runner.recipe.scalars import number_text


def names_in(characteristic: CharacteristicOptions) -> tuple[str, ...]:
    """Return the features a characteristic names, without ``each of``."""
    return tuple(name.removeprefix("each of ") for _, name in characteristic.references)


def _a(kind: str) -> str:
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"


def kinds_fit(draft: Draft) -> list[Problem]:
    """Find characteristics asked of features that have none."""
    problems = []
    for name, characteristic in draft.characteristics.items():
        if characteristic is None:
            continue
        allowed = CHARACTERISTIC_FEATURES[characteristic.kind]
        for inside, feature in characteristic.references:
            feature = feature.removeprefix("each of ")
            kind = draft.kind_of(feature)
            if kind is not None and kind not in allowed:
                path = ("characteristics", name, *inside)
                problems.append(
                    draft.places.problem(
                        path,
                        f'{characteristic.kind} can\'t be asked of "{feature}", which is {_a(kind)}',
                        "one of " + ", ".join(allowed),
                    )
                )
    return problems


def zones_stated(draft: Draft) -> list[Problem]:
    """Find zones whose shape the drawing must decide, and shapes that the feature can't have."""
    problems = []
    for name, characteristic in draft.characteristics.items():
        path: tuple[str, ...] = ("characteristics", name)
        if not isinstance(characteristic, Position | Orientation):
            continue
        kind = draft.kind_of(names_in(characteristic)[0])
        if kind is None:
            continue

        def add(key: str | None, message: str, allowed: str, path: tuple[str, ...] = path) -> None:
            where = (*path, key) if key else path
            problems.append(draft.places.problem(where, message, allowed, at_key=key is None))

        shape, across = characteristic.shape, getattr(characteristic, "across", None)
        if kind in WIDE_FEATURES:
            if across is None:
                add(
                    None,
                    f"the position of a {kind} needs across: it has a zone across its width and one along its length",
                    "across: width or across: length",
                )
            if shape in ("diametral", "spherical"):
                add("shape", f"a {kind} has zones of two planes, not a {shape} one", "two planes")
            if characteristic.direction is not None:
                add("direction", "the direction follows from across", "across alone")
            continue
        if across is not None:
            add("across", f"across belongs to a slot, but this is {_a(kind)}", "shape: diametral or two planes")
            continue
        if kind in FLAT_FEATURES:
            if shape in ("diametral", "spherical"):
                add("shape", f"a plane has a zone of two planes, not a {shape} one", "two planes")
            continue
        if shape is None:
            add(
                None,
                "the zone's shape is not stated, and the drawing decides it",
                "shape: " + ("spherical or two planes" if kind in POINT_FEATURES else "diametral or two planes"),
            )
        elif shape == "spherical" and kind not in POINT_FEATURES:
            add("shape", f"a spherical zone belongs to a sphere, but this is {_a(kind)}", "diametral or two planes")
        elif shape == "diametral" and kind == "sphere":
            add("shape", "a sphere's centre has a spherical zone", "spherical or two planes")
        elif shape == "two planes" and characteristic.direction is None:
            add(None, "a zone of two planes needs the direction across it", "direction: such as +x")
        if shape != "two planes" and characteristic.direction is not None:
            add("direction", "a direction belongs to a zone of two planes", "shape: two planes")
    return problems


def sizes_fit(draft: Draft) -> list[Problem]:
    """Find sizes of slots without a side, sides elsewhere, and limits that miss the nominal feature."""
    problems = []
    for name, characteristic in draft.characteristics.items():
        if not isinstance(characteristic, Size):
            continue
        path = ("characteristics", name)
        feature = names_in(characteristic)[0]
        kind = draft.kind_of(feature)
        problems += _planes_faced(draft, path, characteristic)
        if kind is None or kind not in SIZE_FEATURES or isinstance(characteristic.size, tuple):
            continue
        if kind in WIDE_FEATURES and characteristic.across is None:
            problems.append(
                draft.places.problem(path, f"a {kind} has two sizes", "across: width or across: length", at_key=True)
            )
            continue
        if kind not in WIDE_FEATURES and characteristic.across is not None:
            problems.append(draft.places.problem((*path, "across"), f"a {kind} has one size", "no across"))
            continue
        nominal = nominal_size(draft, feature, characteristic.across)
        limits: Limits = characteristic.limits
        if nominal is None:
            continue
        too_small = limits.lower is not None and nominal < limits.lower - 1e-9
        too_large = limits.upper is not None and nominal > limits.upper + 1e-9
        if too_small or too_large:
            problems.append(
                draft.places.problem(
                    (*path, "limits"),
                    f'the feature "{feature}" is modelled at {number_text(nominal)}, outside the limits {limits.text}',
                    "limits around the modelled size, unless the drawing says so",
                    severity="warning",
                )
            )
    return problems


def _planes_faced(draft: Draft, path: tuple[str, ...], item: Size) -> list[Problem]:
    """Return the problems of a size between two planes, or of a single plane."""
    pair = isinstance(item.size, tuple)
    kinds = {draft.kind_of(feature) for feature in names_in(item)} - {None}
    if pair and kinds - {"plane"}:
        said = "a size between two features is one between two facing planes"
        return [draft.places.problem((*path, "size"), said, "two planes, or a distance", at_key=True)]
    if not pair and kinds == {"plane"}:
        said = "a single plane has no size"
        return [draft.places.problem((*path, "size"), said, "two facing planes, such as [lower face, upper face]")]
    by = item.by or ("two-point" if draft.drawing is None or draft.drawing.standard == "ISO GPS" else "envelope")
    if pair and by not in ("two-point", "GG", "envelope"):
        said = f"the {by} size between two planes is not measured by this version"
        return [draft.places.problem(path, said, "by: two-point, by: GG or by: envelope", at_key=True)]
    if pair and item.across is not None:
        return [draft.places.problem((*path, "across"), "across belongs to a slot", "no across")]
    return []


def nominal_size(draft: Draft, reference: str, across: str | None) -> float | None:
    """Return the modelled size of a feature of size, drawing's unit."""
    name = reference if reference in draft.features else draft.pattern_of(reference)
    feature = draft.features.get(name or "")
    if feature is None:
        return None
    holder = getattr(feature, "of", feature)
    element = next((getattr(holder, kind) for kind in SIZE_FEATURES if getattr(holder, kind, None) is not None), None)
    return getattr(element, across or "diameter", None) if element is not None else None


def judge_stated(draft: Draft) -> list[Problem]:
    """Find forms that do not say which zone is judged."""
    defaults = draft.defaults.characteristics if draft.defaults is not None else None
    if defaults is not None and defaults.judge is not None:
        return []
    return [
        draft.places.problem(
            ("characteristics", name),
            "which zone is judged is not stated",
            "judge: all points, or judge: {filter: gaussian, cutoff: 2.5}, here or in defaults: characteristics",
            at_key=True,
        )
        for name, characteristic in draft.characteristics.items()
        if isinstance(characteristic, Form) and characteristic.judge is None
    ]


def material_conditions(draft: Draft) -> list[Problem]:
    """Find material conditions on features without a size, or without limits of size to take the bonus from."""
    problems = []
    sizes = size_limits_by_feature(draft.characteristics)
    complete = all(item is not None for item in draft.characteristics.values())
    for name, characteristic in draft.characteristics.items():
        if not isinstance(characteristic, Position):
            continue
        path = ("characteristics", name)
        conditional = characteristic.at in ("maximum material", "least material")
        kind = draft.kind_of(names_in(characteristic)[0])
        if conditional and kind is not None and kind not in SIZE_FEATURES:
            problems.append(
                draft.places.problem(
                    (*path, "at"),
                    f"a {kind} has no size, so that no material condition applies",
                    "one of " + ", ".join(SIZE_FEATURES),
                )
            )
        elif conditional and kind == "sphere":
            problems.append(
                draft.places.problem(
                    (*path, "at"), "a material condition of a sphere is not measured by this version", "at: any size"
                )
            )
        elif (
            conditional and complete and not _two_sided(characteristic.size_limits or limits_of(sizes, characteristic))
        ):
            problems.append(
                draft.places.problem(
                    (*path, "at"),
                    "the bonus needs limits of size, and no size characteristic of this feature gives them",
                    "size limits: such as 6.6 +0.2/0, or a size characteristic of the same feature",
                )
            )
        if not conditional and characteristic.size_limits is not None:
            problems.append(
                draft.places.problem(
                    (*path, "size limits"),
                    "size limits have no effect without a material condition",
                    "at: maximum material",
                )
            )
    return problems


def _two_sided(limits: Limits | None) -> bool:
    return limits is not None and limits.lower is not None and limits.upper is not None


def size_limits_by_feature(
    characteristics: Mapping[str, CharacteristicOptions | None],
) -> dict[tuple[str, str | None], Limits]:
    """Return the limits of size characteristics by feature and, for slots, by side; the first one stated counts."""
    found: dict[tuple[str, str | None], Limits] = {}
    for item in characteristics.values():
        if isinstance(item, Size) and isinstance(item.size, str):
            found.setdefault((item.size.removeprefix("each of "), item.across), item.limits)
    return found


def limits_of(sizes: Mapping[tuple[str, str | None], Limits], position: Position) -> Limits | None:
    """Return the limits of size of a position's feature, or None."""
    return sizes.get((position.position.removeprefix("each of "), position.across))


def profile_disposed(draft: Draft) -> list[Problem]:
    """Find unequal zones stated in the other standard's way, gaps and reaches that can't decide."""
    problems = []
    for name, characteristic in draft.characteristics.items():
        path = ("characteristics", name)
        if characteristic is not None and not isinstance(characteristic, ProfileZone):
            need = getattr(characteristic, "need", None)
            if need is not None and need.largest_gap is not None:
                problems.append(
                    draft.places.problem(
                        (*path, "need", "largest gap"), "a largest gap is judged for profiles only", "coverage"
                    )
                )
        if not isinstance(characteristic, ProfileZone):
            continue
        if draft.drawing is not None:
            iso = draft.drawing.standard == "ISO GPS"
            if iso and characteristic.outside is not None:
                problems.append(
                    draft.places.problem(
                        (*path, "outside"),
                        "outside belongs to ASME Y14.5 (Ⓤ)",
                        "unequal: the shift of the zone's middle (UZ)",
                    )
                )
            if not iso and characteristic.unequal is not None:
                problems.append(
                    draft.places.problem(
                        (*path, "unequal"),
                        "unequal (UZ) belongs to ISO GPS",
                        "outside: the share of the zone outside the material (Ⓤ)",
                    )
                )
        if characteristic.reach is not None and characteristic.reach < characteristic.zone:
            problems.append(
                draft.places.problem(
                    (*path, "reach"),
                    f"a reach of {characteristic.reach:g} does not see beyond a zone of {characteristic.zone:g}",
                    "several times the zone",
                )
            )
    return problems


def axes_over(draft: Draft) -> list[Problem]:
    """Find stretches of an axis on features that have none."""
    problems = []
    for name, characteristic in draft.characteristics.items():
        if not isinstance(characteristic, Position | Orientation) or characteristic.over is None:
            continue
        kind = draft.kind_of(names_in(characteristic)[0])
        if kind is not None and kind not in AXIS_FEATURES:
            problems.append(
                draft.places.problem(
                    ("characteristics", name, "over"), f"a {kind} has no axis", "one of " + ", ".join(AXIS_FEATURES)
                )
            )
    return problems


def general_angles(draft: Draft) -> list[Problem]:
    """Find general classes of angles without, and other limits with, the length of the shorter side."""
    problems = []
    for name, characteristic in draft.characteristics.items():
        limits = getattr(characteristic, "limits", None)
        if limits is None or not hasattr(characteristic, "shorter_side"):
            continue
        shorter = characteristic.shorter_side  # type: ignore[union-attr]
        path = ("characteristics", name)
        general = bool(limits.general_class)
        if general and shorter is None:
            problems.append(
                draft.places.problem(
                    (*path, "limits"),
                    "a general class of angles depends on the length of the shorter side",
                    "shorter side: a length",
                )
            )
        if not general and shorter is not None:
            problems.append(
                draft.places.problem(
                    (*path, "shorter side"),
                    "only a general class uses the shorter side",
                    "limits such as 90° ISO 2768-m",
                )
            )
    return problems


CHECKS: tuple[Callable[[Draft], list[Problem]], ...] = (
    kinds_fit,
    zones_stated,
    sizes_fit,
    judge_stated,
    material_conditions,
    profile_disposed,
    axes_over,
    general_angles,
)
