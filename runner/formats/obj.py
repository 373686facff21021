"""OBJ: vertices, normals and polygons of the text format; materials, textures, groups and curves are passed over."""

from __future__ import annotations

from typing import Any

import numpy as np

from runner.diagnostics import InputError
from runner.formats.common import Bytes, Source, at_line, byte_array, geometry, refuse_zeros
from runner.formats.polygons import fan_triangles
from runner.formats.rows import POWERS, is_blank, number, wide_number
from runner.geometry.jit import kernel
from runner.geometry.mesh import ScanGeometry

_GOOD, _BAD_NUMBER, _BAD_INDEX, _TOO_FEW, _RANGE, _UNKNOWN = 0, 1, 2, 3, 4, 5
_WORDS = (
    "vt vn v f s g o usemtl mtllib vp p l fo mg cstype deg bmat step curv curv2 surf parm trim hole scrv sp end con "
    "bevel c_interp d_interp lod maplib usemap shadow_obj trace_obj ctech stech call csh res bsp bzp cdc cdp"
)
"""First words of a line, by the format's published description. Another one is damage: a vertex that is lost with it
shifts every face behind it."""


def _key(word: bytes) -> int:
    """The number that ``_is_known`` makes of a word; no two of the words share one."""
    key = 0
    for byte in word:
        key = (key * 257 + byte) % 1_000_000_007
    return key


_KNOWN = np.array([_key(word.encode()) for word in _WORDS.split()], dtype=np.int64)


@kernel
def _is_known(view: Any, begin: int, known: Any) -> bool:
    """Whether a line may begin with the word at ``begin``; also where a backslash joins it to the line before."""
    if view[begin] == 35:
        return True
    i = begin - 1
    while i >= 0 and view[i] <= 32:
        i -= 1
    if i >= 0 and view[i] == 92:
        return True
    key = np.int64(0)
    i = begin
    while i < len(view) and view[i] > 32 and i - begin < 12:
        key = (key * 257 + view[i]) % 1_000_000_007
        i += 1
    return bool(np.any(known == key))


@kernel
def _count(view: Any) -> tuple[int, int, int, int]:
    """Lines beginning with v, vn, f, and the words on the f lines (upper bounds for what is stored)."""
    vertices = normals = faces = corners = 0
    i = 0
    stop = len(view)
    while i < stop:
        while i < stop and view[i] <= 32:
            i += 1
        if i + 1 < stop and view[i] == 118 and (view[i + 1] == 32 or view[i + 1] == 9):
            vertices += 1
        elif i + 2 < stop and view[i] == 118 and view[i + 1] == 110 and view[i + 2] <= 32:
            normals += 1
        face = i + 1 < stop and view[i] == 102 and (view[i + 1] == 32 or view[i + 1] == 9)
        if face:
            faces += 1
            inside = True
        while i < stop and view[i] != 10 and view[i] != 13:
            if face:
                now = view[i] > 32
                if now and not inside:
                    corners += 1
                inside = now
                if view[i] == 92 and i + 1 < stop:
                    # A backslash joins the next line.
                    i += 1
                    if view[i] == 13 and i + 1 < stop and view[i + 1] == 10:
                        i += 1
                    inside = False
            i += 1
    return vertices, normals, faces, corners


@kernel
def _three(view: Any, pos: int, stop: int, powers: Any, out: Any, row: int) -> tuple[int, int]:
    """Three numbers of a line into ``out[row]``."""
    for axis in range(3):
        while pos < stop and (view[pos] == 32 or view[pos] == 9):
            pos += 1
        first = pos
        while pos < stop and not is_blank(view[pos]):
            pos += 1
        if pos == first:
            return pos, 3
        value, state = number(view, first, pos, 46, powers)
        if state == 2:
            return first, 1
        out[row, axis] = wide_number(view, first, pos, 46) if state == 1 else value
    return pos, 0


