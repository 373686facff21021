"""The scalar types of the language: how a written text becomes a number, an angle, a share, a direction, a word.

Each type is an ``Annotated`` alias for pydantic whose validator takes the text as written and answers with a value
or raises ``Refused`` in words. Lengths stay in the drawing's unit, angles in degrees, as written; they become
millimetres and radians in ``translate``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import islice
from typing import Annotated, Any, TypeVar

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler, PlainValidator, WithJsonSchema
from pydantic_core import CoreSchema, core_schema

from runner.recipe.text import Text

LARGEST = 1e9
"""No number in a recipe is larger; it keeps sums finite."""


class Refused(ValueError):
    """A value can't be used: what is wrong, what was allowed, what may have been meant."""

    def __init__(self, message: str, allowed: str = "", suggestion: str = "", key: str = "") -> None:
        self.message = message
        self.allowed = allowed
        self.suggestion = suggestion
        self.key = key
        """The key of a map that is to blame, where the map as a whole was looked at."""
        super().__init__(message)


class Written(float):
    """A number that remembers how many decimals it was written with."""

    __slots__ = ("decimals",)
    decimals: int

    def __new__(cls, value: float, decimals: int = 0) -> Written:
        """Return the number with its written decimals."""
        made = super().__new__(cls, value)
        made.decimals = decimals
        return made

    def __deepcopy__(self, memo: dict[int, Any]) -> Written:
        """Return itself: it never changes."""
        return self

    def __copy__(self) -> Written:
        """Return itself: it never changes."""
        return self


def decimals_of(value: float) -> int:
    """Return the decimals a number was written with, or those its shortest form needs."""
    if isinstance(value, Written):
        return value.decimals
    shortest = repr(float(value))
    if "e" in shortest or "." not in shortest:
        return 0
    return len(shortest.split(".")[1].rstrip("0"))


def listed(names: Iterable[str], most: int = 20) -> str:
    """Return names joined by commas, no more than a message can carry."""
    first = list(islice(names, most + 1))
    return ", ".join(first[:most]) + (" ..." if len(first) > most else "")


def number_text(value: float) -> str:
    """Return the shortest text that reads back as the same number."""
    if float(value).is_integer() and abs(value) < 1e15:
        return str(int(value))
    return repr(float(value))


def written_text(value: float) -> str:
    """Return a number with the decimals it was written with, or in its shortest form where they don't suffice."""
    as_written = f"{float(value):.{decimals_of(value)}f}"
    return as_written if float(as_written) == float(value) else number_text(value)


def nearest(word: str, allowed: list[str] | tuple[str, ...]) -> str:
    """Return a suggestion naming the nearest allowed word, or an empty text."""
    by_lower = {option.lower(): option for option in allowed[:500]}
    close = get_close_matches(word.lower(), list(by_lower), n=1, cutoff=0.6)
    return f'did you mean "{by_lower[close[0]]}"?' if close else ""


def shown(value: Any) -> str:
    """Return a value as quoted in a message, cut to a readable length."""
    if isinstance(value, list):
        return "a list"
    if isinstance(value, dict):
        return "a map"
    text = str(value)
    if text == "":
        return "nothing"
    return f'"{text}"' if len(text) <= 60 else f'"{text[:57]}..."'


NUMBER = r"(?:\d{1,18}(?:\.\d{0,30})?|\.\d{1,30})"
_NUMBER = re.compile(rf"^[+-]?{NUMBER}(?:[eE][+-]?\d{{1,3}})?$", re.ASCII)
_YAML_WORDS = {"true", "false", "yes", "no", "on", "off", "null", "~"}


