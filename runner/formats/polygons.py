"""Rows with lists (faces): find where each begins, collect their indices, cut polygons into triangles."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.diagnostics import InputError
from runner.formats.common import Bytes, at_byte, at_line
from runner.formats.ply_header import Element
from runner.formats.rows import is_blank
from runner.geometry.jit import kernel


@kernel
def integer(view: Any, pos: int, size: int, signed: bool, big: bool) -> Any:
    """The integer of ``size`` bytes at ``pos``."""
    value = np.int64(0)
    for k in range(size):
        byte = view[pos + k] if big else view[pos + size - 1 - k]
        value = (value << np.int64(8)) | np.int64(byte)
    if signed and size < 8 and value >= np.int64(1) << np.int64(8 * size - 1):
        value -= np.int64(1) << np.int64(8 * size)
    return value


@kernel
def _walk(
    view: Any, pos: int, rows: int, count_sizes: Any, count_signed: Any, sizes: Any, big: bool, starts: Any
) -> tuple[int, int, int]:
    """Start of every property of every row; returns (row reached, position, 0 good / 1 cut off / 2 negative length)."""
    stop = len(view)
    for row in range(rows):
        for p in range(len(sizes)):
            starts[row, p] = pos
            if count_sizes[p] > 0:
                if pos + count_sizes[p] > stop:
                    return row, pos, 1
                length = integer(view, pos, count_sizes[p], count_signed[p], big)
                if length < 0:
                    return row, pos, 2
                pos += count_sizes[p]
                if length > (stop - pos) // sizes[p]:
                    return row, pos, 1
                pos += length * sizes[p]
            else:
                pos += sizes[p]
                if pos > stop:
                    return row, pos, 1
    return rows, pos, 0


def walk_binary(
    view: Bytes, name: str, element: Element, position: int, byte_order: str
) -> tuple[NDArray[np.int64], int]:
    """(rows, properties) byte where each property of each row starts, and the end of the element."""
    lengths = [np.dtype(p.count) if p.count else None for p in element.properties]
    count_sizes = np.array([d.itemsize if d else 0 for d in lengths], dtype=np.int64)
    count_signed = np.array([bool(d and d.kind == "i") for d in lengths])
    sizes = np.array([np.dtype(p.type).itemsize for p in element.properties], dtype=np.int64)
    starts = np.empty((element.count, len(sizes)), dtype=np.int64)
    row, end, state = _walk(view, position, element.count, count_sizes, count_signed, sizes, byte_order == ">", starts)
    if state:
        what = "is cut off" if state == 1 else "has a list of negative length"
        raise InputError(
            name,
            f"row {row} of {element.count} of element {element.name[:60]!r} {what}.",
            place=at_byte(end),
            advice="The file is damaged or cut off; copy or export it again.",
        )
    return starts, int(end)


@kernel
def _collect(
    view: Any, first: Any, count_size: int, count_signed: bool, size: int, signed: bool, big: bool, offsets: Any
) -> Any:
    """Values of the lists whose length field starts at ``first``; fills ``offsets``."""
    for row in range(len(first)):
        offsets[row + 1] = offsets[row] + integer(view, first[row], count_size, count_signed, big)
    values = np.empty(offsets[len(first)], dtype=np.int64)
    for row in range(len(first)):
        pos = first[row] + count_size
        for k in range(offsets[row], offsets[row + 1]):
            values[k] = integer(view, pos, size, signed, big)
            pos += size
    return values


def collect(
    view: Bytes, element: Element, starts: NDArray[np.int64], byte_order: str, which: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Values and offsets of list ``which`` of an element that was walked."""
    length = np.dtype(element.properties[which].count)
    value = np.dtype(element.properties[which].type)
    offsets = np.zeros(len(starts) + 1, dtype=np.int64)
    first = np.ascontiguousarray(starts[:, which])
    big = byte_order == ">"
    values = _collect(view, first, length.itemsize, length.kind == "i", value.itemsize, value.kind == "i", big, offsets)
    return values, offsets


