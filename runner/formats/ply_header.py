"""The header of a PLY file: byte order, elements, properties."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.diagnostics import InputError
from runner.formats.common import Bytes, at_byte

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
_HEADER_LIMIT = 1 << 20


@dataclass(frozen=True)
class Property:
    """One property of an element; ``count`` is the type of a list's length, or empty."""

    name: str
    type: str
    count: str = ""


@dataclass(frozen=True)
class Element:
    """One element of the header and the line that declares it."""

    name: str
    count: int
    properties: tuple[Property, ...]
    line: int

    @property
    def has_list(self) -> bool:
        """Whether its rows differ in length."""
        return any(p.count for p in self.properties)

    def smallest_row(self, text: bool) -> int:
        """Bytes that a row takes at least."""
        if text:
            return 2 * len(self.properties)
        return sum(np.dtype(p.count or p.type).itemsize for p in self.properties)


def read_header(view: Bytes, name: str) -> tuple[str, list[Element], int]:
    """Byte order (``<``, ``>`` or empty for ASCII), elements, offset of the body."""
    head = view[:_HEADER_LIMIT].tobytes()
    if not head.startswith(b"ply"):
        raise InputError(name, "does not begin with 'ply'.", place=at_byte(0), advice="It is not a PLY file.")
    newline = b"\n"
    end = head.find(b"\n")
    carriage = head.find(b"\r")
    if carriage >= 0 and head[carriage + 1 : carriage + 2] != b"\n" and (end < 0 or carriage < end):
        newline = b"\r"
    byte_order: str | None = None
    elements: list[Element] = []
    start = 0
    number = 0
    while True:
        stop = head.find(newline, start)
        if stop < 0:
            raise InputError(
                name,
                "the header is not closed by 'end_header'.",
                place=f"line {number + 1}",
                advice="The file is cut off or no PLY file.",
            )
        number += 1
        words = head[start:stop].decode("latin-1").split()
        start = stop + 1
        if not words or words[0] in ("ply", "comment", "obj_info"):
            continue
        if words[0] == "end_header":
            break
        place = f"line {number}"
        if words[0] == "format":
            kinds = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
            if len(words) < 2 or words[1] not in kinds:
                raise InputError(name, f"unknown format {' '.join(words[1:])[:60]!r}.", place=place)
            byte_order = kinds[words[1]]
        elif words[0] == "element":
            if len(words) != 3 or not words[2].isdecimal() or len(words[2]) > 15:
                raise InputError(name, "an element needs a name and a count, and nothing else.", place=place)
            elements.append(Element(words[1], int(words[2]), (), number))
        elif words[0] == "property":
            if not elements:
                raise InputError(name, "a property stands before the first element.", place=place)
            added = _property(name, words, place)
            last = elements[-1]
            if any(p.name == added.name for p in last.properties):
                raise InputError(name, f"property {added.name[:60]!r} appears twice.", place=place)
            elements[-1] = Element(last.name, last.count, (*last.properties, added), last.line)
        else:
            raise InputError(name, f"unknown header word {words[0][:60]!r}.", place=place)
    if byte_order is None:
        raise InputError(name, "the header names no format (ascii or binary).", place=f"line {number}")
    for element in elements:
        if element.count and not element.properties:
            raise InputError(
                name,
                f"the element {element.name[:60]!r} has {element.count} rows and no property.",
                place=f"line {element.line}",
                advice="The header is damaged; export the scan again.",
            )
    return byte_order, elements, start


def _property(name: str, words: list[str], place: str) -> Property:
    """One ``property`` line."""
    if len(words) == 5 and words[1] == "list" and words[2] in _TYPES and words[3] in _TYPES:
        if _TYPES[words[2]][0] == "f":
            raise InputError(name, "the length of a list must be an integer.", place=place)
        return Property(words[4], _TYPES[words[3]], _TYPES[words[2]])
    if len(words) == 3 and words[1] in _TYPES:
        return Property(words[2], _TYPES[words[1]])
    raise InputError(
        name,
        f"unknown property {' '.join(words[1:])[:60]!r}.",
        place=place,
        advice=f"Allowed types: {', '.join(_TYPES)}.",
    )
