"""Characteristics: one model for each kind, so that each knows which keys it may have."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Union

from pydantic import Discriminator, Field, PlainValidator, Tag, WithJsonSchema, model_validator

from runner.recipe.base import Section
from runner.recipe.features import tag_of
from runner.recipe.kinds import CHARACTERISTIC_ALIASES, CHARACTERISTIC_KINDS
from runner.recipe.limits import AngleLimitsText, LimitsText
from runner.recipe.scalars import (
    Angle,
    Direction,
    Length,
    LengthOrZero,
    Number,
    OneOf,
    Refused,
    Span,
    Words,
    parse_length_or_zero,
    parse_name,
    parse_words,
    shown,
)
from runner.recipe.sections import Decimals, JudgeRule, Need
from runner.recipe.text import Text, spaced


def parse_reference(value: Any) -> str:
    """Return the name of a feature, of a pattern, or ``each of`` a pattern."""
    text = parse_words(value)
    name = re.sub("^each of ", "", text, flags=re.IGNORECASE)
    parse_name(Text(name))
    return text if name == text else f"each of {name}"


def parse_pair(value: Any) -> tuple[str, str]:
    """Return the names of two different features."""
    allowed = "a list of two features, such as [left hole, right hole]"
    if not isinstance(value, list | tuple):
        raise Refused(f"{shown(value)} where two features belong", allowed)
    if len(value) != 2:
        raise Refused(f"{len(value)} features in this list", allowed)
    first, second = (parse_name(item) for item in value)
    if first == second:
        raise Refused(f"{shown(first)} is named twice", "two different features")
    return first, second


def parse_sized(value: Any) -> str | tuple[str, str]:
    """Return a feature of size, each of a pattern, or the two facing planes between which the size lies."""
    return parse_pair(value) if isinstance(value, list | tuple) else parse_reference(value)


def parse_frame(value: Any) -> str:
    """Return the name of a datum system, or datums in their order joined by ``|``."""
    if isinstance(value, list | tuple):
        if not value:
            raise Refused(
                "an empty list where datums belong", "the name of a datum system, or datums such as [A, B, C]"
            )
        return "|".join(parse_words(item) for item in value)
    text = parse_words(value)
    return "|".join(part.strip() for part in text.split("|")) if "|" in text else text


Reference = Annotated[str, PlainValidator(parse_reference), WithJsonSchema({"type": "string"})]
SizedFeature = Annotated[
    str | tuple[str, str],
    PlainValidator(parse_sized),
    WithJsonSchema(
        {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 2, "maxItems": 2}]}
    ),
]
Pair = Annotated[
    tuple[str, str],
    PlainValidator(parse_pair),
    WithJsonSchema({"type": "array", "items": {"type": "string"}, "minItems": 2, "maxItems": 2}),
]
PositionZone = Annotated[
    float,
    PlainValidator(parse_length_or_zero),
    WithJsonSchema({"anyOf": [{"type": "number", "minimum": 0}, {"type": "string", "pattern": "^(S?[Ø⌀]|[0-9.])"}]}),
]
Frame = Annotated[
    str,
    PlainValidator(parse_frame),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}),
]

Material = Annotated[
    str,
    OneOf(
        "maximum material",
        "least material",
        "any size",
        what="material condition",
        aliases={
            "Ⓜ": "maximum material",
            "(M)": "maximum material",
            "MMC": "maximum material",
            "MMR": "maximum material",
            "Ⓛ": "least material",
            "(L)": "least material",
            "LMC": "least material",
            "LMR": "least material",
            "RFS": "any size",
            "regardless of feature size": "any size",
        },
    ),
]
Shape = Annotated[
    str,
    OneOf(
        "diametral",
        "spherical",
        "two planes",
        what="zone shape",
        aliases={"Ø": "diametral", "⌀": "diametral", "cylindrical": "diametral", "SØ": "spherical", "S⌀": "spherical"},
    ),
]
SizeBy = Annotated[
    str,
    OneOf(
        "two-point",
        "GG",
        "GN",
        "GX",
        "envelope",
        what="definition of size",
        aliases={
            "LP": "two-point",
            "two point": "two-point",
            "least squares": "GG",
            "minimum circumscribed": "GN",
            "maximum inscribed": "GX",
            "Ⓔ": "envelope",
            "(E)": "envelope",
            "Ⓖ": "GG",
        },
    ),
]


class CharacteristicOptions(Section):
    """What every characteristic may state."""

    kind: ClassVar[str] = ""
    class_: Words | None = Field(
        default=None, description='Classification on the drawing, such as "key" or "critical".'
    )
    where: Words | None = Field(default=None, description='Sheet and zone on the drawing, such as "sheet 1, C4".')
    note: Words | None = Field(default=None, description="A note carried into documents.")
    decimals: Decimals | None = Field(
        default=None, description="Decimals to report, 0 to 9; default by outputs: decimals."
    )

    @model_validator(mode="before")
    @classmethod
    def _kind_by_its_usual_name(cls, data: Any) -> Any:
        """Replace a drawing symbol or another trade word by the kind's usual name."""
        if not isinstance(data, dict):
            return data
        return {kind_of_key(str(key)) or key: value for key, value in data.items()}