@kernel
def _parse(
    view: Any, powers: Any, known: Any, points: Any, normals: Any, offsets: Any, corners: Any
) -> tuple[int, int, int, int, int]:
    """Fill the arrays; returns (vertices, normals, faces, position, state)."""
    stop = len(view)
    pos = 0
    n_points = n_normals = n_faces = n_corners = 0
    while pos < stop:
        while pos < stop and view[pos] <= 32:
            pos += 1
        begin = pos
        if pos + 1 < stop and view[pos] == 118 and (view[pos + 1] == 32 or view[pos + 1] == 9):
            place, state = _three(view, pos + 1, stop, powers, points, n_points)
            if state:
                return n_points, n_normals, n_faces, begin, state
            n_points += 1
            pos = place
        elif pos + 2 < stop and view[pos] == 118 and view[pos + 1] == 110 and view[pos + 2] <= 32:
            place, state = _three(view, pos + 2, stop, powers, normals, n_normals)
            if state:
                return n_points, n_normals, n_faces, begin, state
            n_normals += 1
            pos = place
        elif pos + 1 < stop and view[pos] == 102 and (view[pos + 1] == 32 or view[pos + 1] == 9):
            pos += 1
            first_corner = n_corners
            while True:
                while pos < stop and (view[pos] == 32 or view[pos] == 9 or view[pos] == 92):
                    if view[pos] == 92:
                        pos += 1
                        if pos < stop and view[pos] == 13:
                            pos += 1
                        if pos < stop and view[pos] == 10:
                            pos += 1
                    else:
                        pos += 1
                if pos >= stop or is_blank(view[pos]) or view[pos] == 35:
                    break
                negative = view[pos] == 45
                if negative:
                    pos += 1
                index = np.int64(0)
                digits = 0
                while pos < stop and 48 <= view[pos] <= 57 and digits < 18:
                    index = index * 10 + (view[pos] - 48)
                    digits += 1
                    pos += 1
                # Behind the vertex index only /texture/normal may stand.
                slashes = 0
                while pos < stop and (47 <= view[pos] <= 57 or view[pos] == 45):
                    slashes += view[pos] == 47
                    if slashes > 2:
                        return n_points, n_normals, n_faces, begin, 2
                    if digits == 0 or (digits > 0 and view[pos] != 47 and view[pos - 1] != 47 and view[pos] == 45):
                        return n_points, n_normals, n_faces, begin, 2
                    pos += 1
                if digits == 0 or (pos < stop and not is_blank(view[pos]) and view[pos] != 92):
                    return n_points, n_normals, n_faces, begin, 2
                index = n_points - index if negative else index - 1
                if index < 0 or index >= len(points):
                    return n_points, n_normals, n_faces, begin, 4
                corners[n_corners] = index
                n_corners += 1
            if n_corners - first_corner < 3:
                return n_points, n_normals, n_faces, begin, 3
            n_faces += 1
            offsets[n_faces] = n_corners
        elif pos < stop and not _is_known(view, pos, known):
            return n_points, n_normals, n_faces, begin, 5
        while pos < stop and view[pos] != 10 and view[pos] != 13:
            pos += 1
    return n_points, n_normals, n_faces, pos, 0


def read(data: Source, name: str) -> ScanGeometry:
    """Read a mesh, or a cloud when there are no faces (its normals are kept when there is one per vertex).

    Raises
    ------
    InputError
        With the line that is wrong.
    """
    view = byte_array(data)
    if view[:3].tobytes() == b"\xef\xbb\xbf":
        view = view[3:]
    refuse_zeros(view, name)
    vertices, normal_count, faces, corner_count = _count(view)
    if vertices == 0:
        raise InputError(name, "holds no vertices (lines beginning with 'v').", advice="It is empty or no OBJ file.")
    points = np.empty((vertices, 3), dtype=np.float64)
    normals = np.empty((normal_count, 3), dtype=np.float64)
    offsets = np.zeros(faces + 1, dtype=np.int64)
    corners = np.empty(corner_count, dtype=np.int64)
    *_, place, state = _parse(view, POWERS, _KNOWN, points, normals, offsets, corners)
    if state != _GOOD:
        what = {
            _BAD_NUMBER: "something else stands where a number belongs",
            _BAD_INDEX: "a face needs vertex indices such as 7, 7/2, 7/2/5 or 7//5",
            _TOO_FEW: "a vertex or normal needs three numbers, a face three corners",
            _RANGE: f"a face refers to a vertex that is not among the {vertices} of the file",
            _UNKNOWN: f"no line of an OBJ file begins with {_word(view, int(place))!r}",
        }[state]
        raise InputError(
            name, what + ".", place=at_line(view, int(place)), advice="The file is damaged or cut off; export it again."
        )
    triangles = fan_triangles(corners, offsets) if faces else None
    keep_normals = triangles is None and normal_count == vertices
    return geometry(name, points, triangles=triangles, normals=normals if keep_normals else None)


def _word(view: Bytes, place: int) -> str:
    """The beginning of the word at ``place``."""
    return view[place : place + 20].tobytes().split(None, 1)[0].decode("latin-1")
