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
import sys
import types
import typing
from collections.abc import Callable
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


_NO = object()
"""What a converter returns for a value of another type."""
Converter = Callable[[Any], Any]


def _encode(value: Any, hint: Any, path: str) -> Any:
    return _run(_converter(hint, True), value, path)


def _decode(value: Any, hint: Any, path: str) -> Any:
    return _run(_converter(hint, False), value, path)


def _run(convert: Converter, value: Any, path: str) -> Any:
    try:
        return _checked(convert, value)
    except CodecError as error:
        raise CodecError(f"{path}{error}") from None


def _checked(convert: Converter, value: Any) -> Any:
    converted = convert(value)
    if converted is _NO:
        raise CodecError(f": {type(value).__name__} {value!r:.60} does not fit here")
    return converted


@functools.cache
def _converter(hint: Any, encode: bool) -> Converter:
    """Build, once per type, the function that encodes or decodes a value, or returns ``_NO`` for another type.

    A path for messages is put together only when an error travels up: most values have none.
    """
    options = _options(hint)
    if len(options) > 1:
        return _union([_converter(option, encode) for option in options])
    simple: dict[Any, Converter] = {type(None): _none, bool: _bool, int: _int, float: _float, str: _str}
    if hint in simple:
        return simple[hint]
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return _enum(hint, encode)
    if dataclasses.is_dataclass(hint):
        return _record(typing.cast(type, hint), encode)
    if typing.get_origin(hint) is tuple:
        return _tuple(hint, encode)
    if _is_mapping(hint):
        return _mapping(typing.get_args(hint)[1], encode)
    raise CodecError(f": no codec for the type {hint}")


def _none(value: Any) -> Any:
    return None if value is None else _NO


def _bool(value: Any) -> Any:
    return value if isinstance(value, bool) else _NO


def _int(value: Any) -> Any:
    if type(value) is int:
        return value
    return int(value) if isinstance(value, numbers.Integral) and not isinstance(value, bool) else _NO


def _float(value: Any) -> Any:
    if type(value) is not float:
        if not isinstance(value, numbers.Real) or isinstance(value, bool):
            return _NO
        try:
            value = float(value)
        except OverflowError:
            value = math.inf
    if not math.isfinite(value):
        raise CodecError(f": {value} must never enter a record; a missing value is None with a reason")
    return value


def _str(value: Any) -> Any:
    if type(value) is str:
        return sys.intern(value)  # thousands of inspections of one part say the same words: each is kept once
    return str(value) if isinstance(value, str) else _NO


def _union(converters: list[Converter]) -> Converter:
    if len(converters) == 2 and _none in converters:
        return _optional(next(converter for converter in converters if converter is not _none))

    def convert(value: Any) -> Any:
        for option in converters:
            converted = option(value)
            if converted is not _NO:
                return converted
        return _NO

    return convert


def _optional(converter: Converter) -> Converter:
    def convert(value: Any) -> Any:
        return None if value is None else converter(value)

    return convert


def _enum(kind: type[StrEnum], encode: bool) -> Converter:
    by_value = {member.value: member for member in kind}

    def encoded(value: Any) -> Any:
        return value.value if isinstance(value, kind) else _NO

    def decoded(value: Any) -> Any:
        found = by_value.get(value) if isinstance(value, str) else _NO
        if found is None:
            raise CodecError(f": {value!r} is not one of {', '.join(map(repr, by_value))}")
        return found

    return encoded if encode else decoded


def _record(kind: type, encode: bool) -> Converter:
    fields = [(name, _converter(hint, encode)) for name, hint, _ in _fields(kind)]
    names = {name for name, _ in fields}
    needed = [name for name, _, default in _fields(kind) if not default]

    def encoded(record: Any) -> Any:
        if not isinstance(record, kind):
            return _NO
        out = {}
        for name, convert in fields:
            try:
                out[name] = _checked(convert, getattr(record, name))
            except CodecError as error:
                raise CodecError(f".{name}{error}") from None
        return out

    def decoded(data: Any) -> Any:
        if not isinstance(data, dict):
            return _NO
        if not names.issuperset(data):
            raise CodecError(f": unknown field {min(set(data) - names)!r}")
        for name in needed:
            if name not in data:
                raise CodecError(f": field {name!r} is missing")
        found = {}
        name = ""
        try:
            for name, convert in fields:
                if name in data:
                    value = data[name]
                    # most values are plain and right; the call that explains a wrong one is kept out of their way
                    converted = convert(value)
                    found[name] = converted if converted is not _NO else _checked(convert, value)
        except CodecError as error:
            raise CodecError(f".{name}{error}") from None
        return kind(**found)

    return encoded if encode else decoded


def _tuple(hint: Any, encode: bool) -> Converter:
    source = tuple if encode else list
    arguments = typing.get_args(hint)
    same = _converter(arguments[0], encode) if len(arguments) == 2 and arguments[1] is Ellipsis else None
    each = [] if same is not None else [_converter(argument, encode) for argument in arguments]

    def convert(value: Any) -> Any:
        if not isinstance(value, source) or (same is None and len(value) != len(each)):
            return _NO
        out: list[Any] = []
        try:
            for index, member in enumerate(value):
                one = same or each[index]
                converted = one(member)
                out.append(converted if converted is not _NO else _checked(one, member))
        except CodecError as error:
            raise CodecError(f"[{len(out)}]{error}") from None
        return out if encode else tuple(out)

    return convert


def _mapping(inner: Any, encode: bool) -> Converter:
    convert_value = _converter(inner, encode)

    def convert(value: Any) -> Any:
        if not isinstance(value, collections.abc.Mapping if encode else dict):
            return _NO
        out = {}
        for key, member in value.items():
            if not isinstance(key, str):
                raise CodecError(f": key {key!r} is not text")
            try:
                out[str(key)] = _checked(convert_value, member)
            except CodecError as error:
                raise CodecError(f"[{key!r}]{error}") from None
        return out

    return convert


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
