"""One plain sentence for each characteristic, which the engineer can sign."""

from __future__ import annotations

from typing import Any

from runner.recipe.characteristics import (
    AngleBetween,
    CharacteristicOptions,
    Coaxial,
    Distance,
    Form,
    Orientation,
    OtherGauge,
    Position,
    Profile,
    ProfileZone,
    Runout,
    Size,
    Straightness,
    Symmetry,
)
from runner.recipe.confirmed import unconfirmed
from runner.recipe.defaults import resolve
from runner.recipe.expand import count_of
from runner.recipe.features import PatternFeature
from runner.recipe.frames import places_in
from runner.recipe.limits import Limits, sentence_limits, with_shorter_side
from runner.recipe.scalars import AXES, number_text
from runner.recipe.schema import Recipe
from runner.recipe.sections import Judge

_BY = {
    "two-point": "two-point size",
    "GG": "least-squares size (GG)",
    "GN": "minimum circumscribed size (GN)",
    "GX": "maximum inscribed size (GX)",
    "envelope": "size with envelope",
}


def sentences(recipe: Recipe) -> dict[str, str]:
    """Return the sentence of each characteristic by its id."""
    full = resolve(recipe)
    return {name: sentence(full, name) for name in full.characteristics}


def sentence(full: Recipe, name: str) -> str:
    """Return the sentence of one characteristic of a resolved recipe."""
    item: CharacteristicOptions = full.characteristics[name]
    said = _said(full, item) + _of_datums(full, getattr(item, "datums", None))
    uncertainty = getattr(item, "uncertainty", None)
    limits = getattr(item, "limits", None)
    decided = not (isinstance(limits, Limits) and limits.form == "reference")
    if uncertainty is not None and decided and full.decision.rule == "guarded":
        angular = item.angular
        unit = "°" if angular else f" {full.drawing.units}"
        said += f", decided with the stated uncertainty U = {number_text(uncertainty)}{unit} (k = 2)"
    return said + "."


def _of_datums(full: Recipe, frame: str | None) -> str:
    """Return what a datum system asks beyond its datums in their order."""
    words = []
    for place in places_in((full.datum_systems or {}).get(frame, frame)) if frame is not None else ():
        label = "-".join(place.labels)
        entry = (full.datums or {}).get(place.labels[0])
        if entry is None:
            continue
        if place.material == "maximum" or entry.at == "maximum material":
            size = "" if entry.virtual_size is None else f" (virtual size {number_text(entry.virtual_size)})"
            words.append(f"datum {label} at maximum material{size}")
        if place.orientation_only:
            words.append(f"datum {label} giving directions only")
        if entry.associate == "least squares":
            words.append(f"datum {label} by least squares")
        if isinstance(entry.filter, Judge):
            words.append(f"datum {label} from {_judged(entry.filter, full.drawing.units)}")
        if entry.targets:
            words.append(f"datum {label} from {len(entry.targets)} targets")
    return "".join(f", {one}" for one in words)


def _said(full: Recipe, item: CharacteristicOptions) -> str:
    units = full.drawing.units
    if isinstance(item, Size):
        what = _BY[item.by or "two-point"]
        if isinstance(item.size, tuple):
            return f"The {what} between {_one(item.size[0])} and {_one(item.size[1])} {_lies(item.limits, units)}"
        across = f" of the {item.across}" if item.across else ""
        return f"The {what}{across} of {_each(full, item.size)} {_lies(item.limits, units)}"
    if isinstance(item, Distance):
        along = f" along {_direction(item.along)}" if item.along is not None else ""
        frame = f" of datum system {item.datums}" if item.datums else ""
        between = f"between {_one(item.distance[0])} and {_one(item.distance[1])}"
        nearest = f" ({item.between})" if item.between not in (None, "middles") else ""
        return f"The distance{nearest}{along}{frame} {between} {_lies(item.limits, units)}"
    if isinstance(item, AngleBetween):
        limits = _closed(full, item)
        along = f" looked at along {_direction(item.along)}" if item.along is not None else ""
        frame = f" of datum system {item.datums}" if item.datums else ""
        what = "between the faces" if item.between == "faces" else "between"
        between = f"{what} {_one(item.angle[0])} and {_one(item.angle[1])}"
        return f"The angle {between}{along}{frame} {_lies(limits, 'deg')}"
    if isinstance(item, OtherGauge):
        with_gauge = f" with gauge {item.gauge}" if item.gauge else ""
        if item.kind_ == "value":
            entered = f"measured{with_gauge} and entered by a person"
            return f"The value of {item.other_gauge}, {entered}, {_lies(item.limits, item.unit or units)}"
        what = item.other_gauge[:1].upper() + item.other_gauge[1:]
        return f"{what} is gauged {item.kind_}{with_gauge} and entered by a person"
    if getattr(item, "zone", None) is None:
        return said_of_limits(full, item, units)
    return _zone_sentence(full, item, units)


