"""Limits as the drawing writes them: ``12 +0.10/-0.05``, ``12 ±0.1``, ``25 H7``, ``12 ISO 2768-m``, ``max 0.5`` ..."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Any

from pydantic import PlainValidator, ValidationInfo, WithJsonSchema

from runner.recipe import iso286, iso2768
from runner.recipe.scalars import NUMBER, Refused, Written, angle_from_text, number_text, shown
from runner.recipe.text import Text

LENGTH_FORMS = (
    "12 ±0.1, 12 +0.10/-0.05, 11.9 to 12.1, 25 H7, 12 ISO 2768-m, max 0.5, min 3, or (12) for a reference dimension"
)
ANGLE_FORMS = "90° ±0°30', 90° +1°/-0.5°, 89.5° to 90.5°, 90° ISO 2768-m, max 2°, min 1°, or (90°)"


SIGNED_FORMS = "±0.3, +0.5/-0.2, -12 ±0.1, -0.2 to 0.5, max 0.3, min -0.1, -25 ISO 2768-m, or (-12) for reference"


@dataclass(frozen=True)
class Limits:
    """Limits of a size, distance (drawing's unit) or angle (degrees), with the text that states them."""

    text: str
    """Normalised: one space between words, ``±`` for ``+/-``."""
    nominal: float | None
    lower: float | None
    upper: float | None
    decimals: int
    """Decimals that the drawing states, for the number of decimals to report."""
    form: str = "explicit"
    """``explicit``, ``one-sided``, ``fit`` (ISO 286-1), ``general`` (ISO 2768-1) or ``reference``."""
    general_class: str = ""
    """Class of ISO 2768-1 of an angle, whose deviation depends on the shorter side."""

    def __deepcopy__(self, memo: dict[int, Any]) -> Limits:
        """Return itself: it never changes."""
        return self


_SIGNED = rf"[+-]\s?{NUMBER}|0(?:\.0{{0,30}})?"
_PLUS_MINUS = re.compile(rf"^({NUMBER})\s?±\s?({NUMBER})$", re.ASCII)
_TWO = re.compile(rf"^({NUMBER})\s({_SIGNED})\s?[/ ]\s?({_SIGNED})$", re.ASCII)
_TO = re.compile(rf"^([+-]?{NUMBER})\s?to\s?([+-]?{NUMBER})$", re.ASCII)
_ONE = re.compile(rf"^(max|min)\.?\s?({NUMBER})$", re.ASCII | re.IGNORECASE)
_ONE_AFTER = re.compile(rf"^({NUMBER})\s(max|min)\.?$", re.ASCII | re.IGNORECASE)
_FIT = re.compile(rf"^({NUMBER})\s?([A-Za-z]{{1,2}}\d{{1,2}})$", re.ASCII)
_GENERAL = re.compile(rf"^({NUMBER})\s?ISO\s?2768(?:-1)?\s?-\s?([A-Za-z])([HKLhkl]?)$", re.ASCII)
_REFERENCE = re.compile(rf"^\(({NUMBER})\)$", re.ASCII)
_BARE = re.compile(rf"^{NUMBER}$", re.ASCII)


def normalised(text: str) -> str:
    """Return a limits text with one spelling for each symbol: ``±``, ``-``, single spaces, no diameter sign."""
    text = text.replace("\u2212", "-").replace("\u2013", "-").replace("−", "-")
    text = re.sub(r"\+\s*/\s*-", "±", text)
    text = re.sub(r"^(\(?)\s*(?:Ø|ø|⌀|∅|dia(?:meter)?\.?\s)\s*", r"\1", text.strip())
    text = " ".join(text.split())
    text = re.sub(r"\s?±\s?", " ±", text)
    text = re.sub(rf"([+-]) (?={NUMBER})", r"\1", text)
    text = re.sub(r"\s?/\s?", "/", text)
    return text.strip()


def _decimal(text: str) -> Decimal:
    return Decimal(text.replace(" ", ""))


def _places(*texts: str) -> int:
    return max(len(text.split(".")[1]) if "." in text else 0 for text in texts)


def _as_text(value: Any, allowed: str) -> str:
    if isinstance(value, Limits):
        return value.text
    if not isinstance(value, str):
        raise Refused(f"{shown(value)} where limits belong", allowed)
    if value == "":
        raise Refused("has no value", allowed)
    if len(value) > 80:
        raise Refused(f"a text of {len(value)} characters where limits belong", allowed)
    return normalised(str(value))


def parse_limits(value: Any) -> Limits:
    """Return the limits of a size or distance, in the drawing's unit.

    Sums are formed in decimal arithmetic, so that ``12 +0.10/-0.05`` is 11.95 to 12.1 to the last bit.

    Raises
    ------
    Refused
        When the text is none of the forms, or its upper limit is not above its lower one.
    """
    text = _as_text(value, LENGTH_FORMS)
    if m := _PLUS_MINUS.match(text):
        return _between(text, _decimal(m[1]), -_decimal(m[2]), _decimal(m[2]), _places(m[1], m[2]))
    if m := _TWO.match(text):
        first, second = sorted((_decimal(m[2]), _decimal(m[3])))
        tidy = f"{m[1]} {m[2]}/{m[3]}"
        return _between(tidy, _decimal(m[1]), first, second, _places(*(g for g in m.groups())))
    if m := _TO.match(text):
        low, high = _decimal(m[1]), _decimal(m[2])
        if not low < high:
            raise Refused(f"{shown(text)}: the lower limit is not below the upper limit", LENGTH_FORMS)
        return Limits(f"{m[1]} to {m[2]}", None, float(low), float(high), _places(m[1], m[2]))
    if m := _ONE.match(text):
        return _one_sided(m[1].lower(), m[2])
    if m := _ONE_AFTER.match(text):
        return _one_sided(m[2].lower(), m[1])
    if m := _GENERAL.match(text):
        return _general(text, m[1], m[2].lower(), m[3])
    if m := _REFERENCE.match(text):
        return Limits(f"({m[1]})", float(m[1]), None, None, _places(m[1]), "reference")
    if m := _FIT.match(text):
        return _fit(m[1], m[2])
    raise Refused(*_why_no_limits(text))


def _between(text: str, nominal: Decimal, low: Decimal, high: Decimal, places: int, signed: bool = False) -> Limits:
    if not low < high:
        raise Refused(f"{shown(text)}: the lower limit is not below the upper limit", LENGTH_FORMS)
    if not signed and nominal + low < 0:
        raise Refused(f"{shown(text)}: the lower limit is negative", LENGTH_FORMS)
    return Limits(text, float(nominal), float(nominal + low), float(nominal + high), places)


def _one_sided(word: str, number: str) -> Limits:
    bound = float(number)
    low, high = (None, bound) if word == "max" else (bound, None)
    return Limits(f"{word} {number}", None, low, high, _places(number), "one-sided")


def _fit(size: str, designation: str) -> Limits:
    try:
        low, high = iso286.deviations(float(size), designation)
    except iso286.NoSuchFit as error:
        raise Refused(f'"{size} {designation}": {error}', LENGTH_FORMS) from None
    nominal = Decimal(size)
    lower, upper = nominal + Decimal(repr(low)), nominal + Decimal(repr(high))
    return Limits(f"{size} {designation}", float(nominal), float(lower), float(upper), max(3, _places(size)), "fit")


def _general(text: str, size: str, letter: str, geometrical: str) -> Limits:
    if geometrical:
        raise Refused(
            f"{shown(text)}: the letter {geometrical.upper()} belongs to ISO 2768-2, which gives no limits of size",
            LENGTH_FORMS,
            f"write {size} ISO 2768-{letter}",
        )
    if letter not in iso2768.CLASSES:
        raise Refused(f"{shown(text)}: ISO 2768-1 has no class {letter}", "the classes f, m, c and v")
    try:
        deviation = Decimal(repr(iso2768.linear_deviation(float(size), letter)))
    except iso2768.NoGeneralTolerance as error:
        raise Refused(f"{shown(text)}: {error}", LENGTH_FORMS) from None
    nominal = Decimal(size)
    places = max(_places(size), _places(str(deviation)))
    return Limits(
        f"{size} ISO 2768-{letter}",
        float(nominal),
        float(nominal - deviation),
        float(nominal + deviation),
        places,
        "general",
    )


def _why_no_limits(text: str) -> tuple[str, str, str]:
    """Return message, allowed and suggestion for a text that states no limits of a length."""
    if _BARE.match(text):
        return (
            f"{shown(text)} alone states no tolerance",
            LENGTH_FORMS,
            f"write ({text}) when it is a reference dimension",
        )
    if "," in text:
        return f"{shown(text)} has a decimal comma", f"{LENGTH_FORMS}, with a decimal point", ""
    if re.search(r"mm|\bin\b|\"|inch", text):
        return f"{shown(text)} carries a unit", f"{LENGTH_FORMS}; the unit is stated once, in drawing: units", ""
    if "°" in text:
        return f"{shown(text)} is an angle where limits of a length belong", LENGTH_FORMS, ""
    lone = re.match(rf"^({NUMBER})\s([+-]{NUMBER})$", text)
    if lone:
        return (
            f"{shown(text)} states one deviation only",
            LENGTH_FORMS,
            f"write {lone[1]} {lone[2]}/0 when the other one is zero",
        )
    if re.match(rf"^{NUMBER}\s[+-]?{NUMBER}/[+-]?{NUMBER}$", text):
        return f"{shown(text)}: a deviation other than 0 needs its sign", LENGTH_FORMS, ""
    return f"{shown(text)} is no form of limits known here", LENGTH_FORMS, ""


def _angle(text: str) -> Written | None:
    """Return degrees from ``90``, ``90°``, ``0°30'`` or ``30'``."""
    if re.fullmatch(rf"[+-]?{NUMBER}", text, re.ASCII):
        return Written(float(text), _places(text))
    return angle_from_text(text)


def parse_angle_limits(value: Any) -> Limits:
    """Return the limits of an angle, degrees; a general class stays open until the shorter side is known."""
    text = _as_text(value, ANGLE_FORMS)
    if "±" in text:
        nominal, tolerance = (_angle(part.strip()) for part in text.split("±", 1))
        if nominal is None or tolerance is None or tolerance < 0:
            raise Refused(f"{shown(text)} is no form of angle limits known here", ANGLE_FORMS)
        return _angle_between(text, nominal, -tolerance, tolerance, tolerance.decimals)
    if m := re.match(r"^(\S+)\s?ISO\s?2768(?:-1)?\s?-\s?([A-Za-z])$", text):
        nominal = _angle(m[1])
        letter = m[2].lower()
        if nominal is None or letter not in iso2768.CLASSES:
            raise Refused(f"{shown(text)}: ISO 2768-1 has no class {letter}", "the classes f, m, c and v")
        return Limits(f"{m[1]} ISO 2768-{letter}", float(nominal), None, None, 2, "general", letter)
    if m := re.match(r"^(max|min)\.?\s?(\S+)$", text, re.IGNORECASE):
        bound = _angle(m[2])
        if bound is not None and bound >= 0:
            low, high = (None, float(bound)) if m[1].lower() == "max" else (float(bound), None)
            return Limits(f"{m[1].lower()} {m[2]}", None, low, high, bound.decimals, "one-sided")
    if m := re.match(r"^(\S+)\s?to\s?(\S+)$", text):
        first, second = _angle(m[1]), _angle(m[2])
        if first is not None and second is not None:
            if not first < second:
                raise Refused(f"{shown(text)}: the lower limit is not below the upper limit", ANGLE_FORMS)
            return Limits(f"{m[1]} to {m[2]}", None, float(first), float(second), max(first.decimals, second.decimals))
    if m := re.match(r"^\((\S+)\)$", text):
        nominal = _angle(m[1])
        if nominal is not None:
            return Limits(f"({m[1]})", float(nominal), None, None, nominal.decimals, "reference")
    if m := re.match(r"^(\S+) ([+-]\S+|0°?)[/ ]([+-]\S+|0°?)$", text):
        parts = [_angle(group) for group in m.groups()]
        if all(part is not None for part in parts):
            nominal, first, second = (part for part in parts if part is not None)
            low, high = sorted((float(first), float(second)))
            return _angle_between(f"{m[1]} {m[2]}/{m[3]}", nominal, low, high, max(first.decimals, second.decimals))
    if _angle(text) is not None:
        raise Refused(
            f"{shown(text)} alone states no tolerance", ANGLE_FORMS, f"write ({text}) when it is for reference"
        )
    raise Refused(f"{shown(text)} is no form of angle limits known here", ANGLE_FORMS)


def _angle_between(text: str, nominal: Written, low: float, high: float, places: int) -> Limits:
    if not low < high:
        raise Refused(f"{shown(text)}: the lower limit is not below the upper limit", ANGLE_FORMS)
    exact = round(float(nominal) + low, 9), round(float(nominal) + high, 9)
    return Limits(text, float(nominal), *exact, max(nominal.decimals, places))


def with_shorter_side(limits: Limits, shorter_side_mm: float) -> Limits:
    """Return angle limits of a general class, completed by the length of the angle's shorter side."""
    assert limits.nominal is not None
    deviation = iso2768.angular_deviation(shorter_side_mm, limits.general_class)
    low, high = round(limits.nominal - deviation, 9), round(limits.nominal + deviation, 9)
    return Limits(limits.text, limits.nominal, low, high, limits.decimals, "general", limits.general_class)


def sentence_limits(limits: Limits, unit: str) -> str:
    """Return limits in words for a sentence: ``11.95 to 12.1 mm``."""
    unit_text = "°" if unit == "deg" else f" {unit}" if unit else ""
    low = None if limits.lower is None else number_text(limits.lower)
    high = None if limits.upper is None else number_text(limits.upper)
    if low is not None and high is not None:
        return f"between {low} and {high}{unit_text}"
    if high is not None:
        return f"at most {high}{unit_text}"
    if low is not None:
        return f"at least {low}{unit_text}"
    return "reported without a decision"


_BARE_BAND = re.compile(rf"^±({NUMBER})$|^({_SIGNED})\s?[/ ]\s?({_SIGNED})$", re.ASCII)
_SIGNED_NOMINAL = re.compile(rf"^(\(?)([+-])\s?({NUMBER}.*)$", re.ASCII | re.DOTALL)
_SIGNED_ONE = re.compile(rf"^(max|min)\.?\s?([+-]{NUMBER})$", re.ASCII | re.IGNORECASE)


def parse_signed_limits(value: Any) -> Limits:
    """Return limits of a deviation or coordinate, which may be negative, drawing's unit."""
    text = _as_text(value, SIGNED_FORMS)
    band = _BARE_BAND.match(text)
    if band:
        stated = (f"-{band[1]}", band[1]) if band[1] else (band[2], band[3])
        low, high = sorted(_decimal(one) for one in stated)
        tidy = f"±{band[1]}" if band[1] else f"{band[2]}/{band[3]}"
        return _between(tidy, Decimal(0), low, high, _places(*stated), signed=True)
    if m := _SIGNED_ONE.match(text):
        return _one_sided(m[1].lower(), m[2])
    if _TO.match(text) or not (m := _SIGNED_NOMINAL.match(text)):
        if m := _PLUS_MINUS.match(text):
            return _between(text, _decimal(m[1]), -_decimal(m[2]), _decimal(m[2]), _places(m[1], m[2]), signed=True)
        if m := _TWO.match(text):
            first, second = sorted((_decimal(m[2]), _decimal(m[3])))
            tidy = f"{m[1]} {m[2]}/{m[3]}"
            return _between(tidy, _decimal(m[1]), first, second, _places(*m.groups()), signed=True)
        return parse_limits(Text(text))
    if m[2] == "+":
        return parse_signed_limits(Text(m[1] + m[3]))
    away = parse_signed_limits(Text(m[1] + m[3]))
    if away.nominal is None:
        raise Refused(f"{shown(text)} is no form of limits known here", SIGNED_FORMS)
    nominal = Decimal(repr(away.nominal))
    twice = 2 * nominal
    lower, upper = (None if one is None else float(Decimal(repr(one)) - twice) for one in (away.lower, away.upper))
    signed = away.text.replace("(", "(-", 1) if away.form == "reference" else f"-{away.text}"
    return Limits(signed, -away.nominal, lower, upper, away.decimals, away.form)


def parse_limits_of(value: Any, info: ValidationInfo) -> Limits:
    """Return limits of an angle where ``of`` says so, else of a length."""
    return parse_angle_limits(value) if info.data.get("of") == "angle" else parse_limits(value)


LimitsText = Annotated[
    Any, PlainValidator(parse_limits), WithJsonSchema({"type": "string", "examples": ["12 ±0.1", "25 H7"]})
]
AngleLimitsText = Annotated[
    Any, PlainValidator(parse_angle_limits), WithJsonSchema({"type": "string", "examples": ["90° ±0°30'"]})
]
SignedLimitsText = Annotated[
    Any, PlainValidator(parse_signed_limits), WithJsonSchema({"type": "string", "examples": ["±0.3", "-12 ±0.1"]})
]
EitherLimitsText = Annotated[
    Any, PlainValidator(parse_limits_of), WithJsonSchema({"type": "string", "examples": ["12 ±0.1", "90° ±1°"]})
]
