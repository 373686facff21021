"""Words and options that several kinds of characteristic share."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar

from pydantic import Field, PlainValidator, WithJsonSchema, model_validator

from runner.recipe.base import Section
from runner.recipe.frames import Frame
from runner.recipe.kinds import CHARACTERISTIC_ALIASES, CHARACTERISTIC_KINDS
from runner.recipe.scalars import Length, OneOf, Words, parse_length_or_zero, parse_words
from runner.recipe.sections import Decimals, Need
from runner.recipe.text import spaced

References = tuple[tuple[tuple[str | int, ...], str], ...]
"""Path inside the characteristic, and the name written there."""

PositionZone = Annotated[
    float,
    PlainValidator(parse_length_or_zero),
    WithJsonSchema({"anyOf": [{"type": "number", "minimum": 0}, {"type": "string", "pattern": "^(S?[Ø⌀]|[0-9.])"}]}),
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
Zones = Annotated[
    str,
    OneOf(
        "combined",
        "separate",
        what="way the zones of a pattern hold",
        aliases={"CZ": "combined", "SZ": "separate", "together": "combined"},
    ),
]
Across = Annotated[str, OneOf("width", "length", what="direction across a slot")]


def parse_simultaneous(value: Any) -> str:
    """Return the word that characteristics share whose zones hold at once, or ``separate``."""
    text = parse_words(value)
    return "separate" if text.lower() in ("separate", "sep reqt") else text


Simultaneous = Annotated[str, PlainValidator(parse_simultaneous), WithJsonSchema({"type": "string"})]
ZONES_TEXT = (
    "Pattern: combined (CZ: one movement for all members) or separate (SZ: each member by itself); default by the "
    "drawing's standard: separate for ISO GPS (ISO 5458:2018), combined for ASME Y14.5. No default for older ISO "
    "editions."
)
SIMULTANEOUS_TEXT = (
    "A word of your choice; characteristics with the same word and the same datums share one movement (SIM). separate: "
    "by itself (SEP REQT). Default by the drawing's standard: separate for ISO GPS; all of the same datums together "
    "for ASME Y14.5, but for datums that give directions only."
)


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

    @property
    def angular(self) -> bool:
        """Whether its value is an angle."""
        return False

    @property
    def references(self) -> References:
        """Every feature it is asked of, in the order of the measuring core, with its place in the entry."""
        value = getattr(self, self.kind.replace(" ", "_"))
        if isinstance(value, tuple):
            return tuple(((self.kind, i), name) for i, name in enumerate(value))
        return (((self.kind,), value),)

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
        default=None,
        description="Expanded uncertainty (k = 2) of the value, drawing's unit (degrees for an angle), until it is "
        "computed.",
    )
    need: Need | None = Field(default=None, description='What must have been seen before "conforms" may be said.')


class Datumed(Measured):
    """What every measured characteristic with datums may state."""

    datums: Frame | None = Field(default=None, description="Datum system, or datums in their order such as [A, B, C].")