def kind_of_key(key: str) -> str | None:
    """Return the kind that a key names, through aliases; None for any other key."""
    usual = spaced(key)
    usual = CHARACTERISTIC_ALIASES.get(usual, usual)
    return usual if usual in CHARACTERISTIC_KINDS else None


class Measured(CharacteristicOptions):
    """What every measured characteristic may state."""

    uncertainty: Length | None = Field(
        default=None, description="Expanded uncertainty (k = 2) of the value, drawing's unit, until it is computed."
    )
    need: Need | None = Field(default=None, description='What must have been seen before "conforms" may be said.')


class Size(Measured):
    """Size of a hole, shaft, sphere or slot, or between two facing planes."""

    kind = "size"
    size: SizedFeature = Field(
        description="The feature, or each of a pattern; [one, other] for the size between two facing planes."
    )
    limits: LimitsText = Field(description="Limits as the drawing writes them, drawing's unit.")
    by: SizeBy | None = Field(
        default=None,
        description="two-point, GG (least squares), GN (minimum circumscribed), GX (maximum inscribed) of ISO 14405-1, "
        "or envelope; default by the drawing's standard: two-point for ISO GPS, envelope for ASME Y14.5.",
    )
    across: Annotated[str, OneOf("width", "length", what="direction across a slot")] | None = Field(
        default=None, description="Which size of a slot; required there, not allowed elsewhere."
    )


class Distance(Measured):
    """Distance between two features."""

    kind = "distance"
    distance: Pair = Field(description="The two features.")
    limits: LimitsText = Field(description="Limits as the drawing writes them, drawing's unit.")
    along: Direction | None = Field(
        default=None,
        description="Direction along which it is measured, nominal's frame; default between the features' own places.",
    )
    datums: Frame | None = Field(default=None, description="Datum system whose frame the direction is stated in.")


class AngleBetween(CharacteristicOptions):
    """Angle between two features."""

    kind = "angle"
    angle: Pair = Field(description="The two features.")
    limits: AngleLimitsText = Field(description="Limits as the drawing writes them, degrees.")
    shorter_side: Length | None = Field(
        default=None,
        description="Length of the angle's shorter side, drawing's unit; needed for a general class of ISO 2768-1.",
    )
    uncertainty: Angle | None = Field(
        default=None, description="Expanded uncertainty (k = 2), degrees, until it is computed."
    )
    need: Need | None = Field(default=None, description='What must have been seen before "conforms" may be said.')


class Form(Measured):
    """Base of the form characteristics."""

    zone: Length = Field(description="Width of the tolerance zone, drawing's unit.")
    judge: JudgeRule | None = Field(
        default=None,
        description='Which zone is judged: "all points", {filter: gaussian, cutoff: ...} (ISO 16610) or '
        "{central: 95 %, agreement: ...}. No default here; defaults: characteristics: judge states it for all.",
    )


class Flatness(Form):
    """Flatness (ISO 1101): width of the narrowest zone between two parallel planes."""

    kind = "flatness"
    flatness: Reference = Field(description="The plane.")


class Roundness(Form):
    """Roundness (ISO 1101): width of the narrowest ring, section by section."""

    kind = "roundness"
    roundness: Reference = Field(description="The circle, cylinder, cone or sphere.")


