"""The language reference as Markdown, made from the models themselves, so that it can't drift from what is accepted."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, get_args, get_origin

from pydantic import PlainValidator
from pydantic.fields import FieldInfo

from runner.measure.kinds import KINDS
from runner.recipe import alignment, features, frames, hints, names, scalars, schema, sections
from runner.recipe.base import Section
from runner.recipe.characteristics import CHARACTERISTIC_MODELS, PointFile, places
from runner.recipe.characteristics.options import parse_simultaneous
from runner.recipe.features import FEATURE_MODELS
from runner.recipe.filenames import FIELDS
from runner.recipe.iso286 import LETTERS
from runner.recipe.kinds import (
    CHARACTERISTIC_ALIASES,
    CHARACTERISTIC_FEATURES,
    CHARACTERISTIC_KINDS,
    STANDARDS,
)
from runner.recipe.limits import (
    ANGLE_FORMS,
    LENGTH_FORMS,
    SIGNED_FORMS,
    parse_angle_limits,
    parse_limits,
    parse_limits_of,
    parse_signed_limits,
)
from runner.recipe.scalars import OneOf

_VALUES: dict[Callable[..., Any], str] = {
    scalars.parse_number: "number",
    scalars.parse_coordinate: "number",
    scalars.parse_length: "length above 0",
    scalars.parse_length_or_zero: "length of 0 or more",
    scalars.parse_count: "whole number",
    scalars.parse_angle: "angle, degrees",
    scalars.parse_fraction: "share, `95 %` or `0.95`",
    scalars.parse_vector: "place `[x, y, z]`",
    scalars.parse_direction: "direction `[x, y, z]` or `+x` … `-z`",
    scalars.parse_places: "list of places",
    scalars.parse_span: "`[from, to]`",
    scalars.parse_steps: "two lengths",
    scalars.parse_counts: "two whole numbers",
    scalars.parse_words: "text",
    scalars.parse_name: "name",
    scalars.parse_datum_label: "datum label",
    scalars.parse_characteristic_id: "id in quotes",
    parse_limits: "limits",
    parse_angle_limits: "angle limits",
    parse_limits_of: "limits, or angle limits",
    parse_signed_limits: "limits of either sign",
    scalars.parse_flag: "`true` or `false`",
    names.parse_reference: "feature, or `each of` a pattern",
    names.parse_sized: "feature, `each of` a pattern, or `[plane, plane]`",
    names.parse_pair: "`[feature, feature]`",
    names.parse_two_planes: "`[face, face]`",
    names.parse_two_or_three: "`[feature, feature]`, or three planes",
    names.parse_group: "feature, pattern, or list of features",
    frames.parse_frame: "datum system, or datums",
    sections.parse_file_pattern: "file name pattern",
    alignment.parse_fit_target: "`all surfaces`, or list of features",
    alignment.parse_held: "list of degrees of freedom",
    alignment.parse_fixes: "list of directions",
    hints.parse_up: "list of directions",
    sections.parse_scan_set: "list of names, or a map",
    places.parse_points: "`{file: ...}`, or list of point features",
    parse_simultaneous: "word",
    sections.parse_judge: "`all points`, or a map",
    sections.parse_decimals: "rule or whole number",
    sections.parse_own_decimals: "whole number",
    features.free.parse_region: "`all`, or a map",
    schema.parse_version: "`1`",
    frames.parse_system: "datums in their order",
}
"""What a validator accepts, in the words of the reference; a test asserts that none is missing."""


def value_text(annotation: Any, metadata: tuple[Any, ...] = ()) -> str:
    """Return in words what a field accepts."""
    for item in metadata:
        if isinstance(item, OneOf):
            return ", ".join(f"`{word}`" for word in item.allowed)
        if isinstance(item, PlainValidator):
            return _VALUES[item.func]
    if get_origin(annotation) is Annotated:
        base, *rest = get_args(annotation)
        return value_text(base, tuple(rest))
    if isinstance(annotation, type) and issubclass(annotation, Section):
        return "map"
    arguments = [argument for argument in get_args(annotation) if argument is not type(None)]
    if get_origin(annotation) is dict:
        return "map of entries"
    if get_origin(annotation) is list:
        return f"list: {value_text(arguments[0])}"
    if len(arguments) == 1:
        return value_text(arguments[0])
    return "map"


def _row(field: FieldInfo, name: str) -> str:
    need = "required" if field.is_required() else ""
    text = (field.description or "").replace("|", "\\|")
    return f"| `{field.alias or name}` | {value_text(field.annotation, tuple(field.metadata))} | {need} | {text} |"


def _table(model: type[Section]) -> list[str]:
    """Return the table of a model's keys, the kind first."""
    kind = getattr(model, "kind", "")
    fields = sorted(model.model_fields.items(), key=lambda pair: (pair[1].alias or pair[0]) != kind)
    return [
        "| key | value | | meaning |",
        "| --- | --- | --- | --- |",
        *(_row(field, name) for name, field in fields),
        "",
    ]


def _first_line(model: type[Section]) -> str:
    return (model.__doc__ or "").strip().splitlines()[0]


