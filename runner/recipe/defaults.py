"""Good practice filled in: a recipe with every default stated, and the same as text that loads again."""

from __future__ import annotations

from typing import Any

from runner.recipe.alignment import Alignment, Fit
from runner.recipe.base import Section
from runner.recipe.characteristics import (
    AngleBetween,
    CharacteristicOptions,
    Distance,
    Form,
    Measured,
    Orientation,
    OtherGauge,
    PointList,
    Position,
    Profile,
    ProfileZone,
    Runout,
    Size,
    Straightness,
)
from runner.recipe.checks_kinds import limits_of, size_limits_by_feature
from runner.recipe.emit import emit
from runner.recipe.features import Feature, PatternFeature, PlaneFeature
from runner.recipe.frames import places_in
from runner.recipe.kinds import EDGE_KINDS
from runner.recipe.limits import Limits
from runner.recipe.scalars import decimals_of
from runner.recipe.schema import Recipe
from runner.recipe.sections import Need, Outputs

SEARCH_MM = 1.0
FIT_REACH_MM = 1.0
FORM_ERROR_MM = 1.0
KEEP_WITHIN_MM = 5.0
LANDMARK_LIMIT_MM = 5.0
LEAST_REACH_MM = 1.0
EDGE_DEPTH_MM = 0.3
REACH_IN_ZONES = 5.0
LEAST_COVERAGE = 0.3
NEED_COVERAGE = dict.fromkeys(
    ("straightness", "flatness", "roundness", "cylindricity", "circular runout", "total runout", "profile",
     "profile of a line", "trim edge", "gap", "step", "thickness"),
    0.8,
)  # fmt: skip
"""Share that must be seen before "conforms" may be said; other kinds rest on the feature's own least coverage."""

ALL_TOGETHER = "all"
"""Word of characteristics that ASME Y14.5 holds simultaneously by default."""

SizeLimits = dict[tuple[str, str | None], Limits]

_EXTRA_DECIMALS = {"as drawing": 0, "as drawing plus one": 1, "as drawing plus two": 2}


def resolve(recipe: Recipe) -> Recipe:
    """Return the recipe with every default filled in; resolving twice changes nothing."""
    scale = 1.0 / recipe.millimetres

    def feature(item: Feature) -> Feature:
        shared = recipe.defaults.features if recipe.defaults is not None else None
        kind = item.of.repeated if isinstance(item, PatternFeature) else item.kind
        filled: dict[str, Any] = {
            "search": (shared.search if shared else None) or SEARCH_MM * scale,
            "margin": shared.margin if shared else None,
            "coverage": shared.coverage if shared and shared.coverage is not None else LEAST_COVERAGE,
            "associate": "least squares",
            "from_": "edges" if kind in EDGE_KINDS else "surface",
        }
        if (getattr(item, "from_", None) or filled["from_"]) == "edges":
            filled["depth"] = EDGE_DEPTH_MM * scale
        if isinstance(item, PlaneFeature):
            filled["extent"] = "connected"
        if kind in ("circle", "arc", "slot", "rectangle"):
            filled["side"] = "near"
        item = _filled(item, filled)
        if isinstance(item, PatternFeature):
            return _with_pattern(item)
        if kind == "cross-section":
            item = _filled(item, {"of": "all"})
        for key, values in (
            ("slot", {"ends": "round"}),
            ("rectangle", {"corner_radius": 0.0}),
            ("trim_edge", {"closed": False}),
        ):
            if isinstance(getattr(item, key, None), Section):
                item = item.model_copy(update={key: _with_corners(_filled(getattr(item, key), values))})
        return item

    alignment = recipe.alignment or Alignment()
    fit = alignment.fit or Fit()
    scanned = alignment.method == "as scanned"
    hints = alignment.hints
    if hints is not None and hints.landmarks is not None:
        hints = _filled(hints, {"landmark_limit": LANDMARK_LIMIT_MM * scale})
    alignment = _filled(
        alignment.model_copy(
            update={
                "fit": _filled(
                    fit, {"to": "all surfaces", "by": "least squares", "ignore_beyond": FIT_REACH_MM * scale}
                ),
                "hints": hints,
            }
        ),
        {
            "start": "as scanned" if scanned else "automatic",
            "method": "best fit",
            "expected_form_error": FORM_ERROR_MM * scale,
            "keep_within": KEEP_WITHIN_MM * scale,
            "symmetry": "open",
        },
    )
    outputs = _filled(
        recipe.outputs or Outputs(),
        {"workbook": "per part", "pictures": [], "decimals": "as drawing plus one"},
    )
    sizes = size_limits_by_feature(recipe.characteristics)
    characteristics = {
        name: _characteristic(recipe, item, outputs, scale, sizes) for name, item in recipe.characteristics.items()
    }
    datums = {
        label: _filled(datum, {"associate": "outside material", "at": None if datum.targets else "any size"})
        for label, datum in (recipe.datums or {}).items()
    }
    made = recipe.model_copy(
        update={
            "nominal": recipe.nominal
            if recipe.nominal.file.lower().endswith((".step", ".stp"))
            else _filled(recipe.nominal, {"unit": "mm"}),
            "scan": _filled(recipe.scan, {"file_name": "{part}_{serial}.*", "unit": "mm", "temperature": "not stated"}),
            "alignment": alignment,
            "defaults": None,
            "features": {name: feature(item) for name, item in recipe.features.items()},
            "datums": datums or None,
            "datum_systems": recipe.datum_systems or None,
            "characteristics": characteristics,
            "outputs": outputs,
        }
    )
    return made.with_source(recipe.source)