class Cylindricity(Form):
    """Cylindricity (ISO 1101): width of the narrowest zone between two coaxial cylinders."""

    kind = "cylindricity"
    cylindricity: Reference = Field(description="The cylinder.")


class Orientation(Measured):
    """Base of the orientation characteristics."""

    zone: Length = Field(description="Width or diameter of the tolerance zone, drawing's unit.")
    shape: Shape | None = Field(
        default=None,
        description="Zone of an axis: diametral or two planes; required for an axis, a plane has two planes.",
    )
    direction: Direction | None = Field(default=None, description="Direction across a zone of two planes of an axis.")
    datums: Frame | None = Field(default=None, description="Datum system, or datums such as A or [A, B].")
    to: Reference | None = Field(
        default=None, description="The feature it is stated against, where the drawing names no datum."
    )
    over: Span | None = Field(
        default=None, description="Part of the axis that is judged, from the feature's point, drawing's unit."
    )
    judge: JudgeRule | None = Field(
        default=None, description="Which zone is judged; default as in defaults, else all points."
    )


class Parallelism(Orientation):
    """Parallelism to a datum (ISO 1101)."""

    kind = "parallelism"
    parallelism: Reference = Field(description="The plane or axis.")


class Perpendicularity(Orientation):
    """Perpendicularity to a datum (ISO 1101)."""

    kind = "perpendicularity"
    perpendicularity: Reference = Field(description="The plane or axis.")


_ZONE_TEXT = re.compile(r"^(S?[Ø⌀ø∅])?\s*([0-9.]+)\s*(Ⓜ|Ⓛ|\(M\)|\(L\))?$")


class Position(Measured):
    """Position: twice the largest deviation of axis, centre or middle plane from its true position."""

    kind = "position"
    position: Reference = Field(description="The feature, or each of a pattern.")
    zone: PositionZone = Field(
        description='Width or diameter of the tolerance zone, drawing\'s unit; "Ø 0.4 Ⓜ" states shape and material '
        "condition with it. 0 only together with a material condition."
    )
    shape: Shape | None = Field(
        default=None, description="diametral (Ø), spherical (SØ) or two planes. No default; a slot has two planes."
    )
    across: Annotated[str, OneOf("width", "length", what="direction across a slot")] | None = Field(
        default=None, description="Which two-plane zone of a slot; required there, not allowed elsewhere."
    )
    direction: Direction | None = Field(
        default=None, description="Direction across a zone of two planes, nominal's frame."
    )
    at: Material | None = Field(
        default=None,
        description="maximum material (Ⓜ), least material (Ⓛ), or any size, which is what both standards mean where "
        "the drawing shows no symbol.",
    )
    size_limits: LimitsText | None = Field(
        default=None,
        description="Limits of size for the material condition; by default those of the feature's size characteristic.",
    )
    datums: Frame | None = Field(default=None, description="Datum system, or datums in their order such as [A, B, C].")
    over: Span | None = Field(
        default=None, description="Part of the axis that is judged, from the feature's point, drawing's unit."
    )

    @model_validator(mode="before")
    @classmethod
    def _zone_as_drawn(cls, data: Any) -> Any:
        """Take shape and material condition out of a zone written as on the drawing."""
        if not isinstance(data, dict) or not isinstance(data.get("zone"), str):
            return data
        found = _ZONE_TEXT.match(str(data["zone"]).strip())
        if not found or not (found[1] or found[3]):
            return data
        tidy = {**data, "zone": Text(found[2])}
        for key, symbol in (("shape", found[1]), ("at", found[3])):
            if symbol:
                if key in data:
                    raise Refused(f"{key} is stated twice, by the zone's symbol and by its own key", "each once")
                tidy[key] = Text(symbol)
        return tidy

    @model_validator(mode="after")
    def _zone_above_zero(self) -> Position:
        if self.zone == 0 and self.at in (None, "any size"):
            raise Refused(
                "a zone of 0 without a material condition", "a zone above 0, or at: maximum material", key="zone"
            )
        return self


