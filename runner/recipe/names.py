"""References by name: to features, patterns, pairs and groups of them."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import PlainValidator, WithJsonSchema

from runner.recipe.scalars import Refused, parse_name, parse_words, shown
from runner.recipe.text import Text

_LIST = {"type": "array", "items": {"type": "string"}}


def tag_of(kind: str) -> str:
    """Return the union tag of a kind, spelt so that it can't be a key of a recipe."""
    return f"<{kind}>"


def parse_reference(value: Any) -> str:
    """Return the name of a feature, of a pattern, or ``each of`` a pattern."""
    text = parse_words(value)
    name = re.sub("^each of ", "", text, flags=re.IGNORECASE)
    parse_name(Text(name))
    return text if name == text else f"each of {name}"


def _several(value: Any, least: int, most: int, allowed: str) -> tuple[str, ...]:
    if not isinstance(value, list | tuple):
        raise Refused(f"{shown(value)} where {allowed.split(',')[0].removeprefix('a list of ')} belong", allowed)
    if not least <= len(value) <= most:
        raise Refused(f"{len(value)} feature{'' if len(value) == 1 else 's'} in this list", allowed)
    names = tuple(parse_name(item) for item in value)
    for i, name in enumerate(names):
        if name in names[:i]:
            raise Refused(f"{shown(name)} is named twice", "two different features" if most == 2 else "each once")
    return names


def parse_pair(value: Any) -> tuple[str, str]:
    """Return the names of two different features."""
    first, second = _several(value, 2, 2, "a list of two features, such as [left hole, right hole]")
    return first, second


def parse_group(value: Any) -> str | tuple[str, ...]:
    """Return a feature or pattern, or several features."""
    if isinstance(value, list | tuple):
        return _several(value, 1, 10_000, "a feature, a pattern, or a list of features")
    return parse_reference(value).removeprefix("each of ")


def parse_two_or_three(value: Any) -> tuple[str, ...]:
    """Return the names of two or three features."""
    return _several(value, 2, 3, "a list of two features, or of three planes")


def parse_two_planes(value: Any) -> tuple[str, str]:
    """Return the names of two features between which a third lies."""
    first, second = _several(value, 2, 2, "a list of two features, such as [face, wall]")
    return first, second


def parse_sized(value: Any) -> str | tuple[str, str]:
    """Return a feature of size, each of a pattern, or the two facing planes between which the size lies."""
    return parse_pair(value) if isinstance(value, list | tuple) else parse_reference(value)


Reference = Annotated[str, PlainValidator(parse_reference), WithJsonSchema({"type": "string"})]
SizedFeature = Annotated[
    str | tuple[str, str],
    PlainValidator(parse_sized),
    WithJsonSchema({"anyOf": [{"type": "string"}, {**_LIST, "minItems": 2, "maxItems": 2}]}),
]
Pair = Annotated[tuple[str, str], PlainValidator(parse_pair), WithJsonSchema({**_LIST, "minItems": 2, "maxItems": 2})]
Group = Annotated[
    str | tuple[str, ...],
    PlainValidator(parse_group),
    WithJsonSchema({"anyOf": [{"type": "string"}, {**_LIST, "minItems": 1}]}),
]
Group2 = Annotated[
    tuple[str, ...], PlainValidator(parse_two_or_three), WithJsonSchema({**_LIST, "minItems": 2, "maxItems": 3})
]
TwoPlanes = Annotated[
    tuple[str, str], PlainValidator(parse_two_planes), WithJsonSchema({**_LIST, "minItems": 2, "maxItems": 2})
]