@kernel
def _walk_text(
    view: Any, pos: int, newline: int, rows: int, is_list: Any, which: int, offsets: Any, values: Any
) -> tuple[int, int, int]:
    """The same for text; returns row and position reached, and 0 good, 1 cut off, 2 not whole, 3 line too long."""
    stop = len(view)
    filled = 0
    for row in range(rows):
        # The first token may stand after blank lines; the row must end with its line.
        while pos < stop and is_blank(view[pos]):
            pos += 1
        begin = pos
        for p in range(len(is_list)):
            repeat = 1
            counting = is_list[p]
            while repeat > 0:
                while pos < stop and is_blank(view[pos]) and view[pos] != newline:
                    pos += 1
                if pos >= stop:
                    return row, begin, 1
                if view[pos] == newline:
                    return row, begin, 1
                whole = True
                negative = False
                value: Any = np.int64(0)
                digits = 0
                if view[pos] == 45 or view[pos] == 43:
                    negative = view[pos] == 45
                    pos += 1
                while pos < stop and not is_blank(view[pos]):
                    if 48 <= view[pos] <= 57 and digits < 18:
                        value = value * 10 + (view[pos] - 48)
                        digits += 1
                    else:
                        whole = False
                    pos += 1
                if digits == 0:
                    whole = False
                if negative:
                    value = -value
                if counting:
                    if not whole or value < 0:
                        return row, begin, 2
                    repeat = value
                    counting = False
                    continue
                if p == which:
                    if not whole:
                        return row, begin, 2
                    values[filled] = value
                    filled += 1
                repeat -= 1
        offsets[row + 1] = filled
        while pos < stop and is_blank(view[pos]) and view[pos] != newline:
            pos += 1
        if pos < stop and view[pos] != newline:
            return row, begin, 3
    return rows, pos, 0


def walk_text(
    view: Bytes, name: str, element: Element, position: int, which: int, newline: int
) -> tuple[tuple[NDArray[np.int64], NDArray[np.int64]] | None, int]:
    """Pass over an ASCII element; with ``which`` >= 0 return that list as (values, offsets)."""
    is_list = np.array([bool(p.count) for p in element.properties])
    # Every value takes at least a digit and a blank.
    room = (len(view) - position) // 2 + 1 if which >= 0 else 0
    if which >= 0:
        room = min(room, _tokens(view, position))
    values = np.empty(room, dtype=np.int64)
    offsets = np.zeros(element.count + 1, dtype=np.int64)
    row, end, state = _walk_text(view, position, newline, element.count, is_list, which, offsets, values)
    if state:
        what = {
            1: "has too few values; the file may be cut off",
            2: "has something else where a whole number belongs",
            3: "has too many values",
        }[state]
        raise InputError(
            name,
            f"row {row} of {element.count} of element {element.name[:60]!r} {what}.",
            place=at_line(view, int(end), newline),
            advice="Copy or export the file again.",
        )
    if which < 0:
        return None, int(end)
    return (values[: offsets[-1]].copy(), offsets), int(end)


@kernel
def _tokens(view: Any, pos: int) -> int:
    """Number of words from ``pos`` on."""
    count = 0
    inside = False
    for i in range(pos, len(view)):
        now = not is_blank(view[i])
        if now and not inside:
            count += 1
        inside = now
    return count


@kernel
def _fan(values: Any, offsets: Any, strips: bool) -> Any:
    """Triangles of polygons (first corner with each further edge) or of strips (-1 begins a new one)."""
    total = 0
    for row in range(len(offsets) - 1):
        total += max(0, offsets[row + 1] - offsets[row] - 2)
    triangles = np.empty((total, 3), dtype=np.int64)
    filled = 0
    for row in range(len(offsets) - 1):
        begin = offsets[row]
        for k in range(begin + 2, offsets[row + 1]):
            if strips:
                if values[k] < 0:
                    begin = k + 1
                    continue
                if k - begin < 2:
                    continue
                even = (k - begin) % 2 == 0
                triangles[filled, 0] = values[k - 2] if even else values[k - 1]
                triangles[filled, 1] = values[k - 1] if even else values[k - 2]
            else:
                triangles[filled, 0] = values[begin]
                triangles[filled, 1] = values[k - 1]
            triangles[filled, 2] = values[k]
            filled += 1
    return triangles[:filled]


def fan_triangles(values: NDArray[Any], offsets: NDArray[np.int64], *, strips: bool = False) -> NDArray[Any]:
    """(m, 3) triangles of index lists; empty ``offsets`` means that every list has three entries."""
    if len(offsets) == 0:
        return values.reshape(-1, 3)
    return np.asarray(_fan(values, offsets, strips))
