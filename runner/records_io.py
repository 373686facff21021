"""Records to JSON and back without loss, the canonical text that is hashed, and the JSON Schema.

One walk over the type hints of ``runner.records`` serves all three, so that they can't drift apart. Standard
library only. Numbers are written by ``repr`` and read back to the same bits; NaN and infinity are refused.
"""

from __future__ import annotations

import collections.abc
import dataclasses
import functools
import hashlib
import json
import math
import numbers
import types
import typing
from enum import StrEnum
from typing import Any, TypeVar

from runner.diagnostics import InputError
from runner.records import Inspection

FORMAT = 1
"""Version of the JSON form of an inspection."""
SCHEMA_ID = "urn:recipe-runner:inspection:1"

R = TypeVar("R")


class CodecError(ValueError):
    """A record holds something that it must not hold; the text says where."""


def to_json(record: Any) -> dict[str, Any]:
    """Return a record (a dataclass of ``runner.records``) as plain JSON values.

    Raises
    ------
    CodecError
        For NaN, infinity, or a value that does not fit its field's type; the message names the field.

    Examples
    --------
    >>> from runner.records import Origin
    >>> to_json(Origin("vent.yaml", 14))
    {'file': 'vent.yaml', 'line': 14}
    """
    encoded: dict[str, Any] = _encode(record, type(record), type(record).__name__)
    return encoded


def from_json(kind: type[R], data: Any, source: str = "record") -> R:
    """Return the record of type ``kind`` that ``to_json`` wrote; CodecError names the field that does not fit."""
    return typing.cast(R, _decode(data, kind, source))


def inspection_from_json(data: Any, source: str = "inspection") -> Inspection:
    """Read an inspection; ``InputError`` for another format or a field that does not fit.

    ``source`` is the file name for messages. Fields that a later version added and gave a default may be missing;
    unknown ones are refused, since dropping them would lose something without a word.
    """
    found = data.get("format", FORMAT) if isinstance(data, dict) else None
    if found != FORMAT:
        raise InputError(
            source,
            f"inspection format {found!r}; this version reads format {FORMAT}.",
            advice="Use the version of the program that wrote it, or a newer one.",
        )
    try:
        return from_json(Inspection, data, "inspection")
    except CodecError as error:
        raise InputError(source, f"not an inspection of format {FORMAT}: {error}") from None