def _closed(full: Recipe, item: Any) -> Limits:
    """Return limits, of an angle's general class by its shorter side."""
    limits: Limits = item.limits
    shorter = getattr(item, "shorter_side", None)
    if limits.general_class and shorter is not None:
        return with_shorter_side(limits, shorter * full.millimetres)
    return limits


def _zone_sentence(full: Recipe, item: Any, units: str) -> str:
    zone = f"{number_text(item.zone)} {units}"
    subject = _each(full, item.references[0][1])
    judged = _judged(getattr(item, "judge", None), units)
    need = ""
    if item.need is not None and item.need.coverage:
        need = f", with at least {number_text(round(item.need.coverage * 100, 9))} % of it seen"
    if isinstance(item, Straightness):
        what = {"axis": " of the axis", "generators": " of every generating line"}.get(item.of or "", "")
        lines = f" along {_direction(item.along)}" if item.along is not None else ""
        shape = " in a diametral zone" if item.shape == "diametral" else ""
        return f"The straightness{what} of {subject}{lines} is at most {zone}{shape}, judged on {judged}{need}"
    if isinstance(item, Form):
        return f"The {item.kind} of {subject} is at most {zone}, judged on {judged}{need}"
    over = (
        f", over {number_text(item.over[0])} to {number_text(item.over[1])} {units} of its axis"
        if getattr(item, "over", None)
        else ""
    )
    if isinstance(item, Orientation):
        against = f"datum system {item.datums}" if item.datums else _one(item.to or "")
        shape = {"diametral": "a diametral zone", "two planes": "a zone between two planes"}[item.shape or "two planes"]
        within = f"lies within {shape} of {zone}{over}"
        return f"The {item.kind} of {subject} to {against} {within}, judged on {judged}{need}"
    if isinstance(item, Coaxial):
        return (
            f"The {item.kind} of {subject} to datum system {item.datums} lies within a diametral zone of {zone}{need}"
        )
    if isinstance(item, Symmetry):
        across = f" across its {item.across}" if item.across else ""
        frame = f"to datum system {item.datums}"
        return f"The symmetry of {subject}{across} {frame} lies within {zone} between two planes{need}"
    if isinstance(item, Runout):
        apart = getattr(item, "step", None)
        step = f", in sections {number_text(apart)} {units} apart" if apart else ""
        return f"The {item.kind} of {subject} about {item.datums} is at most {zone}{step}, judged on {judged}{need}"
    if isinstance(item, Position):
        shape = {
            "diametral": f"a diametral zone of {zone}",
            "spherical": f"a spherical zone of {zone}",
            "two planes": f"a zone of {zone} between two planes",
        }[item.shape or "two planes"]
        if item.across:
            shape += f" across its {item.across}"
        elif item.direction is not None:
            shape += f" across {_direction(item.direction)}"
        material = {"maximum material": " at maximum material", "least material": " at least material"}.get(
            item.at or "", " whatever its size"
        )
        bonus = f" (sizes {item.size_limits.text})" if item.size_limits is not None else ""
        return (
            f"The position of {subject} in datum system {item.datums} lies within {shape}{material}{bonus}{over}{need}"
            f"{_together(item)}"
        )
    assert isinstance(item, ProfileZone)
    frame = f"in datum system {item.datums}" if item.datums else "without datums, wherever the zone needs least,"
    if item.outside is not None:
        disposed = f", {number_text(item.outside)} {units} of it outside the material"
    elif item.unequal:
        side = "out of" if item.unequal > 0 else "into"
        disposed = f", its middle shifted {number_text(abs(item.unequal))} {units} {side} the material"
    else:
        disposed = ", equally disposed"
    gap = ""
    if item.need is not None and item.need.largest_gap is not None:
        gap = f" and no unseen patch above {number_text(item.need.largest_gap)} {units}"
    what = "profile" if isinstance(item, Profile) else "profile of the lines"
    held = f"judged on {judged}{need}{gap}{_together(item)}"
    return f"The {what} of {subject} {frame} lies within a zone of {zone}{disposed}, {held}"