def _filled(section: Any, values: dict[str, Any]) -> Any:
    """Return a copy with the fields that are None taken from ``values``."""
    missing = {
        key: value
        for key, value in values.items()
        if key in type(section).model_fields and getattr(section, key) is None and value is not None
    }
    return section.model_copy(update=missing) if missing else section


def _with_corners(element: Any) -> Any:
    """Return a slot with square ends with its corners stated."""
    return _filled(element, {"corner_radius": 0.0}) if getattr(element, "ends", None) == "square" else element


def _with_pattern(item: PatternFeature) -> PatternFeature:
    """Return a pattern feature with the defaults of its layout and its members."""
    pattern, of = item.pattern, item.of
    if pattern.circle is not None:
        step = 360.0 / pattern.circle.count
        pattern = pattern.model_copy(update={"circle": _filled(pattern.circle, {"start": 0.0, "step": step})})
    if of.slot is not None:
        of = of.model_copy(update={"slot": _with_corners(_filled(of.slot, {"ends": "round"}))})
    if of.rectangle is not None:
        of = of.model_copy(update={"rectangle": _filled(of.rectangle, {"corner_radius": 0.0})})
    return item.model_copy(update={"pattern": pattern, "of": of})


def _characteristic(
    recipe: Recipe, item: CharacteristicOptions, outputs: Outputs, scale: float, sizes: SizeLimits
) -> CharacteristicOptions:
    """Return one characteristic with its defaults."""
    shared = recipe.defaults.characteristics if recipe.defaults is not None else None
    values: dict[str, Any] = {"decimals": decimals_for(item, outputs)}
    if shared is not None:
        values["class_"] = shared.class_
        if not isinstance(item, OtherGauge):
            values["uncertainty"] = shared.angle_uncertainty if item.angular else shared.uncertainty
    if isinstance(item, Form):
        values["judge"] = shared.judge if shared else None
    if isinstance(item, Orientation | ProfileZone | Runout):
        values["judge"] = (shared.judge if shared else None) or "all points"
    if isinstance(item, Measured | AngleBetween):
        values["need"] = _need(item, shared.need if shared else None)
        item = item.model_copy(update={"need": None})
    if isinstance(item, Size):
        values["by"] = "envelope" if recipe.drawing.standard == "ASME Y14.5" else "two-point"
    if isinstance(item, Position):
        values["at"] = "any size"
        if item.at in ("maximum material", "least material"):
            values["size_limits"] = limits_of(sizes, item)
    if isinstance(item, Distance):
        values["between"] = "middles"
    if isinstance(item, AngleBetween):
        planes = all(recipe.features[name].kind == "plane" for name in item.angle if name in recipe.features)
        values["between"] = "faces" if planes and item.along is None else "directions"
    if isinstance(item, Position | Orientation | Straightness):
        values["shape"] = "two planes"  # where the check let it be left out: planes and slots
    if isinstance(item, Position | Profile):
        values |= _by_standard(recipe, item)
    if isinstance(item, PointList) and item.point_file is not None:
        values["search"] = SEARCH_MM * scale
    if isinstance(item, OtherGauge) and item.kind_ == "value":
        values["unit"] = recipe.drawing.units
    if isinstance(item, ProfileZone):
        if item.outside is None:
            values["unequal"] = 0.0
        values["reach"] = max(REACH_IN_ZONES * item.zone, LEAST_REACH_MM * scale)
    return _filled(item, values)