def parse_number(value: Any, what: str = "a number") -> Written:
    """Return the number a plain scalar states; NaN, infinity, words, quoted text, lists and maps are refused."""
    if isinstance(value, Written):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool):
        value = Text(number_text(value))
    if not isinstance(value, str):
        raise Refused(f"{shown(value)} where {what} belongs", what)
    text = str(value).replace("\u2212", "-")
    if text == "":
        raise Refused("has no value", what)
    if getattr(value, "quoted", False):
        raise Refused(f"{shown(value)} is text in quotes where {what} belongs", f"{what}, without quotes")
    if not _NUMBER.match(text):
        raise Refused(*_why_no_number(text, what))
    number = float(text)
    if not math.isfinite(number) or abs(number) > LARGEST:
        raise Refused(f"{shown(text)} is too large", f"{what} up to {LARGEST:.0e}")
    mantissa = re.split("[eE]", text)[0]
    decimals = len(mantissa.split(".")[1]) if "." in mantissa else 0
    if mantissa != text:
        decimals = max(0, decimals - int(re.split("[eE]", text)[1]))
    return Written(number, min(decimals, 12))


def _why_no_number(text: str, what: str) -> tuple[str, str, str]:
    """Return message, allowed and suggestion for a text that is no number."""
    lower = text.lower()
    if lower in {".nan", "nan", ".inf", "inf", "-.inf", "+.inf", "-inf", "infinity"}:
        return f"{shown(text)} is no measurable number", what, ""
    if lower in _YAML_WORDS:
        return f"the word {shown(text)} where {what} belongs", what, ""
    comma = text.replace(",", ".")
    if "," in text and _NUMBER.match(comma):
        return f"{shown(text)} has a decimal comma", f"{what} with a decimal point", f"write {comma}"
    unit = re.match(rf"^([+-]?{NUMBER})\s*(mm|in|inch|\"|cm|m|°|deg)$", text)
    if unit:
        return (
            f"{shown(text)} carries a unit",
            f"{what}; the unit is stated once, in drawing: units (angles are degrees)",
            f"write {unit.group(1)}",
        )
    return f"{shown(text)} where {what} belongs", what, ""


def _positive(value: Any, what: str) -> Written:
    number = parse_number(value, what)
    if not number > 0:
        raise Refused(f"{number_text(number)} where {what} belongs", what)
    return number


def parse_length(value: Any) -> Written:
    """Return a length above zero, in the drawing's unit."""
    return _positive(value, "a length above 0")


def parse_length_or_zero(value: Any) -> Written:
    """Return a length of zero or more, in the drawing's unit."""
    number = parse_number(value, "a length of 0 or more")
    if number < 0:
        raise Refused(f"{number_text(number)} is negative", "a length of 0 or more")
    return number


def parse_coordinate(value: Any) -> Written:
    """Return a length of either sign, in the drawing's unit."""
    return parse_number(value)


def parse_count(value: Any) -> int:
    """Return a whole number from 1 to 10000."""
    number = parse_number(value, "a whole number of 1 or more")
    if not number.is_integer() or not 1 <= number <= 10_000:
        raise Refused(f"{number_text(number)} where a whole number belongs", "a whole number from 1 to 10000")
    return int(number)


def parse_fraction(value: Any) -> Written:
    """Return a share from 0 to 1, written ``95 %`` or ``0.95``."""
    allowed = 'a share such as "95 %" or 0.95'
    if isinstance(value, str) and str(value).rstrip().endswith("%"):
        percent = parse_number(Text(str(value).rstrip()[:-1].rstrip()), "a percentage")
        number = Written(float(percent) / 100.0, percent.decimals + 2)
    else:
        number = parse_number(value, allowed)
    if not 0.0 <= number <= 1.0:
        raise Refused(f"{shown(value)} is no share from 0 to 1", allowed, _percent_hint(number))
    return number


def _percent_hint(number: float) -> str:
    return f'write "{number_text(number)} %"' if 1 < number <= 100 else ""


ANGLE_FORMS = "degrees such as 30, 30.5°, 30°15' or 30°15'20\""
_ANGLE = re.compile(rf"^([+-]?)(?:({NUMBER})\s*°)?\s*(?:({NUMBER})\s*['′])?\s*(?:({NUMBER})\s*[\"″])?$", re.ASCII)


