"""How a text file of points is laid out: separators, decimal sign, header, columns. Decided on evidence, or refused."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from runner.diagnostics import InputError
from runner.formats.common import Bytes
from runner.formats.rows import byte_classes
from runner.formats.signs import find_signs

_HEAD_BYTES = 1 << 16
_SAMPLE_LINES = 300
_NUMBER = re.compile(
    r"[-+]?(\d+\.?\d*|\.\d+)([eEdD][-+]?\d+)?|[-+]?(nan|inf|infinity)(\(.*\))?|[-+]?1\.#\w+", re.IGNORECASE
)
_COMMENTS = ("#", "//", "%", "!", ";")


@dataclass(frozen=True)
class Layout:
    """How to read the data lines, which begin at byte ``start``."""

    start: int
    newline: int
    classes: NDArray[np.uint8]
    decimal: int
    targets: NDArray[np.int32]
    """Per column of the file: 0 to 2 for x y z, 3 to 5 for the normal, -1 for what is passed over."""
    block_count: int | None
    """Points announced by a count line."""
    count_at: int
    notes: tuple[str, ...] = field(default=())

    @property
    def has_normals(self) -> bool:
        """Whether there are columns for the normal."""
        return bool((self.targets >= 3).any())


@dataclass(frozen=True)
class _Line:
    number: int
    offset: int
    text: str


def find_layout(view: Bytes, name: str) -> Layout:
    """Decide how to read ``view``.

    Raises
    ------
    InputError
        No line of three numbers near the beginning, or two readings are possible.
    """
    head = view[:_HEAD_BYTES].tobytes()
    if not head.strip():
        raise InputError(name, "is empty.", advice="Export the scan again.")
    if head[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in head:
        raise InputError(
            name,
            "is no plain text (bytes of value 0).",
            place=f"byte {max(0, head.find(0))}",
            advice="Export as ASCII or UTF-8.",
        )
    newline = 13 if b"\n" not in head and b"\r" in head else 10
    lines = _lines(head, newline, whole=len(view) <= _HEAD_BYTES)
    first, count, count_at = _first_data_line(lines, name)
    data = [line for line in lines[first:] if line.text and not line.text.startswith(_COMMENTS)]
    if count is not None:
        data = data[:count]
    data = data[:_SAMPLE_LINES]
    comma_decimal, hard = find_signs([(line.number, line.text) for line in data], name)
    split = _split(comma_decimal, hard)
    rows = [split(line.text) for line in data]
    names = _names(lines[:first], len(rows[0]))
    targets, notes = _columns(name, rows, names, lines[first].number, comma_decimal)
    if comma_decimal:
        notes.append("numbers are written with a decimal comma")
    return Layout(
        start=max(lines[first].offset, 3 if head.startswith(b"\xef\xbb\xbf") else 0),
        newline=newline,
        classes=byte_classes(hard.encode(), comments=b"#", newline=newline),
        decimal=ord("," if comma_decimal else "."),
        targets=targets,
        block_count=count,
        count_at=count_at,
        notes=tuple(notes),
    )


def _lines(head: bytes, newline: int, *, whole: bool) -> list[_Line]:
    """The complete lines of the beginning, stripped."""
    lines = []
    offset = 0
    parts = head.split(bytes([newline]))
    if not whole and len(parts) > 1:
        parts.pop()
    for number, part in enumerate(parts, start=1):
        text = part.decode("utf-8", "replace") if number > 1 else part.decode("utf-8-sig", "replace")
        lines.append(_Line(number, offset, text.replace('"', " ").strip()))
        offset += len(part) + 1
    return lines


def _tokens(text: str) -> list[str]:
    """Words between blanks, commas and semicolons."""
    return [t for t in re.split(r"[\s,;]+", text) if t]


def _first_data_line(lines: list[_Line], name: str) -> tuple[int, int | None, int]:
    """Index of the first line of numbers; and the count line before it, if there is one."""
    count: int | None = None
    count_at = 0
    for index, line in enumerate(lines):
        if not line.text or line.text.startswith(_COMMENTS):
            continue
        words = _tokens(line.text)
        if words and len(words) >= 3 and all(_NUMBER.fullmatch(w) for w in words[:3]):
            return index, count, count_at
        numbers = sum(_NUMBER.fullmatch(w) is not None for w in words[:3])
        if len(words) >= 3 and numbers >= (2 if count is None else 1):
            # Taken for a line of the header, a damaged first point would be lost without a word.
            wrong = next(w for w in words if not _NUMBER.fullmatch(w))
            raise InputError(
                name,
                f"{wrong[:40]!r} stands where a number belongs.",
                place=f"line {line.number}",
                advice='Expected one point a line: x y z; a remark before the first begins with "#".',
            )
        # A count stands alone on the first line that is no comment.
        if count is None and re.fullmatch(r"\d{1,15}", line.text):
            count, count_at = int(line.text), line.offset
            if count == 0:
                raise InputError(name, "the count line announces 0 points.", place=f"line {line.number}")
        else:
            count = None
    where = next((line for line in lines if line.text), lines[0])
    raise InputError(
        name,
        "no line of three numbers was found near the beginning.",
        place=f"line {where.number}",
        advice="Expected one point a line: x y z.",
    )


def _split(comma_decimal: bool, hard: str) -> Callable[[str], list[str]]:
    """The splitter that agrees with the compiled one."""
    pattern = re.compile(r"\s*[" + re.escape(hard) + r"]\s*|\s+")

    def split(text: str) -> list[str]:
        text = re.split(r"(?:^|(?<=[\s,;]))#", text, maxsplit=1)[0].strip()
        parts = pattern.split(text)
        if parts and parts[-1] == "":
            parts.pop()
        return [p.replace(",", ".") for p in parts] if comma_decimal else parts

    return split


def _names(header: list[_Line], columns: int) -> list[str]:
    """Column names from the last header line that has as many words as there are columns."""
    for line in reversed(header):
        text = line.text.lstrip("#/%!; \t").lower()
        text = re.sub(r"[\[(][^\])]*[\])]", "", text)
        for pattern in (r"\s*[,;\t]\s*", r"[\s,;]+"):
            words = [w.strip() for w in re.split(pattern, text)]
            while words and not words[-1]:
                words.pop()
            if len(words) == columns and {"x", "y", "z"} <= {_plain(w) for w in words}:
                return [_plain(w) for w in words]
            if len(words) == columns and pattern[3:4] == "[" and not any(_NUMBER.fullmatch(w) for w in words):
                return [_plain(w) for w in words]
    return []


def _plain(word: str) -> str:
    """A column name without unit and ornament: ``X_mm`` and ``x`` are the same."""
    word = re.sub(r"[_ ]?(mm|m|in|inch)$", "", word) if len(word) > 1 else word
    aliases = {"normalx": "nx", "normaly": "ny", "normalz": "nz", "normal_x": "nx", "normal_y": "ny", "normal_z": "nz"}
    return aliases.get(word, word)


def _columns(
    name: str, rows: list[list[str]], names: list[str], line: int, comma_decimal: bool
) -> tuple[NDArray[np.int32], list[str]]:
    """Which column goes where."""
    count = len(rows[0])
    targets = np.full(count, -1, dtype=np.int32)
    notes: list[str] = []
    if count < 3:
        raise InputError(name, f"a line has {count} columns; x, y and z are needed.", place=f"line {line}")
    if names:
        if not {"x", "y", "z"} <= set(names):
            raise InputError(
                name,
                f"the columns are named {', '.join(names)[:200]}; x, y and z are not all among them.",
                place=f"before line {line}",
                advice="Name them x, y, z (and nx, ny, nz).",
            )
        wanted = ["x", "y", "z"] + (["nx", "ny", "nz"] if {"nx", "ny", "nz"} <= set(names) else [])
        for column, word in enumerate(wanted):
            if names.count(word) > 1:
                raise InputError(name, f"two columns are named {word}.", place=f"before line {line}")
            targets[names.index(word)] = column
    else:
        targets[:3] = (0, 1, 2)
        if count >= 6 and _unit_vectors(rows, 3):
            targets[3:6] = (3, 4, 5)
            notes.append("columns 4 to 6 are unit vectors in every line looked at: taken as normals")
        elif count >= 7 and _unit_vectors(rows, count - 3):
            targets[count - 3 :] = (3, 4, 5)
            notes.append("the last three columns are unit vectors in every line looked at: taken as normals")
    return targets, notes


def _unit_vectors(rows: list[list[str]], first: int) -> bool:
    """Whether the three columns from ``first`` on have length 1 in every sampled row."""
    if len(rows) < 3:
        return False
    for row in rows:
        try:
            length = math.hypot(*(float(v) for v in row[first : first + 3]))
        except ValueError:
            return False
        if len(row) < first + 3 or not abs(length - 1.0) < 0.01:
            return False
    return True