def language_reference() -> str:
    """Return the reference of the recipe language as Markdown."""
    lines = [
        f"# Recipe language, version {schema.VERSION}",
        "",
        "A recipe is one YAML map. Every key not listed here is an error. Lengths are in the drawing's unit, angles in "
        "degrees, places and directions in the nominal's own frame. Words of a key may be joined by spaces or "
        "underscores. Anchors, aliases, merge keys and tags of YAML are refused; no value is typed by YAML itself.",
        "",
        "## Sections",
        "",
        *_table(schema.Recipe),
    ]
    for name, field in schema.Recipe.model_fields.items():
        if name in ("features", "characteristics"):
            continue
        for model in _inner_of(field):
            lines += [f"## {field.alias}", "", _first_line(model), "", *_nested(model, field.alias or name)]
    lines += ["## features", "", "Each feature is a map whose kind is one of its keys.", ""]
    for kind, feature_model in FEATURE_MODELS.items():
        lines += [f"### {kind}", "", _first_line(feature_model), "", *_nested(feature_model, kind)]
    lines += [
        "### faces at points",
        "",
        *_table(features.FacesAt),
        "## characteristics",
        "",
        "Each characteristic is a map whose kind is one of its keys; its id stands in quotes. Definitions, clauses and "
        "formulae are those of the measuring core's own table; clause numbers are from memory of the standards.",
        "",
    ]
    for kind, characteristic_model in CHARACTERISTIC_MODELS.items():
        asked = ", ".join(CHARACTERISTIC_FEATURES[kind])
        lines += [f"### {kind}", "", _first_line(characteristic_model) + (f" Asked of: {asked}." if asked else ""), ""]
        symbols = [symbol for symbol, meaning in CHARACTERISTIC_ALIASES.items() if meaning == kind]
        lines += [f"Also written: {', '.join(symbols)}.", ""] if symbols else []
        lines += _definition(kind)
        lines += _table(characteristic_model)
    lines += [
        "### file of points",
        "",
        *_table(PointFile),
        "### features with a weight",
        "",
        *_table(alignment.WeightedFeatures),
        "### judge",
        "",
        *_table(sections.Judge),
        "### need",
        "",
        *_table(sections.Need),
        *_closing(),
    ]
    return "\n".join(lines).rstrip() + "\n"


def _definition(kind: str) -> list[str]:
    """Return what a kind is, what each standard asks and the formula, from the measuring core's own row."""
    row = KINDS.get(kind)
    if row is None:
        return ["The measuring core has no row for this kind yet: it is not measured.", ""]
    lines = [
        f"- asks: {row.sentence}",
        f"- ISO GPS: {row.iso}",
        f"- ASME Y14.5: {row.asme}",
        f"- value: {row.formula}",
        f"- datums: {row.datums}",
    ]
    if row.quantities:
        lines.append("- one of: " + ", ".join(row.quantities))
    return [*lines, ""]


def _inner_of(field: FieldInfo) -> list[type[Section]]:
    """Return the models directly inside a field."""
    found: list[type[Section]] = []

    def visit(annotation: Any) -> None:
        if isinstance(annotation, type) and issubclass(annotation, Section):
            found.append(annotation)
        for argument in get_args(annotation):
            visit(argument)

    visit(field.annotation)
    return found


def _nested(model: type[Section], title: str) -> list[str]:
    """Return a model's table and those of the maps inside it."""
    lines = _table(model)
    keys: dict[type[Section], list[str]] = {}
    for name, field in model.model_fields.items():
        for inner in _inner_of(field):
            if inner not in (sections.Need, sections.Judge):
                keys.setdefault(inner, []).append(field.alias or name)
    for inner, used in keys.items():
        below = f"{title}: {', '.join(used)}"
        lines += [f"`{below}`: {_first_line(inner)}", "", *_nested(inner, below)]
    return lines


def _closing() -> list[str]:
    """Return the parts on limits, names, patterns and standards."""
    return [
        "## Limits",
        "",
        f"Lengths: {LENGTH_FORMS}. Angles: {ANGLE_FORMS}. Deviations and coordinates: {SIGNED_FORMS}.",
        "",
        "Rows of both tables that are known from memory only are marked by `check` and beside the limits in results; "
        "confirmed are IT5 to IT8 of H, h and JS, and class m of linear sizes.",
        "",
        "Fits after ISO 286-1 up to 500 mm, grades 1 to 18, positions "
        + ", ".join(LETTERS)
        + " (small letters: shafts, "
        "capital letters: holes). General classes f, m, c, v of ISO 2768-1, for sizes and angles only. Both are "
        "defined in millimetres and refused on an inch drawing. `±` may be written `+/-`; a diameter sign before a "
        "size is read and dropped.",
        "",
        "## File names",
        "",
        "Fields: "
        + ", ".join(f"`{{{name}}}`" for name in FIELDS)
        + ". `{serial}` is needed. `*` stands for anything, a "
        "closing `.*` for one extension. A name that could be split in two ways does not match.",
        "",
        "## Standards",
        "",
        *(f"- {name}: editions {', '.join(years)}" for name, years in STANDARDS.items()),
        "",
        f"Kinds of characteristic measured by this version: {', '.join(CHARACTERISTIC_KINDS)}.",
        "",
    ]
