"""The XML section of an E57 file, looked at before the native library parses it.

The library's parser fetches what the text refers to: a document type or a schema named by an address makes it open
that address, on the network too; and its time grows with the square of the nesting. No scanner writes either, so a file
that holds one is refused.
"""

from __future__ import annotations

import re

import numpy as np

from runner.diagnostics import InputError
from runner.formats.common import Bytes, at_byte

_PAGE, _USED = 1024, 1020
"""ASTM E2807: the last four bytes of each page are its checksum."""
MOST_BYTES = 64 << 20
MOST_DEPTH = 64
"""The standard's own structure nests about ten deep."""
_EXPORT = "Export the scan again, from the scanner's own program."
_ENCODING = re.compile(rb"""<\?xml[^>]*?encoding\s*=\s*["']([^"']*)["']""")
_REFERS = re.compile(rb"<!(?!\[CDATA\[|--)|schemaLocation|SchemaLocation")
_OTHER = ((b"<![CDATA[", b"]]>"), (b"<!--", b"-->"), (b"<?", b"?>"))
"""What is no element: how it begins and ends."""


def check_xml(view: Bytes, name: str) -> None:
    """Refuse a file whose XML is not where the header says, not UTF-8, or refers to something outside the file."""
    place, length, page = (int.from_bytes(view[at : at + 8].tobytes(), "little") for at in (24, 32, 40))
    if page != _PAGE:
        raise InputError(name, f"its pages have {page} bytes instead of {_PAGE}.", place=at_byte(40), advice=_EXPORT)
    start = place // _PAGE * _USED + place % _PAGE
    whole = len(view) // _PAGE * _USED
    if place % _PAGE >= _USED or length == 0 or start + length > whole:
        raise InputError(name, "its XML section lies outside the file.", place=at_byte(24), advice=_EXPORT)
    if length > MOST_BYTES:
        said = f"its XML section has {length} bytes; {MOST_BYTES} are allowed."
        raise InputError(name, said, place=at_byte(32), advice=_EXPORT)
    first, last = place // _PAGE, (start + length - 1) // _USED
    pages = view[first * _PAGE : (last + 1) * _PAGE].reshape(-1, _PAGE)
    offset = start - first * _USED
    text = np.ascontiguousarray(pages[:, :_USED]).reshape(-1)[offset : offset + length].tobytes()
    _check_text(text, name, place)


def _check_text(text: bytes, name: str, place: int) -> None:
    try:
        text.decode("utf-8")
        readable = b"\0" not in text
    except UnicodeDecodeError:
        readable = False
    stated = _ENCODING.search(text[:1000])
    if not readable or (stated is not None and stated.group(1).upper() not in (b"UTF-8", b"US-ASCII")):
        raise InputError(name, "its XML section is not UTF-8.", place=at_byte(place), advice=_EXPORT)
    found = _REFERS.search(text)
    if found is not None:
        word = text[found.start() : found.start() + 20].decode("utf-8", "replace").split()[0]
        said = f"its XML section holds {word!r}, which may refer to other files or addresses."
        raise InputError(name, said, place=at_byte(place), advice=_EXPORT)
    if _deepest(text) > MOST_DEPTH:
        said = f"its XML section is nested deeper than {MOST_DEPTH} levels."
        raise InputError(name, said, place=at_byte(place), advice=_EXPORT)


def _deepest(text: bytes) -> int:
    """Deepest nesting of elements; what is not well formed is left to the library."""
    depth = deepest = at = 0
    while (at := text.find(b"<", at)) >= 0:
        closed = next((end for start, end in _OTHER if text.startswith(start, at)), b">")
        end = text.find(closed, at)
        if end < 0:
            break
        if closed == b">":
            if text.startswith(b"</", at):
                depth -= 1
            elif text[end - 1] != ord("/"):
                depth += 1
                deepest = max(deepest, depth)
        at = end + 1
    return deepest
