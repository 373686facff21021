"""The simple second reading of PLY and PCD, whose headers announce what follows; see ``fuzz_oracle``.

Layouts: PLY: The PLY Polygon File Format (1994); PCD and the packing in it (LZF): the formats' published descriptions.
"""

from __future__ import annotations

import re
import struct

import numpy as np

from tests.studies.fuzz_oracle import Read, Refuses, fan, lines_of, number, whole

_PLY = {
    **dict.fromkeys(("char", "int8"), "b"), **dict.fromkeys(("uchar", "uint8"), "B"),
    **dict.fromkeys(("short", "int16"), "h"), **dict.fromkeys(("ushort", "uint16"), "H"),
    **dict.fromkeys(("int", "int32"), "i"), **dict.fromkeys(("uint", "uint32"), "I"),
    **dict.fromkeys(("float", "float32"), "f"), **dict.fromkeys(("double", "float64"), "d"),
}  # fmt: skip


def ply(data: bytes) -> Read | None:
    head = re.match(rb"ply\r?\n(?:.*\n)*?end_header\r?\n", data)
    if head is None or b"\r" in head.group().replace(b"\r\n", b""):
        return None
    order, elements = "?", []
    for words in (line.decode("latin-1").split() for line in head.group().split(b"\n")):
        if words[:1] == ["format"] and len(words) > 1:
            order = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}.get(words[1], "?")
        elif words[:1] == ["element"]:
            if len(words) < 3 or not words[2].isdecimal():
                raise Refuses("count")
            elements.append((words[1], int(words[2]), []))
        elif words[:1] == ["property"] and elements:
            elements[-1][2].append(words[1:])
    if order == "?" or not elements:
        raise Refuses("no format or no elements")
    tokens = lines_of(data[head.end() :]) if order == "" else None
    position = head.end()
    points: list[list[float]] | None = None
    polygons: list[list[int]] | None = None
    for name, count, properties in elements:
        if not all(_sound(words) for words in properties):
            raise Refuses("property")
        if count > len(data):
            raise Refuses("count")
        names = [words[-1] for words in properties]
        rows: list[dict[str, object]] = []
        for _ in range(count if properties else 0):
            row: dict[str, object] = {}
            if tokens is not None:
                line = next(tokens, None)
                if line is None:
                    raise Refuses("cut off")
                words_left = list(line)
                for key, words in zip(names, properties, strict=True):
                    if words[0] == "list":
                        size = whole(_pop(words_left))
                        if size < 0 or size > len(words_left):
                            raise Refuses("list")
                        row[key] = [_pop(words_left) for _ in range(size)]
                    else:
                        row[key] = _pop(words_left)
                if words_left:
                    raise Refuses("row too long")
            else:
                for key, words in zip(names, properties, strict=True):
                    if words[0] == "list":
                        (size,), position = _take(data, position, order + _PLY[words[1]])
                        if size < 0 or size > len(data):
                            raise Refuses("list")
                        row[key], position = _take(data, position, f"{order}{int(size)}{_PLY[words[2]]}")
                    else:
                        (row[key],), position = _take(data, position, order + _PLY[words[0]])
            rows.append(row)
        if name == "vertex" and points is None:
            if not {"x", "y", "z"} <= set(names):
                raise Refuses("no x y z")
            points = [[_value(row[axis]) for axis in "xyz"] for row in rows]
        elif name == "face":
            key = next((n for n in ("vertex_indices", "vertex_index") if n in names), None)
            if count and (key is None or points is None):
                raise Refuses("faces")
            found = [[whole(v) if isinstance(v, bytes) else int(v) for v in row[key]] for row in rows]  # type: ignore
            polygons = (polygons or []) + found
        elif name == "tristrips" and count:
            return None
    if not points:
        raise Refuses("no vertices")
    return np.array(points), fan(polygons, len(points)) if polygons else None


def _sound(words: list[str]) -> bool:
    """Whether the line of a property names known types."""
    if words[0] == "list":
        return len(words) == 4 and words[1] in _PLY and words[2] in _PLY
    return len(words) == 2 and words[0] in _PLY


