"""Datums in their order: ``A|B-C|><DⓂ`` as one text, and what each place of it says.

``Ⓜ`` after a datum asks for it at maximum material, ``><`` before it for its directions only (ISO 5459).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import PlainValidator, WithJsonSchema

from runner.recipe.scalars import Refused, parse_words, shown

ORIENTATION_ONLY = "><"
LABEL = r"[A-Z]{1,2}[0-9]?"
ALLOWED = "the name of a datum system, or datums such as [A, B, C]"


@dataclass(frozen=True)
class DatumPlace:
    """One place of a datum system: a datum, or a common datum of several."""

    text: str
    labels: tuple[str, ...]
    material: str | None = None
    """``maximum``, ``least`` or None."""
    orientation_only: bool = False


def tidy(text: str) -> str:
    """Return a place with one spelling for each symbol."""
    text = re.sub(r"\s*(?:Ⓜ|\(M\))", "Ⓜ", text.strip())
    text = re.sub(r"\s*(?:Ⓛ|\(L\))", "Ⓛ", text)
    return re.sub(r"^>\s*<\s*", ORIENTATION_ONLY, text)


def place_of(text: str) -> DatumPlace:
    """Return what one place says."""
    only = text.startswith(ORIENTATION_ONLY)
    bare = text.removeprefix(ORIENTATION_ONLY)
    material = {"Ⓜ": "maximum", "Ⓛ": "least"}.get(bare[-1:])
    bare = bare.rstrip("ⓂⓁ").strip()
    return DatumPlace(text, tuple(bare.split("-")), material, only)


def places_in(frame: str) -> tuple[DatumPlace, ...]:
    """Return the places of an ordered text."""
    return tuple(place_of(text) for text in frame.split("|"))


def is_written_out(frame: str) -> bool:
    """Return whether a text states datums themselves rather than the name of a datum system."""
    return "|" in frame or re.fullmatch(rf"(?:><)?{LABEL}(?:-{LABEL})*[ⓂⓁ]?", frame) is not None


def parse_frame(value: Any) -> str:
    """Return the name of a datum system, or datums in their order joined by ``|``."""
    if isinstance(value, list | tuple):
        if not value:
            raise Refused("an empty list where datums belong", ALLOWED)
        return "|".join(tidy(parse_words(item)) for item in value)
    text = parse_words(value)
    return "|".join(tidy(part) for part in text.split("|"))


def parse_system(value: Any) -> str:
    """Return ordered datums joined by ``|``, each a label or a common datum such as ``A-B``."""
    if isinstance(value, dict):
        return _with_orientation_only(value)
    if isinstance(value, str) and "|" not in value:
        parse_words(value)
    elif not isinstance(value, str | list | tuple):
        raise Refused(f"{shown(value)} where datums belong", "datums in their order, such as [A, B, C]")
    return parse_frame(value)


def _with_orientation_only(value: dict[Any, Any]) -> str:
    """Return the ordered text of ``{of: [A, B], orientation only: [B]}``."""
    keys = {" ".join(str(key).replace("_", " ").split()): one for key, one in value.items()}
    allowed = "{of: [A, B], orientation only: [B]}"
    if not {"of"} <= set(keys) <= {"of", "orientation only"}:
        raise Refused("a datum system as a map has the keys of and orientation only", allowed)
    places = parse_frame(keys["of"]).split("|")
    only = keys.get("orientation only", [])
    wanted = parse_frame(only).split("|") if only else []
    for one in wanted:
        if one not in places:
            raise Refused(f"{shown(one)} is not among the system's datums", "datums of this system")
    return "|".join(f"{ORIENTATION_ONLY}{one}" if one in wanted else one for one in places)


_STRINGS = {"type": "array", "items": {"type": "string"}}
Frame = Annotated[
    str, PlainValidator(parse_frame), WithJsonSchema({"anyOf": [{"type": "string"}, {**_STRINGS, "minItems": 1}]})
]
System = Annotated[
    str,
    PlainValidator(parse_system),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "string"},
                {**_STRINGS, "minItems": 1},
                {
                    "type": "object",
                    "properties": {"of": _STRINGS, "orientation only": _STRINGS, "orientation_only": _STRINGS},
                    "required": ["of"],
                    "additionalProperties": False,
                },
            ]
        }
    ),
]