def _together(item: Any) -> str:
    """Return how zones hold together, where that was stated or follows from the standard."""
    said = {"combined": ", all members together (combined zones)", "separate": ", each member by itself"}
    word = getattr(item, "simultaneous", None)
    shared = f', simultaneously with the others marked "{word}"' if word not in (None, "separate") else ""
    return said.get(getattr(item, "zones", None) or "", "") + shared


def said_of_limits(full: Recipe, item: Any, units: str) -> str:
    """Return the sentence of a kind with limits."""
    limits = getattr(item, "limits", None)
    stated = "as its own row of the file states" if limits is None else _lies(_closed(full, item), _unit(item, units))
    references = [name for _, name in item.references]
    frame = f" in datum system {item.datums}" if getattr(item, "datums", None) else ""
    if getattr(item, "point_file", None) is not None:
        table = full.source.tables.get(item.point_file)
        count = f"the {len(table.rows)}" if table is not None else "all"
        what = item.kind.removesuffix("s")
        return f'The deviation of each of {count} {what}s of "{item.point_file}"{frame} lies {stated}'
    first, others = _each(full, references[0]), " and ".join(_one(name) for name in references[1:])
    both = f"{first} and {others}" if others else first
    named = ", ".join(_one(name) for name in references)
    subject = {
        "coordinates": f"{getattr(item, 'axis', '')} coordinate of {first}{frame}",
        "bend angle": f"{'included angle' if getattr(item, 'included', False) else 'bend angle'} between {both}",
        "bend radius": f"bend radius of {first}",
        "thickness": f"local thickness between {both}, everywhere,",
        "depth": f"depth of {others} under {first}",
        "countersink": f"{getattr(item, 'of', '')} of the countersink {first} at {others}",
        "chamfer": f"{getattr(item, 'of', '')} of the chamfer {first} between {others}",
        "trim edge": f"deviation of the trim edge {first}{frame}, at every place,",
        "gap": f"gap between {both}, at every place,",
        "step": f"step from {first} to {others}, at every place,",
        "surface points": f"deviation of each of the surface points {named}{frame}",
        "edge points": f"deviation of each of the edge points {named}{frame}",
    }.get(item.kind)
    if item.kind == "statistics":
        band = f" {number_text(item.within)} {units}" if item.within is not None else ""
        subject = f"{item.of}{band} of the deviations of {first}{frame}"
    return f"The {subject} {stated}"


def _unit(item: Any, units: str) -> str:
    if item.kind == "statistics" and item.of == "share within":
        return ""
    return "deg" if item.angular else units


def _each(full: Recipe, reference: str) -> str:
    name = reference.removeprefix("each of ")
    item = full.features.get(name)
    if isinstance(item, PatternFeature):
        return f'each of the {count_of(item)} "{name}"'
    return f'"{name}"'


def _one(name: str) -> str:
    return f'"{name}"'


def _lies(limits: Any, unit: str) -> str:
    if limits.form == "reference":
        return f"is {limits.text} for reference and is reported without a decision"
    words = sentence_limits(limits, unit)
    verb = "lies" if words.startswith("between") else "is"
    memory = ", a table row not confirmed" if unconfirmed(limits) else ""
    return f"{verb} {words}" + (f" ({limits.text}{memory})" if limits.form in ("fit", "general") else "")


def _direction(direction: tuple[float, float, float]) -> str:
    for name, axis in AXES.items():
        if tuple(float(v) for v in direction) == axis:
            return name
    return "[" + ", ".join(number_text(v) for v in direction) + "]"


def _judged(judge: Judge | str | None, units: str) -> str:
    if isinstance(judge, Judge):
        if judge.filter is not None:
            return f"points filtered by a Gaussian filter of cut-off {number_text(judge.cutoff or 0.0)} {units}"
        return f"the central 95 % of points (agreed: {judge.agreement})"
    return "all points"
