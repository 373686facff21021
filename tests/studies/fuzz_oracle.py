"""What a scan file says, read a second time by slow and simple code that shares nothing with the package's readers.

Each function returns the points in the file's order (NaN where one is missing) and the triangles as indices into them
or None; ``None`` where the simple reading does not apply, so that nothing can be said; and raises ``Refuses`` where the
file contradicts itself. PLY and PCD are in ``fuzz_oracle_headed``. Layouts of STL, OBJ and text: common practice.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Read = tuple[NDArray[np.float64], NDArray[np.int64] | None]
_PLAIN = re.compile(rb"[-+]?(\d+\.?\d*|\.\d+)([eEdD][-+]?\d+)?")
_MISSING = re.compile(rb"[-+]?(nan(\(.*)?|inf(inity)?|1\.#.*)", re.IGNORECASE)


class Refuses(Exception):
    """The file is not what it says."""


def number(token: bytes) -> float:
    if _PLAIN.fullmatch(token):
        return float(token.lower().replace(b"d", b"e"))
    if _MISSING.fullmatch(token):
        return float("nan")
    raise Refuses(f"{token[:20]!r} is no number")


def whole(token: bytes) -> int:
    if not re.fullmatch(rb"[-+]?\d{1,18}", token):
        raise Refuses(f"{token[:20]!r} is no whole number")
    return int(token)


def fan(polygons: list[list[int]], count: int) -> NDArray[np.int64]:
    found = [(p[0], p[k - 1], p[k]) for p in polygons for k in range(2, len(p))]
    if any(not 0 <= v < count for t in found for v in t):
        raise Refuses("a face refers to a vertex that is not there")
    return np.array(found, dtype=np.int64).reshape(-1, 3)


def lines_of(body: bytes, comment: bytes = b"") -> Iterator[list[bytes]]:
    """Words of the lines that have any; blanks separate, as does a double quote."""
    for line in body.split(b"\n"):
        words = re.split(rb'[\t\r "]+', line)
        words = [w for w in words if w]
        if words and not (comment and words[0].startswith(comment)):
            yield words


def stl(data: bytes) -> Read | None:
    text = data.lstrip()[:5].lower() == b"solid"
    count = int.from_bytes(data[80:84], "little") if len(data) >= 84 else -1
    if text and 84 + 50 * count != len(data):
        if any(b < 9 or 13 < b < 32 for b in data):
            return None
        return _stl_text(data)
    if count <= 0 or 84 + 50 * count > len(data):
        raise Refuses("count")
    record = np.dtype([("n", "<f4", 3), ("c", "<f4", 9), ("a", "<u2")])
    corners = np.frombuffer(data, record, count, 84)["c"]
    with np.errstate(invalid="ignore"):
        return corners.reshape(-1, 3).astype(float), np.arange(3 * count).reshape(-1, 3)


def _stl_text(data: bytes) -> Read | None:
    points, loop, closed = [], 0, False
    for line in re.split(rb"[\r\n]+", data):
        words = line.split()
        if not words:
            continue
        word = words[0].lower()
        if word == b"vertex":
            if len(words) < 4:
                raise Refuses("vertex")
            if len(words) > 4:
                raise Refuses("vertex")
            points.append([number(w) for w in words[1:4]])
            loop, closed = loop + 1, False
        elif word == b"endloop":
            if loop != 3:
                raise Refuses("loop")
            loop = 0
        elif word.startswith(b"endsolid"):
            closed = True
        elif word not in (b"solid", b"facet", b"outer", b"endfacet"):
            return None
    if loop or not points or not closed:
        raise Refuses("not closed")
    return np.array(points), np.arange(len(points)).reshape(-1, 3)


def obj(data: bytes) -> Read | None:
    data = data.removeprefix(b"\xef\xbb\xbf")
    if b"\\" in data:
        return None
    points: list[list[float]] = []
    polygons: list[list[int]] = []
    for line in re.split(rb"[\r\n]", data):
        words = [w for w in re.split(rb"[\x00-\x20]+", line) if w]
        separated = re.match(rb"[\x00-\x20]*(v|f)[ \t]", line) is not None
        if not words or not separated:
            continue
        if re.search(rb"[\x00-\x08\x0b-\x1f]", line):
            return None  # a control byte inside a line ends it for some
        if words[0] == b"v":
            if len(words) < 4:
                raise Refuses("vertex")
            points.append([number(w) for w in words[1:4]])
        elif words[0] == b"f":
            corners = []
            for word in words[1:]:
                if word.startswith(b"#"):
                    break
                if not re.fullmatch(rb"-?\d+(/-?\d*){0,2}", word):
                    raise Refuses("index")
                index = int(word.split(b"/")[0])
                corners.append(len(points) + index if index < 0 else index - 1)
            if len(corners) < 3:
                raise Refuses("face")
            polygons.append(corners)
    if not points:
        raise Refuses("no vertices")
    return np.array(points), fan(polygons, len(points)) if polygons else None


def text(data: bytes, name: str) -> Read | None:
    """Only where nothing but numbers and the example's own separators stands in the file."""
    allowed = {"xyz": rb"[-+0-9.eE \r\n]*", "csv": rb"x,y,z,label\n[-+0-9.eE,a\n]*", "txt comma": rb"[-+0-9,eE;\n]*",
               "pts": rb"[-+0-9.eE \r\n]*"}[name]  # fmt: skip
    if not re.fullmatch(allowed, data):
        return None
    if name == "csv":
        rows = [line.split(b",") for line in data.split(b"\n")[1:] if line]
        if any(len(row) != 4 or row[3] != b"a" or b"" in row for row in rows):
            return None
    elif name == "txt comma":
        rows = [line.replace(b",", b".").split(b";") for line in data.split(b"\n") if line]
        if any(b"" in row for row in rows):
            return None
    else:
        rows = [words for line in data.split(b"\n") if (words := line.split())]
    if name == "pts":
        if not rows or len(rows[0]) != 1 or not rows[0][0].isdigit():
            return None
        count = int(rows.pop(0)[0])
        if count > len(rows):
            raise Refuses("count")
        if count < len(rows):
            return None  # a further block may follow
    if not rows or (name != "pts" and len(rows[0]) not in (3, 4)):
        return None
    if any(len(row) != len(rows[0]) for row in rows):
        raise Refuses("ragged")
    return np.array([[number(v) for v in row[:3]] for row in rows]), None