def _by_standard(recipe: Recipe, item: Position | Profile) -> dict[str, Any]:
    """Return how the zones of a pattern, and of several characteristics, hold together by the drawing's standard."""
    asme = recipe.drawing.standard == "ASME Y14.5"
    (_, name), *_ = item.references
    values: dict[str, Any] = {}
    if isinstance(recipe.features.get(name.removeprefix("each of ")), PatternFeature):
        values["zones"] = "combined" if asme else "separate"
    if asme and item.datums is not None:
        frame = (recipe.datum_systems or {}).get(item.datums, item.datums)
        directions = any(place.orientation_only for place in places_in(frame))
        values["simultaneous"] = "separate" if directions else ALL_TOGETHER
    return values


def _need(item: Any, shared: Need | None) -> Need:
    """Return what must have been seen, from the characteristic, the defaults, the kind."""
    own = item.need or Need()
    values: dict[str, Any] = {}
    if shared is not None:
        values = {
            "coverage": shared.coverage,
            "largest_gap": shared.largest_gap if isinstance(item, ProfileZone) else None,
        }
    own = _filled(own, values)
    return _filled(own, {"coverage": NEED_COVERAGE.get(item.kind, 0.0)})


def decimals_for(item: CharacteristicOptions, outputs: Outputs) -> int:
    """Return the decimals to report a characteristic with, by the outputs' rule."""
    rule = outputs.decimals if outputs.decimals is not None else "as drawing plus one"
    if isinstance(rule, int):
        return rule
    limits = getattr(item, "limits", None)
    if isinstance(limits, Limits):
        stated = limits.decimals
    else:
        zone = getattr(item, "zone", None)
        stated = 0 if zone is None else decimals_of(zone)
    if isinstance(item, PointList) and item.point_file is not None:
        stated = 2  # the limits stand in the file
    return min(9, stated + _EXTRA_DECIMALS[rule])


def resolved(recipe: Recipe) -> str:
    """Return the recipe as YAML with every default filled in; it loads again to the same fingerprint."""
    return emit(as_data(resolve(recipe)))


def as_data(recipe: Recipe) -> dict[str, Any]:
    """Return plain data of a recipe by its keys: numbers, texts, lists, maps; absent values left out."""
    return {key: value for key, value in _plain(recipe).items() if value not in (None, {})}


def _plain(value: Any) -> Any:
    if isinstance(value, Limits):
        return value.text
    if hasattr(type(value), "model_fields"):
        fields = type(value).model_fields
        kind = getattr(value, "kind", "")
        pairs = [(fields[name].alias or name, getattr(value, name)) for name in fields]
        # the kind comes first, so that an entry reads "flatness: base, zone: ..."
        pairs.sort(key=lambda pair: pair[0] != kind)
        return {key: _plain(one) for key, one in pairs if one is not None}
    if isinstance(value, dict):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, bool):
        return value
    if isinstance(value, int | float):
        return value
    return str(value)