def canonical_text(data: Any) -> str:
    """Return the one text of JSON values: sorted keys, no blanks, ASCII only. This text is what gets hashed."""
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def text_hash(text: str) -> str:
    """SHA-256 of a canonical text, in hexadecimal."""
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def inspection_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of an inspection file."""
    definitions: dict[str, Any] = {}
    top = _schema(Inspection, definitions)
    body = definitions.pop(Inspection.__name__)
    assert top == {"$ref": f"#/$defs/{Inspection.__name__}"}
    body["properties"]["format"] = {"const": FORMAT}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA_ID,
        "title": "Inspection: one recipe applied to one scan or scan set",
        "description": "Lengths mm, angles rad, times UTC in ISO 8601; results are in their own stated unit.",
        **body,
        "$defs": dict(sorted(definitions.items())),
    }


@functools.cache
def _fields(kind: type) -> tuple[tuple[str, Any, bool], ...]:
    """Name, type and "has a default" of every field of a dataclass."""
    hints = typing.get_type_hints(kind)
    return tuple(
        (
            f.name,
            hints[f.name],
            f.default is not dataclasses.MISSING or f.default_factory is not dataclasses.MISSING,
        )
        for f in dataclasses.fields(kind)
    )


def _options(hint: Any) -> tuple[Any, ...]:
    """Members of a union, or the type alone."""
    if typing.get_origin(hint) in (typing.Union, types.UnionType):
        return typing.get_args(hint)
    return (hint,)


def _is_mapping(hint: Any) -> bool:
    return typing.get_origin(hint) is collections.abc.Mapping


def _encode(value: Any, hint: Any, path: str) -> Any:
    for option in _options(hint):
        fits, encoded = _encode_as(value, option, path)
        if fits:
            return encoded
    raise CodecError(f"{path}: {type(value).__name__} {value!r:.60} does not fit here")


def _encode_as(value: Any, hint: Any, path: str) -> tuple[bool, Any]:
    """Encode as one non-union type; (False, None) when the value is of another type."""
    if hint is type(None):
        return value is None, None
    if hint is bool:
        return isinstance(value, bool), value
    if hint is int:
        return (True, int(value)) if _is_number(value, numbers.Integral) else (False, None)
    if hint is float:
        return (True, _finite(value, path)) if _is_number(value, numbers.Real) else (False, None)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return (True, value.value) if isinstance(value, hint) else (False, None)
    if hint is str:
        return isinstance(value, str), str(value) if isinstance(value, str) else None
    if dataclasses.is_dataclass(hint):
        if not isinstance(value, typing.cast(type, hint)):
            return False, None
        kind = typing.cast(type, hint)
        return True, {n: _encode(getattr(value, n), h, f"{path}.{n}") for n, h, _ in _fields(kind)}
    if typing.get_origin(hint) is tuple:
        if not isinstance(value, tuple):
            return False, None
        members = _member_types(hint, len(value))
        if members is None:
            return False, None
        return True, [_encode(v, h, f"{path}[{i}]") for i, (v, h) in enumerate(zip(value, members, strict=True))]
    if _is_mapping(hint):
        if not isinstance(value, collections.abc.Mapping):
            return False, None
        for key in value:
            if not isinstance(key, str):
                raise CodecError(f"{path}: key {key!r} is not text")
        inner = typing.get_args(hint)[1]
        return True, {str(k): _encode(v, inner, f"{path}[{k!r}]") for k, v in value.items()}
    raise CodecError(f"{path}: no codec for the type {hint}")


def _decode(value: Any, hint: Any, path: str) -> Any:
    for option in _options(hint):
        fits, decoded = _decode_as(value, option, path)
        if fits:
            return decoded
    raise CodecError(f"{path}: {type(value).__name__} {value!r:.60} does not fit here")


def _decode_as(value: Any, hint: Any, path: str) -> tuple[bool, Any]:
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        if not isinstance(value, str):
            return False, None
        try:
            return True, hint(value)
        except ValueError:
            raise CodecError(f"{path}: {value!r} is not one of {', '.join(repr(m.value) for m in hint)}") from None
    if dataclasses.is_dataclass(hint):
        return (True, _decode_record(value, hint, path)) if isinstance(value, dict) else (False, None)
    if typing.get_origin(hint) is tuple:
        members = _member_types(hint, len(value)) if isinstance(value, list) else None
        if members is None:
            return False, None
        return True, tuple(_decode(v, h, f"{path}[{i}]") for i, (v, h) in enumerate(zip(value, members, strict=True)))
    if _is_mapping(hint):
        if not isinstance(value, dict):
            return False, None
        inner = typing.get_args(hint)[1]
        return True, {k: _decode(v, inner, f"{path}[{k!r}]") for k, v in value.items()}
    return _encode_as(value, hint, path)


def _decode_record(value: dict[str, Any], hint: Any, path: str) -> Any:
    fields = _fields(hint)
    unknown = sorted(set(value) - {name for name, _, _ in fields})
    if unknown:
        raise CodecError(f"{path}: unknown field {unknown[0]!r}")
    missing = [name for name, _, default in fields if not default and name not in value]
    if missing:
        raise CodecError(f"{path}: field {missing[0]!r} is missing")
    return hint(**{n: _decode(value[n], h, f"{path}.{n}") for n, h, _ in fields if n in value})


def _member_types(hint: Any, count: int) -> tuple[Any, ...] | None:
    """Types of ``count`` members of a tuple type; None when the count does not fit."""
    arguments = typing.get_args(hint)
    if len(arguments) == 2 and arguments[1] is Ellipsis:
        return (arguments[0],) * count
    return arguments if len(arguments) == count else None


def _is_number(value: Any, kind: type) -> bool:
    return isinstance(value, kind) and not isinstance(value, bool)


def _finite(value: Any, path: str) -> float:
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise CodecError(f"{path}: {number} must never enter a record; a missing value is None with a reason")
    return number


def _schema(hint: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    options = _options(hint)
    if len(options) > 1:
        return {"anyOf": [_schema(option, definitions) for option in options]}
    plain = {type(None): "null", bool: "boolean", int: "integer", float: "number", str: "string"}
    if hint in plain:
        return {"type": plain[hint]}
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return {"enum": [member.value for member in hint]}
    if dataclasses.is_dataclass(hint):
        return _schema_of_record(typing.cast(type, hint), definitions)
    if typing.get_origin(hint) is tuple:
        arguments = typing.get_args(hint)
        if len(arguments) == 2 and arguments[1] is Ellipsis:
            return {"type": "array", "items": _schema(arguments[0], definitions)}
        members = [_schema(argument, definitions) for argument in arguments]
        count = len(members)
        return {"type": "array", "prefixItems": members, "items": False, "minItems": count, "maxItems": count}
    if _is_mapping(hint):
        return {"type": "object", "additionalProperties": _schema(typing.get_args(hint)[1], definitions)}
    raise CodecError(f"no schema for the type {hint}")


def _schema_of_record(kind: type, definitions: dict[str, Any]) -> dict[str, Any]:
    if kind.__name__ not in definitions:
        definitions[kind.__name__] = {}
        first_line = (kind.__doc__ or "").strip().splitlines()[0]
        definitions[kind.__name__] = {
            "description": first_line,
            "type": "object",
            "properties": {name: _schema(hint, definitions) for name, hint, _ in _fields(kind)},
            "required": [name for name, _, _ in _fields(kind)],
            "additionalProperties": False,
        }
    return {"$ref": f"#/$defs/{kind.__name__}"}