def parse_angle(value: Any) -> Written:
    """Return an angle in degrees, written as a number, ``30°`` or ``30°15'20"``."""
    if isinstance(value, str) and not getattr(value, "quoted", False) | isinstance(value, Written):
        found = angle_from_text(str(value))
        if found is not None:
            return found
    if isinstance(value, str) and getattr(value, "quoted", False) and re.search("[°'\"′″]", value):
        found = angle_from_text(str(value))
        if found is not None:
            return found
    return parse_number(value, f"an angle ({ANGLE_FORMS})")


def angle_from_text(text: str) -> Written | None:
    """Return degrees from a text with angle symbols, or None when it is not such a text."""
    matched = _ANGLE.match(text.replace("\u2212", "-").strip())
    if not matched or not any(matched.groups()[1:]):
        return None
    sign, degrees, minutes, seconds = matched.groups()
    if any(part is not None and float(part) >= 60 for part in (minutes, seconds)):
        return None
    total = float(degrees or 0) + float(minutes or 0) / 60 + float(seconds or 0) / 3600
    decimals = decimals_of(parse_number(degrees)) if degrees else 0
    decimals = 4 if seconds else max(decimals, 2) if minutes else decimals
    return Written(-total if sign == "-" else total, decimals)


def parse_vector(value: Any) -> tuple[float, float, float]:
    """Return a place or vector of three numbers."""
    return _triple(value, "three numbers, such as [10, 0, 2.5]")


def _triple(value: Any, allowed: str) -> tuple[float, float, float]:
    if isinstance(value, str) and value == "":
        raise Refused("has no value", allowed)
    if not isinstance(value, list | tuple):
        raise Refused(f"{shown(value)} where {allowed} belong", allowed)
    if len(value) != 3:
        raise Refused(f"{len(value)} values in this list", allowed)
    x, y, z = (parse_number(item) for item in value)
    return x, y, z


AXES = {
    "+x": (1.0, 0.0, 0.0),
    "-x": (-1.0, 0.0, 0.0),
    "+y": (0.0, 1.0, 0.0),
    "-y": (0.0, -1.0, 0.0),
    "+z": (0.0, 0.0, 1.0),
    "-z": (0.0, 0.0, -1.0),
}


def parse_direction(value: Any) -> tuple[float, float, float]:
    """Return a direction as written: three numbers, not all zero, or ``+x`` ... ``-z``."""
    allowed = "three numbers, such as [0, 0, 1], or one of " + ", ".join(AXES)
    if isinstance(value, str) and value != "":
        word = str(value).lower().replace("\u2212", "-")
        word = word if word[0] in "+-" else "+" + word
        if word in AXES:
            return AXES[word]
        raise Refused(f"{shown(value)} where a direction belongs", allowed)
    vector = _triple(value, allowed)
    if not math.hypot(*vector) > 1e-9:
        raise Refused("a direction must not be [0, 0, 0]", allowed)
    return vector


def parse_places(value: Any) -> tuple[tuple[float, float, float], ...]:
    """Return one or more places."""
    allowed = "a list of places, such as [[0, 0, 0], [10, 0, 0]]"
    if not isinstance(value, list | tuple) or not value:
        raise Refused(f"{shown(value) if value != [] else 'an empty list'} where places belong", allowed)
    return tuple(parse_vector(item) for item in value)


def parse_span(value: Any) -> tuple[float, float]:
    """Return two numbers, the smaller first."""
    allowed = "two numbers, the smaller first, such as [-2, 0]"
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise Refused(f"{shown(value)} where {allowed} belong", allowed)
    low, high = (parse_number(item) for item in value)
    if not low < high:
        raise Refused(f"from {number_text(low)} to {number_text(high)} is no span", allowed)
    return low, high


