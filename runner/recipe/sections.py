"""The sections of a recipe that say what is inspected and how the scan comes in."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, PlainValidator, WithJsonSchema, model_validator

from runner.recipe.base import Section
from runner.recipe.filenames import PatternError, check_pattern
from runner.recipe.kinds import STANDARDS
from runner.recipe.scalars import (
    CharacteristicId,
    Fraction,
    Length,
    LengthOrZero,
    Number,
    OneOf,
    Refused,
    Words,
    nearest,
    parse_count,
    parse_name,
    parse_words,
    shown,
    word_parser,
)

UNIT_ALIASES = {"millimetres": "mm", "millimeters": "mm", "inches": "in", "inch": "in", "metres": "m", "meters": "m"}


class Part(Section):
    """Which part is inspected."""

    number: Words = Field(description="Part number, as it stands in file names and documents.")
    revision: Words = Field(description="Revision of the drawing this recipe was written for.")
    name: Words | None = Field(default=None, description="Name of the part.")


class Drawing(Section):
    """What the drawing states for the whole part. It selects the definitions of size, datums and patterns."""

    standard: Annotated[
        str,
        OneOf(
            *STANDARDS,
            what="standard",
            aliases={"ISO": "ISO GPS", "GPS": "ISO GPS", "ASME": "ASME Y14.5", "Y14.5": "ASME Y14.5"},
        ),
    ] = Field(description="Governing standard. No default: the definitions differ.")
    edition: Words = Field(
        description="Edition of the standard (year): "
        + "; ".join(f"{name} {', '.join(years)}" for name, years in STANDARDS.items())
        + " (for ISO GPS the year of ISO 1101). No default."
    )
    units: Annotated[str, OneOf("mm", "in", what="drawing unit", aliases=UNIT_ALIASES)] = Field(
        description="Unit of every length in this recipe; angles are degrees. No default."
    )
    number: Words | None = Field(default=None, description="Drawing number, where it differs from the part number.")

    @model_validator(mode="after")
    def _edition_exists(self) -> Drawing:
        years = STANDARDS[self.standard]
        if self.edition not in years:
            raise Refused(
                f"{self.standard} has no edition {shown(self.edition)}",
                "the editions " + ", ".join(years),
                nearest(self.edition, years),
                key="edition",
            )
        return self


class PartState(Section):
    """The state in which the part is measured."""

    restraint: Words | None = Field(default=None, description='"free", or how the part is held, as the drawing states.')
    coating: Annotated[str, OneOf("before", "after", "none", what="coating state")] | None = Field(
        default=None, description="Whether limits hold before or after coating."
    )
    note: Words | None = Field(default=None, description="Anything else about the state.")


class NominalFile(Section):
    """The design geometry."""

    file: Words = Field(description="STEP, STL, PLY or OBJ file; a relative path counts from the recipe's folder.")
    unit: Annotated[str, OneOf("mm", "m", "in", what="unit", aliases=UNIT_ALIASES)] | None = Field(
        default=None, description="Length unit of a mesh file (default mm); a STEP file states its own."
    )


class Sheet(Section):
    """For parts made of sheet."""

    thickness: Length = Field(description="Thickness of the sheet, drawing's unit.")


class Surface(Section):
    """What the scanner is expected to give. No default: nobody but you knows the scanner."""

    noise: Length = Field(description="Standard deviation of a point along the surface normal, drawing's unit.")
    spacing: Length = Field(description="Distance between neighbouring points, drawing's unit.")


def parse_file_pattern(value: Any) -> str:
    """Return a checked file name pattern."""
    text = parse_words(value)
    try:
        check_pattern(text)
    except PatternError as error:
        raise Refused(error.message, error.allowed, error.suggestion) from None
    return text


FilePattern = Annotated[str, PlainValidator(parse_file_pattern), WithJsonSchema({"type": "string"})]


SET_SCHEMA = {
    "anyOf": [
        {"type": "array", "items": {"type": "string"}, "minItems": 2},
        {"type": "object", "additionalProperties": {"enum": ["required", "optional"]}, "minProperties": 2},
    ]
}


def parse_scan_set(value: Any) -> dict[str, str]:
    """Return the members of a scan set, each ``required`` or ``optional``."""
    allowed = "members such as [top, bottom], or {top: required, detail: optional}"
    if isinstance(value, list | tuple):
        names = [parse_name(item) for item in value]
        members = dict.fromkeys(names, "required")
        if len(members) < len(names):
            raise Refused("a member stands twice", allowed)
    elif isinstance(value, dict):
        need = word_parser(("required", "optional"), {}, "need of a scan")
        members = {parse_name(key): need(one) for key, one in value.items()}
    else:
        raise Refused(f"{shown(value)} where members of a set belong", allowed)
    if len({name.lower() for name in members}) < 2:
        raise Refused("a set has two scans or more", allowed)
    if "required" not in members.values():
        raise Refused("no scan of this set is required", "at least one required member")
    return members


class Scan(Section):
    """How scans come in."""

    file_name: FilePattern | None = Field(
        default=None,
        description="How a file name carries part, serial and more: {part} {revision} {serial} {lot} {operator} "
        '{station} {cavity} {scan} {date}; * stands for anything. Default "{part}_{serial}.*".',
    )
    unit: Annotated[str, OneOf("mm", "m", "in", what="unit", aliases=UNIT_ALIASES)] | None = Field(
        default=None, description="Length unit of the scan files; default mm."
    )
    surface: Surface = Field(description="What the scanner is expected to give.")
    temperature: (
        Annotated[str, OneOf("compensated", "not compensated", "not stated", what="temperature statement")] | None
    ) = Field(
        default=None,
        description="Whether the scan is already scaled to 20 °C (ISO 1). Nothing is scaled by this version; default "
        '"not stated".',
    )
    set: Annotated[dict[str, str], PlainValidator(parse_scan_set), WithJsonSchema(SET_SCHEMA)] | None = Field(
        default=None,
        description="Several scans of one part: [top, bottom], or {top: required, detail: optional}; {scan} in the "
        "file name says which one a file is. A set is complete when all required members are there.",
    )
    overlap_limit: Length | None = Field(
        default=None,
        description="Set only: largest mean disagreement of scans where they overlap, drawing's unit; by default from "
        "the noise.",
    )

    @model_validator(mode="after")
    def _set_is_named(self) -> Scan:
        if self.set is not None and "{scan}" not in (self.file_name or ""):
            raise Refused("a set needs {scan} in the file name", 'file name: "{part}_{serial}_{scan}.*"', key="set")
        if self.set is None and self.overlap_limit is not None:
            raise Refused("an overlap limit belongs to a set", "set: [top, bottom]", key="overlap limit")
        return self


class Decision(Section):
    """How uncertainty enters the verdict. No default."""

    rule: Annotated[str, OneOf("simple", "guarded", what="decision rule", aliases={"ISO 14253-1": "guarded"})] = Field(
        description="simple: inside the limits conforms. guarded: ISO 14253-1:2017, inside by the guard band."
    )
    factor: Number | None = Field(
        default=None, description="guarded only: guard band in expanded uncertainties (JCGM 106), above 0 up to 3."
    )

    @model_validator(mode="after")
    def _factor_fits(self) -> Decision:
        if self.factor is not None and self.rule == "simple":
            raise Refused(
                "a factor belongs to the rule guarded, not to simple", "rule: guarded with factor, or rule: simple"
            )
        if self.factor is not None and not 0 < self.factor <= 3:
            raise Refused(f"{self.factor:g} is out of range", "a factor above 0 up to 3", key="factor")
        return self


_DECIMALS = ("as drawing", "as drawing plus one", "as drawing plus two")


def parse_decimals(value: Any) -> str | int:
    """Return a rule for decimals, or their number from 0 to 9."""
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    if isinstance(value, str) and str(value).isascii() and str(value).isdigit() and not getattr(value, "quoted", False):
        return 0 if str(value) == "0" else _at_most_nine(value)
    return word_parser(_DECIMALS, {}, "rule for decimals")(value)


def parse_own_decimals(value: Any) -> int:
    """Return a number of decimals from 0 to 9."""
    if str(value) == "0":
        return 0
    return _at_most_nine(value)


def _at_most_nine(value: Any) -> int:
    number = parse_count(value)
    if number > 9:
        raise Refused(f"{number} decimals", "a whole number from 0 to 9")
    return number


Decimals = Annotated[
    int, PlainValidator(parse_own_decimals), WithJsonSchema({"type": "integer", "minimum": 0, "maximum": 9})
]


class Outputs(Section):
    """What is written."""

    workbook: Annotated[str, OneOf("per part", "per lot", "none", what="workbook rule")] | None = Field(
        default=None, description="One workbook per part number (default), one per part number and lot, or none."
    )
    pictures: list[CharacteristicId] | None = Field(
        default=None, description="Ids of the profile characteristics that get a deviation picture of their own."
    )
    decimals: (
        Annotated[
            str | int,
            PlainValidator(parse_decimals),
            WithJsonSchema({"anyOf": [{"enum": list(_DECIMALS)}, {"type": "integer", "minimum": 0, "maximum": 9}]}),
        ]
        | None
    ) = Field(
        default=None,
        description="Decimals of reported values: a rule or a number from 0 to 9; default as drawing plus one.",
    )


class Need(Section):
    """What must have been seen before "conforms" may be said."""

    coverage: Fraction | None = Field(
        default=None,
        description='Least share of the nominal extent, such as "95 %"; default 80 % for profile and form, else 0 %.',
    )
    largest_gap: Length | None = Field(
        default=None, description="Largest unseen patch allowed, across, drawing's unit; profile only."
    )


class Judge(Section):
    """Which zone of a noisy scan is judged."""

    filter: Annotated[str, OneOf("gaussian", what="filter")] | None = Field(
        default=None, description="Gaussian filter (ISO 16610-61) before the zone is taken."
    )
    cutoff: Length | None = Field(
        default=None, description="Nesting index (cut-off wavelength) of the filter, drawing's unit."
    )
    central: Fraction | None = Field(
        default=None, description="Central zone of 95 % of the points; needs an agreement."
    )
    agreement: Words | None = Field(default=None, description="The agreement under which a central zone may be judged.")

    @model_validator(mode="after")
    def _one_way(self) -> Judge:
        if (self.filter is None) == (self.central is None):
            raise Refused(
                "state one way of judging", "{filter: gaussian, cutoff: ...} or {central: 95 %, agreement: ...}"
            )
        if self.filter is not None and self.cutoff is None:
            raise Refused(
                "a Gaussian filter needs its cut-off", "cutoff: a length", "common values are 0.8, 2.5 and 8 mm"
            )
        if self.central is not None:
            if self.cutoff is not None:
                raise Refused("a central zone has no cut-off", "{central: 95 %, agreement: ...}")
            if self.central != 0.95:
                raise Refused("only the central 95 % zone is known", "central: 95 %")
            if self.agreement is None:
                raise Refused(
                    "a central 95 % zone may only be judged under an agreement",
                    "agreement: where it was agreed",
                    "use a filter or all points otherwise",
                )
        return self


def parse_judge(value: Any) -> Judge | Literal["all points"]:
    """Return ``all points`` or a filter."""
    if isinstance(value, str):
        word_parser(("all points",), {"plain": "all points"}, "way of judging")(value)
        return "all points"
    if isinstance(value, Judge):
        return value
    return Judge.model_validate(value)


JudgeRule = Annotated[
    Any, PlainValidator(parse_judge), WithJsonSchema({"anyOf": [{"enum": ["all points"]}, {"model": "Judge"}]})
]


class FeatureDefaults(Section):
    """Taken by every feature that does not state its own."""

    search: Length | None = Field(default=None, description="As in a feature.")
    margin: LengthOrZero | None = Field(default=None, description="As in a feature.")
    coverage: Fraction | None = Field(default=None, description="As in a feature.")


class CharacteristicDefaults(Section):
    """Taken by every characteristic that does not state its own."""

    uncertainty: Length | None = Field(
        default=None, description="Expanded uncertainty (k = 2) of lengths, drawing's unit, until it is computed."
    )
    angle_uncertainty: Number | None = Field(
        default=None, description="Expanded uncertainty (k = 2) of angles, degrees."
    )
    judge: JudgeRule | None = Field(
        default=None, description="As in a characteristic; for form, orientation and profile."
    )
    need: Need | None = Field(default=None, description="As in a characteristic.")
    class_: Words | None = Field(default=None, description="As in a characteristic.")


class Defaults(Section):
    """Values stated once for many."""

    features: FeatureDefaults | None = Field(default=None, description="For features.")
    characteristics: CharacteristicDefaults | None = Field(default=None, description="For characteristics.")
