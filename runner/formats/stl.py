"""STL: triangles without connection, binary or ASCII. Vertices with equal coordinates become one."""

from __future__ import annotations

from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from runner.diagnostics import InputError
from runner.formats.common import Bytes, Source, at_byte, at_line, byte_array, geometry, refuse_zeros
from runner.formats.rows import POWERS, is_blank, number, wide_number
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats, Ints, ScanGeometry
from runner.geometry.weld import Welder

_RECORD = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (9,)), ("attribute", "<u2")])
_HEAD = 84
_BLOCK = 1 << 16


def read(data: Source, name: str) -> ScanGeometry:
    """Read a mesh. A file is binary when its size fits the triangle count, whatever its header begins with.

    Raises
    ------
    InputError
        Cut off, no triangles, or (ASCII) the line that is no STL.
    """
    view = byte_array(data)
    head = view[:512].tobytes()
    if len(view) >= _HEAD:
        count = int.from_bytes(head[80:84], "little")
        size = _HEAD + count * _RECORD.itemsize
        looks_like_text = head.lstrip()[:5].lower() == b"solid" and _is_text(view)
        if size == len(view) or not looks_like_text:
            return _read_binary(view, name, count, size)
    elif head.lstrip()[:5].lower() != b"solid":
        raise InputError(
            name,
            f"is too short for an STL file ({len(view)} bytes; the header alone takes 84).",
            place=at_byte(len(view)),
            advice="The file is cut off; copy or export it again.",
        )
    return _read_text(view, name)


def _is_text(view: Bytes) -> bool:
    """Whether the beginning holds no byte that text does not have (a byte above 127 may be a name's letter)."""
    start = view[:4096]
    return not bool(((start < 9) | ((start > 13) & (start < 32))).any())


def _read_binary(view: Bytes, name: str, count: int, size: int) -> ScanGeometry:
    """Records of 50 bytes."""
    if count == 0:
        raise InputError(name, "holds no triangles (count 0).", place=at_byte(80), advice="Export the scan again.")
    if size > len(view):
        raise InputError(
            name,
            f"the header announces {count} triangles, {size} bytes, but the file has {len(view)}.",
            place=at_byte(len(view)),
            advice="The file is cut off or no STL; copy or export it again.",
        )
    notes = []
    if size < len(view):
        notes.append(f"{len(view) - size} bytes after the last triangle ignored (from byte {size})")
    table = np.frombuffer(view, dtype=_RECORD, count=count, offset=_HEAD)
    # A closed mesh has half as many vertices as triangles.
    welder = Welder(min(3 * count, count // 2 + count // 8 + 1024))
    index = np.empty(3 * count, dtype=np.int32)
    for start in range(0, count, _BLOCK):
        corners = table["corners"][start : start + _BLOCK].reshape(-1, 3)
        index[3 * start : 3 * start + len(corners)] = welder.add(corners)
    return geometry(name, welder.points(), triangles=index.reshape(-1, 3), notes=notes, float32=True, welded=True)


@kernel
def _is_vertex(view: Any, pos: int) -> bool:
    """Whether the word ``vertex`` stands at ``pos`` (by its first, second and last letter)."""
    if pos + 6 >= len(view) or view[pos] | 32 != 118:
        return False
    return view[pos + 1] | 32 == 101 and view[pos + 5] | 32 == 120 and view[pos + 6] <= 32


@kernel
def _read_facets(view: Any, pos: int, powers: Any, out: Any) -> tuple[int, int, int]:
    """Corners after each word ``vertex``; returns their number, the position, and the state.

    ``endloop`` closes a facet and ``endsolid`` a solid, several solids may follow one another. State: 0 good, 1 bad
    number, 2 a facet of other than three corners, 3 the last solid is not closed.
    """
    stop = len(view)
    found = 0
    at_loop = 0
    closed = False
    line_start = True
    while pos < stop:
        byte = view[pos]
        if byte == 10 or byte == 13:
            line_start = True
            pos += 1
            continue
        if byte <= 32 or not line_start:
            pos += 1
            continue
        line_start = False
        if _is_vertex(view, pos):
            place = pos
            if found >= len(out):
                return found, place, 2
            pos += 6
            for axis in range(3):
                while pos < stop and (view[pos] == 32 or view[pos] == 9):
                    pos += 1
                first = pos
                while pos < stop and not is_blank(view[pos]):
                    pos += 1
                value, state = number(view, first, pos, 46, powers)
                if state == 2:
                    return found, place, 1
                if state == 1:
                    value = wide_number(view, first, pos, 46)
                out[found, axis] = value
            while pos < stop and (view[pos] == 32 or view[pos] == 9):
                pos += 1
            if pos < stop and not is_blank(view[pos]):
                return found, place, 1
            found += 1
            closed = False
        elif byte | 32 == 101 and pos + 6 < stop and view[pos + 3] | 32 == 108 and view[pos + 6] | 32 == 112:
            if found - at_loop != 3:
                return found, pos, 2
            at_loop = found
            pos += 7
        elif byte | 32 == 101 and pos + 3 < stop and view[pos + 3] | 32 == 115:
            closed = True
            pos += 4
    if found != at_loop:
        return found, pos, 2
    return found, pos, 0 if closed or found == 0 else 3


@kernel
def _count_corners(view: Any) -> int:
    """Upper bound of the number of corners: words beginning with ``vertex``."""
    count = 0
    for i in range(len(view) - 6):
        if _is_vertex(view, i):
            count += 1
    return count


def _read_text(view: Bytes, name: str) -> ScanGeometry:
    """Facets of ``solid`` ... ``endsolid``."""
    refuse_zeros(view, name)
    corners = np.empty((_count_corners(view), 3), dtype=np.float64)
    found, place, state = _read_facets(view, 0, POWERS, corners)
    if state:
        what = {
            1: "a vertex must have three numbers, and nothing else.",
            2: "a facet does not have three vertices.",
            3: "the solid is not closed by 'endsolid'.",
        }[state]
        raise InputError(
            name, what, place=at_line(view, int(place)), advice="The file is damaged or cut off; export it again."
        )
    if found == 0:
        raise InputError(name, "holds no triangles.", place=at_line(view, len(view)), advice="Export the scan again.")
    corners = corners[:found]
    welder = Welder(found // 4)
    index: Ints = np.empty(found, dtype=np.int32)
    for start in range(0, found, _BLOCK):
        index[start : start + _BLOCK] = welder.add(corners[start : start + _BLOCK])
    return geometry(name, welder.points(), triangles=index.reshape(-1, 3), welded=True)


def write(target: BinaryIO, points: Floats, triangles: NDArray[Any]) -> None:
    """Write binary STL of (n, 3) ``points`` and (m, 3) ``triangles``; coordinates become float32."""
    target.write(b"binary triangles, millimetres".ljust(80) + len(triangles).to_bytes(4, "little"))
    for start in range(0, len(triangles), _BLOCK):
        corners = points[triangles[start : start + _BLOCK]]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(normal, axis=1)
        block = np.zeros(len(corners), dtype=_RECORD)
        block["normal"] = normal / np.where(length > 0, length, 1.0)[:, None]
        block["corners"] = corners.reshape(-1, 9)
        target.write(block.tobytes())