def parse_steps(value: Any) -> tuple[float, float]:
    """Return two lengths above zero."""
    allowed = "two lengths, such as [20, 15]"
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise Refused(f"{shown(value)} where {allowed} belong", allowed)
    return parse_length(value[0]), parse_length(value[1])


def parse_counts(value: Any) -> tuple[int, int]:
    """Return two whole numbers of 1 or more."""
    allowed = "two whole numbers, such as [4, 2]"
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise Refused(f"{shown(value)} where {allowed} belong", allowed)
    return parse_count(value[0]), parse_count(value[1])


def parse_words(value: Any) -> str:
    """Return a non-empty text of one line, spaces trimmed, without control characters."""
    if not isinstance(value, str):
        raise Refused(f"{shown(value)} where a text belongs", "a text")
    text = " ".join(str(value).split())
    if text == "":
        raise Refused("has no value", "a text")
    if any(
        ord(c) < 32 or 0x7F <= ord(c) < 0xA0 or 0x200B <= ord(c) <= 0x200F or 0x202A <= ord(c) <= 0x202E for c in text
    ):
        raise Refused(f"{shown(text)} holds invisible characters", "a text of visible characters")
    if len(text) > 300:
        raise Refused(f"a text of {len(text)} characters", "at most 300 characters")
    return text


_NAME = re.compile(r"^[^\W_][\w .()/#+'°-]{0,79}$")


def parse_name(value: Any) -> str:
    """Return a name: begins with a letter or digit; letters, digits, spaces and ``. _ - ( ) / # + ' °``."""
    text = parse_words(value)
    if not _NAME.match(text):
        raise Refused(
            f"{shown(text)} can't be a name",
            "up to 80 letters, digits, spaces and . _ - ( ) / # + ' °, a letter or digit first",
        )
    if text.lower().startswith("each of "):
        raise Refused(f"{shown(text)} can't be a name", 'a name that does not begin with "each of"')
    return text


def parse_datum_label(value: Any) -> str:
    """Return a datum label: one or two capital letters, not I, O or Q alone."""
    text = parse_words(value)
    if not re.fullmatch("[A-Z]{1,2}[0-9]?", text):
        raise Refused(f"{shown(text)} can't be a datum's label", "one or two capital letters, such as A or AB")
    return text


def parse_characteristic_id(value: Any) -> str:
    """Return a characteristic's id; a number without quotes is refused, since 1.10 and 1.1 would look alike."""
    text = parse_words(value)
    if not getattr(value, "quoted", True) and re.fullmatch(r"[+-]?[\d.,eE+-]+", text):
        raise Refused(
            f"the id {text} is a bare number",
            'an id in quotes, so that "1.10" stays apart from "1.1"',
            f'write "{text}"',
        )
    if len(text) > 40:
        raise Refused(f"an id of {len(text)} characters", "at most 40 characters")
    return text


def parse_flag(value: Any) -> bool:
    """Return a yes or no."""
    words = {"true": True, "yes": True, "false": False, "no": False}
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and str(value).lower() in words:
        return words[str(value).lower()]
    raise Refused(f"{shown(value)} where true or false belongs", "true, false")


T = TypeVar("T")


def word_parser(allowed: tuple[str, ...], aliases: Mapping[str, str], what: str) -> Callable[[Any], str]:
    """Return a validator for one word of a table, with other spellings that mean the same."""
    lookup = {option.lower(): option for option in allowed} | {k.lower(): v for k, v in aliases.items()}

    def parse(value: Any) -> str:
        if not isinstance(value, str):
            raise Refused(f"{shown(value)} where {what} belongs", ", ".join(allowed))
        word = " ".join(str(value).replace("_", " ").split())
        if word == "":
            raise Refused("has no value", ", ".join(allowed))
        found = lookup.get(word.lower())
        if found is None:
            raise Refused(f"{shown(word)} is no {what}", ", ".join(allowed), nearest(word, list(lookup)))
        return found

    return parse