def _value(token: object) -> float:
    return number(token) if isinstance(token, bytes) else float(token)  # type: ignore[arg-type]


def _pop(words: list[bytes]) -> bytes:
    if not words:
        raise Refuses("row too short")
    return words.pop(0)


def _take(data: bytes, position: int, layout: str) -> tuple[tuple[float, ...], int]:
    try:
        return struct.unpack_from(layout, data, position), position + struct.calcsize(layout)
    except struct.error as error:
        raise Refuses("cut off") from error


def pcd(data: bytes) -> Read | None:
    found = re.search(rb"^DATA (ascii|binary|binary_compressed)\r?\n", data, re.MULTILINE)
    if found is None:
        return None
    head: dict[str, list[str]] = {}
    for line in data[: found.start()].decode("latin-1").split("\n"):
        words = line.split()
        if words and not words[0].startswith("#"):
            head[words[0].upper().replace("COLUMNS", "FIELDS")] = words[1:]
    try:
        fields, sizes = head["FIELDS"], [int(v) for v in head["SIZE"]]
        counts = [int(v) for v in head.get("COUNT", ["1"] * len(fields))]
        kinds = [t.lower() for t in head["TYPE"]]
        points = int(head["POINTS"][0]) if "POINTS" in head else int(head["WIDTH"][0]) * int(head["HEIGHT"][0])
        grid = int(head["WIDTH"][0]) * int(head.get("HEIGHT", ["1"])[0]) if "WIDTH" in head else points
        row = np.dtype(
            [(f"f{i}", f"<{k}{s}", (c,)) for i, (k, s, c) in enumerate(zip(kinds, sizes, counts, strict=True))]
        )
    except (KeyError, ValueError, TypeError, IndexError) as error:
        raise Refuses("header") from error
    if grid != points or len(fields) != len(sizes) or points <= 0 or points > len(data) * 88:
        raise Refuses("counts")
    axes = [fields.index(axis) if fields.count(axis) == 1 else -1 for axis in "xyz"]
    if min(axes) < 0:
        raise Refuses("no x y z")
    body = data[found.end() :]
    if found.group(1) == b"ascii":
        starts = np.concatenate([[0], np.cumsum(counts)])
        rows = []
        lines = lines_of(body, b"#")
        for _ in range(points):
            words = next(lines, None)
            if words is None or len(words) != sum(counts):
                raise Refuses("row")
            rows.append([number(words[starts[i]]) for i in axes])
        return np.array(rows), None
    if found.group(1) == b"binary":
        if points * row.itemsize > len(body):
            raise Refuses("cut off")
        table = np.frombuffer(body, dtype=row, count=points)
        with np.errstate(invalid="ignore"):
            return np.stack([table[f"f{i}"][:, 0].astype(float) for i in axes], axis=1), None
    if len(body) < 8:
        raise Refuses("cut off")
    packed, size = struct.unpack_from("<II", body)
    if size != points * row.itemsize or packed > len(body) - 8:
        raise Refuses("sizes")
    plain = lzf(body[8 : 8 + packed], size)
    position, columns = 0, {}
    for i, (kind, width, repeat) in enumerate(zip(kinds, sizes, counts, strict=True)):
        columns[i] = np.frombuffer(plain, dtype=f"<{kind}{width}", count=points, offset=position)
        position += width * repeat * points
    with np.errstate(invalid="ignore"):
        return np.stack([columns[i].astype(float) for i in axes], axis=1), None


def lzf(packed: bytes, size: int) -> bytes:
    out = bytearray()
    i = 0
    try:
        while i < len(packed):
            control = packed[i]
            i += 1
            if control < 32:
                if i + control + 1 > len(packed):
                    raise Refuses("cut off")
                out += packed[i : i + control + 1]
                i += control + 1
                continue
            length = control >> 5
            if length == 7:
                length += packed[i]
                i += 1
            back = ((control & 31) << 8) + packed[i] + 1
            i += 1
            if back > len(out):
                raise Refuses("before the beginning")
            for _ in range(length + 2):
                out.append(out[-back])
    except IndexError as error:
        raise Refuses("cut off") from error
    if len(out) != size:
        raise Refuses("size")
    return bytes(out)
