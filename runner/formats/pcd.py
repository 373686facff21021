"""PCD, version 0.7 and earlier: ASCII, binary and binary_compressed, with any fields."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.diagnostics import InputError
from runner.formats.common import Bytes, Source, at_byte, at_line, byte_array, geometry, refuse_zeros
from runner.formats.lzf import GREATEST_RATIO, decompress
from runner.formats.rows import NOT_A_NUMBER, Rows, byte_classes
from runner.geometry.mesh import Floats, ScanGeometry

_HEADER_LIMIT = 1 << 16
_AXES = ("x", "y", "z", "normal_x", "normal_y", "normal_z")
_DAMAGED = "The file is cut off or damaged; copy or export it again."


@dataclass(frozen=True)
class _Header:
    fields: tuple[str, ...]
    types: tuple[np.dtype[np.generic], ...]
    counts: tuple[int, ...]
    points: int
    data: str
    body: int
    line: int
    notes: tuple[str, ...]

    @property
    def row_bytes(self) -> int:
        return sum(t.itemsize * c for t, c in zip(self.types, self.counts, strict=True))

    @property
    def wanted(self) -> list[int]:
        """Index of the field of each axis: three, or six with normals."""
        found = [self.fields.index(axis) if axis in self.fields else -1 for axis in _AXES]
        return found if min(found) >= 0 else found[:3]


def read(data: Source, name: str) -> ScanGeometry:
    """Read a cloud; missing points (NaN) of an organised cloud are dropped and counted.

    Raises
    ------
    InputError
        With the header line, the text line or the byte of what is wrong.
    """
    view = byte_array(data)
    header = _header(view, name)
    if header.data == "ascii":
        table = _text(view, name, header)
    elif header.data == "binary":
        table = _binary(view, name, header)
    else:
        table = _compressed(view, name, header)
    notes = list(header.notes)
    end = header.body + header.points * header.row_bytes
    if header.data == "binary" and end < len(view):
        notes.append(f"{len(view) - end} bytes after the last point ignored (from byte {end})")
    normals = np.ascontiguousarray(table[:, 3:]) if table.shape[1] == 6 else None
    return geometry(
        name,
        np.ascontiguousarray(table[:, :3]),
        normals=normals,
        notes=notes,
        mostly_missing_allowed=True,
        float32=header.data != "ascii" and all(header.types[i] == np.dtype("<f4") for i in header.wanted[:3]),
    )


def _header(view: Bytes, name: str) -> _Header:
    """Read the keyword lines up to DATA."""
    head = view[:_HEADER_LIMIT].tobytes()
    words: dict[str, tuple[int, list[str]]] = {}
    start = 0
    line = 0
    while "DATA" not in words:
        stop = head.find(b"\n", start)
        if stop < 0:
            # Only a file without points may end here.
            raise InputError(name, "the header has no line DATA.", place=f"line {line + 1}", advice=_DAMAGED)
        line += 1
        text = head[start:stop].decode("latin-1").strip()
        start = stop + 1
        if not text or text.startswith("#"):
            continue
        key, *values = text.split()
        key = key.upper()
        if key not in (
            "VERSION",
            "FIELDS",
            "COLUMNS",
            "SIZE",
            "TYPE",
            "COUNT",
            "WIDTH",
            "HEIGHT",
            "VIEWPOINT",
            "POINTS",
            "DATA",
        ):
            raise InputError(
                name, f"unknown header word {key[:60]!r}.", place=f"line {line}", advice="It is no PCD file."
            )
        words["FIELDS" if key == "COLUMNS" else key] = (line, values)
    for key in ("FIELDS", "SIZE", "TYPE"):
        if key not in words:
            raise InputError(name, f"the header has no line {key}.", place=f"line {line}", advice=_DAMAGED)
    fields = tuple(words["FIELDS"][1])
    sizes = _whole(name, words, "SIZE", len(fields))
    counts = _whole(name, words, "COUNT", len(fields)) if "COUNT" in words else [1] * len(fields)
    letters = words["TYPE"][1]
    if len(letters) != len(fields):
        raise InputError(
            name, f"TYPE has {len(letters)} entries for {len(fields)} fields.", place=f"line {words['TYPE'][0]}"
        )
    types = []
    for letter, size in zip(letters, sizes, strict=True):
        code = {"F": "f", "I": "i", "U": "u"}.get(letter.upper(), "")
        if not code or size not in ((4, 8) if code == "f" else (1, 2, 4, 8)):
            raise InputError(name, f"there is no type {letter[:20]} of {size} bytes.", place=f"line {words['TYPE'][0]}")
        types.append(np.dtype(f"<{code}{size}"))
    for axis in ("x", "y", "z"):
        if fields.count(axis) != 1 or counts[fields.index(axis)] != 1:
            raise InputError(
                name, f"there must be one field {axis} with one value.", place=f"line {words['FIELDS'][0]}"
            )
    points = _points(name, words)
    mode = words["DATA"][1][0].lower() if words["DATA"][1] else ""
    if mode not in ("ascii", "binary", "binary_compressed"):
        raise InputError(name, f"unknown kind of DATA {mode[:40]!r}.", place=f"line {line}")
    notes = []
    if "VIEWPOINT" in words and words["VIEWPOINT"][1] and not _identity(words["VIEWPOINT"][1]):
        notes.append("the file states a viewpoint; the points are taken as they are")
    return _Header(fields, tuple(types), tuple(counts), points, mode, start, line, tuple(notes))


def _whole(name: str, words: dict[str, tuple[int, list[str]]], key: str, count: int) -> list[int]:
    """One small whole number per field."""
    line, values = words[key]
    if len(values) != count or not all(v.isdecimal() and 0 < int(v[:7]) < 100_000 for v in values):
        raise InputError(name, f"{key} must give a whole number for each of the {count} fields.", place=f"line {line}")
    return [int(v[:7]) for v in values]


def _points(name: str, words: dict[str, tuple[int, list[str]]]) -> int:
    """Number of points by POINTS and by WIDTH times HEIGHT."""
    given: dict[str, int] = {}
    for key in ("WIDTH", "HEIGHT", "POINTS"):
        if key in words:
            line, values = words[key]
            if len(values) != 1 or not values[0].isdecimal() or len(values[0]) > 15:
                raise InputError(name, f"{key} must be one whole number.", place=f"line {line}")
            given[key] = int(values[0])
    grid = given["WIDTH"] * given.get("HEIGHT", 1) if "WIDTH" in given else None
    both = "WIDTH" in given and "HEIGHT" in given
    points = given.get("POINTS", grid if both else None)
    if points is None:
        raise InputError(name, "the header gives neither POINTS nor WIDTH and HEIGHT.", advice=_DAMAGED)
    if grid is not None and grid != points:
        raise InputError(
            name,
            f"WIDTH times HEIGHT is {grid}, but POINTS is {points}.",
            place=f"line {words['POINTS'][0]}",
            advice=_DAMAGED,
        )
    if points == 0:
        raise InputError(name, "holds no points (POINTS 0).", advice="Export the scan again.")
    return points


def _identity(values: list[str]) -> bool:
    """Whether a viewpoint is the origin without rotation."""
    try:
        return [float(v) for v in values] == [0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0]
    except ValueError:
        return False


def _refuse(name: str, header: _Header, need: int, have: int, offset: int) -> None:
    """Announced more than is there."""
    raise InputError(
        name,
        f"the header announces {header.points} points, {need} bytes, but only {have} follow.",
        place=at_byte(offset),
        advice=_DAMAGED,
    )


def _text(view: Bytes, name: str, header: _Header) -> Floats:
    """One point a line."""
    columns = sum(header.counts)
    left = len(view) - header.body
    if header.points * 2 * columns > left + 1:
        _refuse(name, header, header.points * 2 * columns, left, header.body)
    targets = np.full(columns, -1, dtype=np.int32)
    starts = np.concatenate([[0], np.cumsum(header.counts)])
    for column, index in enumerate(header.wanted):
        targets[starts[index]] = column
    out = np.empty((header.points, len(header.wanted)), dtype=np.float64)
    rows = Rows(view, header.body, byte_classes(comments=b"#"))
    found, status = rows.read(out, targets)
    if found < header.points:
        what = (
            "something else stands where a number belongs."
            if status == NOT_A_NUMBER
            else f"point {found} of {header.points} does not have {columns} values."
        )
        raise InputError(name, what, place=at_line(view, rows.at), advice=_DAMAGED)
    refuse_zeros(view, name, header.body, rows.position)
    return out


def _binary(view: Bytes, name: str, header: _Header) -> Floats:
    """Rows of fixed size."""
    need = header.points * header.row_bytes
    left = len(view) - header.body
    if need > left:
        _refuse(name, header, need, left, len(view))
    body = view[header.body : header.body + need].reshape(header.points, header.row_bytes)
    starts = np.concatenate(
        [[0], np.cumsum([t.itemsize * c for t, c in zip(header.types, header.counts, strict=True)])]
    )
    out = np.empty((header.points, len(header.wanted)), dtype=np.float64)
    for column, index in enumerate(header.wanted):
        kind = header.types[index]
        field: NDArray[np.generic] = np.ndarray(
            (header.points,), dtype=kind, buffer=body, offset=int(starts[index]), strides=(header.row_bytes,)
        )
        with np.errstate(invalid="ignore"):  # signalling NaNs
            out[:, column] = field
    return out


def _compressed(view: Bytes, name: str, header: _Header) -> Floats:
    """Field after field, compressed as one block."""
    body = header.body
    if len(view) < body + 8:
        _refuse(name, header, 8, len(view) - body, len(view))
    packed, unpacked = (int(v) for v in np.frombuffer(view, dtype="<u4", count=2, offset=body))
    need = header.points * header.row_bytes
    if unpacked != need:
        raise InputError(
            name,
            f"{header.points} points take {need} bytes, but the block announces {unpacked}.",
            place=at_byte(body + 4),
            advice=_DAMAGED,
        )
    if packed > len(view) - body - 8 or unpacked > GREATEST_RATIO * packed:
        raise InputError(
            name,
            f"{packed} compressed bytes are announced for {unpacked}, but {len(view) - body - 8} follow.",
            place=at_byte(body),
            advice=_DAMAGED,
        )
    plain = np.empty(need, dtype=np.uint8)
    used, filled, state = decompress(view[body + 8 : body + 8 + packed], plain)
    if state or filled != need:
        raise InputError(name, "the compressed block is damaged.", place=at_byte(body + 8 + int(used)), advice=_DAMAGED)
    sizes = [t.itemsize * c * header.points for t, c in zip(header.types, header.counts, strict=True)]
    starts = np.concatenate([[0], np.cumsum(sizes)])
    out = np.empty((header.points, len(header.wanted)), dtype=np.float64)
    for column, index in enumerate(header.wanted):
        first = int(starts[index])
        kind = header.types[index]
        with np.errstate(invalid="ignore"):
            out[:, column] = plain[first : first + kind.itemsize * header.points].view(kind)
    return out