@dataclass(frozen=True)
class OneOf:
    """A word of a table, as metadata of ``Annotated[str, OneOf(...)]``; aliases are read, never written."""

    allowed: tuple[str, ...]
    what: str
    aliases: tuple[tuple[str, str], ...]

    def __init__(self, *allowed: str, what: str, aliases: Mapping[str, str] | None = None) -> None:
        object.__setattr__(self, "allowed", allowed)
        object.__setattr__(self, "what", what)
        object.__setattr__(self, "aliases", tuple((aliases or {}).items()))

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Return the validator as pydantic wants it."""
        return core_schema.no_info_plain_validator_function(word_parser(self.allowed, dict(self.aliases), self.what))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Return the table as a JSON Schema."""
        return {"type": "string", "enum": [*self.allowed, *dict(self.aliases)]}


_NUMBERS = {"type": "array", "items": {"type": "number"}}

Number = Annotated[float, PlainValidator(parse_number), WithJsonSchema({"type": "number"})]
Coordinate = Annotated[float, PlainValidator(parse_coordinate), WithJsonSchema({"type": "number"})]
Length = Annotated[float, PlainValidator(parse_length), WithJsonSchema({"type": "number", "exclusiveMinimum": 0})]
LengthOrZero = Annotated[float, PlainValidator(parse_length_or_zero), WithJsonSchema({"type": "number", "minimum": 0})]
Count = Annotated[
    int, PlainValidator(parse_count), WithJsonSchema({"type": "integer", "minimum": 1, "maximum": 10_000})
]
Angle = Annotated[float, PlainValidator(parse_angle), WithJsonSchema({"type": ["number", "string"]})]
Fraction = Annotated[
    float,
    PlainValidator(parse_fraction),
    WithJsonSchema(
        {"anyOf": [{"type": "number", "minimum": 0, "maximum": 1}, {"type": "string", "pattern": r"^[0-9.]+ ?%$"}]}
    ),
]
Place = Annotated[
    tuple[float, float, float], PlainValidator(parse_vector), WithJsonSchema({**_NUMBERS, "minItems": 3, "maxItems": 3})
]
Direction = Annotated[
    tuple[float, float, float],
    PlainValidator(parse_direction),
    WithJsonSchema(
        {
            "anyOf": [
                {**_NUMBERS, "minItems": 3, "maxItems": 3},
                {"type": "string", "enum": [*AXES, *(name[1:] for name in AXES if name[0] == "+")]},
            ]
        }
    ),
]
Places = Annotated[
    tuple[tuple[float, float, float], ...],
    PlainValidator(parse_places),
    WithJsonSchema({"type": "array", "items": {**_NUMBERS, "minItems": 3, "maxItems": 3}, "minItems": 1}),
]
Span = Annotated[
    tuple[float, float], PlainValidator(parse_span), WithJsonSchema({**_NUMBERS, "minItems": 2, "maxItems": 2})
]
Steps = Annotated[
    tuple[float, float], PlainValidator(parse_steps), WithJsonSchema({**_NUMBERS, "minItems": 2, "maxItems": 2})
]
Counts = Annotated[
    tuple[int, int],
    PlainValidator(parse_counts),
    WithJsonSchema({"type": "array", "items": {"type": "integer"}, "minItems": 2, "maxItems": 2}),
]
Words = Annotated[str, PlainValidator(parse_words), WithJsonSchema({"type": ["string", "number"]})]
Name = Annotated[str, PlainValidator(parse_name), WithJsonSchema({"type": "string"})]
DatumLabel = Annotated[str, PlainValidator(parse_datum_label), WithJsonSchema({"type": "string"})]
CharacteristicId = Annotated[str, PlainValidator(parse_characteristic_id), WithJsonSchema({"type": "string"})]
Flag = Annotated[bool, PlainValidator(parse_flag), WithJsonSchema({"type": "boolean"})]