class Profile(Measured):
    """Profile of a surface: twice the largest |deviation| for an equally disposed zone."""

    kind = "profile"
    profile: Reference = Field(description="The feature or surface.")
    zone: Length = Field(description="Width of the tolerance zone, drawing's unit.")
    unequal: Number | None = Field(
        default=None,
        description="Shift of the zone's middle out of the material, drawing's unit (UZ of ISO 1660); default 0.",
    )
    outside: LengthOrZero | None = Field(
        default=None, description="Share of the zone outside the material, drawing's unit (Ⓤ of ASME Y14.5)."
    )
    datums: Frame | None = Field(
        default=None, description="Datum system; without it the profile is judged where its zone needs least."
    )
    judge: JudgeRule | None = Field(
        default=None, description="Which zone is judged; default as in defaults, else all points."
    )
    reach: Length | None = Field(
        default=None,
        description="How far from nominal points are still judged, drawing's unit; default five zones, at least 1 mm.",
    )

    @model_validator(mode="after")
    def _disposed_once(self) -> Profile:
        if self.unequal is not None and self.outside is not None:
            raise Refused("unequal and outside state the same thing twice", "one of unequal and outside")
        if self.outside is not None and self.outside > self.zone:
            raise Refused(f"{self.outside:g} outside of a zone of {self.zone:g}", "at most the zone itself")
        if self.unequal is not None and abs(self.unequal) > self.zone / 2:
            raise Refused(
                f"a shift of {self.unequal:g} takes a zone of {self.zone:g} off the nominal",
                f"a shift from {-self.zone / 2:g} to {self.zone / 2:g}",
            )
        return self


class OtherGauge(CharacteristicOptions):
    """Entered by a person, listed with the rest."""

    kind = "other gauge"
    other_gauge: Words = Field(description='What is gauged, such as "thread M6".')
    kind_: Annotated[
        str,
        OneOf(
            "go/no-go",
            "value",
            "visual",
            what="kind of gauge",
            aliases={"go no-go": "go/no-go", "attribute": "go/no-go"},
        ),
    ] = Field(description="go/no-go, value or visual.")
    limits: LimitsText | None = Field(default=None, description="Limits of an entered value, in its unit.")
    unit: Annotated[str, OneOf("mm", "in", "deg", what="unit of an entered value")] | None = Field(
        default=None,
        description="Unit of an entered value: the drawing's unit (default) or deg. What has another unit (a hardness, "
        "a torque) is entered as go/no-go in this version.",
    )
    gauge: Words | None = Field(default=None, description="The gauge's identity, where it is fixed.")
    uncertainty: Length | None = Field(
        default=None,
        description="Expanded uncertainty (k = 2) of an entered value, in its unit; needed for a guarded decision. The "
        "defaults, which are the scanner's, don't apply.",
    )

    @model_validator(mode="after")
    def _limits_of_a_value(self) -> OtherGauge:
        if (self.limits is not None) != (self.kind_ == "value"):
            raise Refused(
                "limits belong to an entered value, and a value needs them",
                "kind: value with limits, or another kind without",
            )
        for key in ("unit", "uncertainty"):
            if getattr(self, key) is not None and self.kind_ != "value":
                raise Refused(f"{key} belongs to an entered value", "kind: value with limits", key=key)
        return self


CHARACTERISTIC_MODELS: dict[str, type[CharacteristicOptions]] = {
    model.kind: model
    for model in (
        Size,
        Distance,
        AngleBetween,
        Flatness,
        Roundness,
        Cylindricity,
        Parallelism,
        Perpendicularity,
        Position,
        Profile,
        OtherGauge,
    )
}
assert tuple(CHARACTERISTIC_MODELS) == CHARACTERISTIC_KINDS


def _characteristic_tag(value: Any) -> str | None:
    """Return the tag of the first kind among a characteristic's keys."""
    if isinstance(value, CharacteristicOptions):
        return tag_of(value.kind)
    if isinstance(value, dict):
        kinds = [kind for kind in (kind_of_key(str(key)) for key in value) if kind]
        return tag_of(kinds[0]) if kinds else None
    return None


if TYPE_CHECKING:
    AnyCharacteristic = CharacteristicOptions
else:
    AnyCharacteristic = Annotated[
        Union[tuple(Annotated[model, Tag(tag_of(kind))] for kind, model in CHARACTERISTIC_MODELS.items())],  # noqa: UP007
        Discriminator(_characteristic_tag, custom_error_type="no_kind", custom_error_message="no kind"),
    ]
