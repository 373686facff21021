"""One plain sentence for each characteristic, which the engineer can sign."""

from __future__ import annotations

from typing import Any

from runner.recipe.characteristics import (
    AngleBetween,
    CharacteristicOptions,
    Distance,
    Form,
    Orientation,
    OtherGauge,
    Position,
    Profile,
    Size,
)
from runner.recipe.defaults import resolve
from runner.recipe.expand import count_of
from runner.recipe.features import PatternFeature
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
    said = _said(full, item)
    uncertainty = getattr(item, "uncertainty", None)
    limits = getattr(item, "limits", None)
    decided = not (isinstance(limits, Limits) and limits.form == "reference")
    if uncertainty is not None and decided and full.decision.rule == "guarded":
        angular = isinstance(item, AngleBetween) or getattr(item, "unit", None) == "deg"
        unit = "°" if angular else f" {full.drawing.units}"
        said += f", decided with the stated uncertainty U = {number_text(uncertainty)}{unit} (k = 2)"
    return said + "."


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
        return f"The distance{along}{frame} {between} {_lies(item.limits, units)}"
    if isinstance(item, AngleBetween):
        limits = item.limits
        if limits.general_class and item.shorter_side is not None:
            limits = with_shorter_side(limits, item.shorter_side * full.millimetres)
        return f"The angle between {_one(item.angle[0])} and {_one(item.angle[1])} {_lies(limits, 'deg')}"
    if isinstance(item, OtherGauge):
        with_gauge = f" with gauge {item.gauge}" if item.gauge else ""
        if item.kind_ == "value":
            entered = f"measured{with_gauge} and entered by a person"
            return f"The value of {item.other_gauge}, {entered}, {_lies(item.limits, item.unit or units)}"
        what = item.other_gauge[:1].upper() + item.other_gauge[1:]
        return f"{what} is gauged {item.kind_}{with_gauge} and entered by a person"
    return _zone_sentence(full, item, units)


def _zone_sentence(full: Recipe, item: Any, units: str) -> str:
    zone = f"{number_text(item.zone)} {units}"
    subject = _each(full, getattr(item, item.kind))
    judged = _judged(getattr(item, "judge", None), units)
    need = ""
    if item.need is not None and item.need.coverage:
        need = f", with at least {number_text(round(item.need.coverage * 100, 9))} % of it seen"
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
        )
    assert isinstance(item, Profile)
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
    return f"The profile of {subject} {frame} lies within a zone of {zone}{disposed}, judged on {judged}{need}{gap}"


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
    return f"{verb} {words}" + (f" ({limits.text})" if limits.form in ("fit", "general") else "")


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
