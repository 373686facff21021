"""OBJ: vertices, normals and polygons of the text format; materials, textures, groups and curves are passed over."""

from __future__ import annotations

from typing import Any

import numpy as np

from runner.diagnostics import InputError
from runner.formats.common import Source, at_line, byte_array, geometry
from runner.formats.polygons import fan_triangles
from runner.formats.rows import POWERS, number, wide_number
from runner.geometry.jit import kernel
from runner.geometry.mesh import ScanGeometry

_GOOD, _BAD_NUMBER, _BAD_INDEX, _TOO_FEW, _RANGE = 0, 1, 2, 3, 4


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
        while pos < stop and view[pos] > 32:
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
    view: Any, powers: Any, points: Any, normals: Any, offsets: Any, corners: Any
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
                if pos >= stop or view[pos] <= 32 or view[pos] == 35:
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
                while pos < stop and (47 <= view[pos] <= 57 or view[pos] == 45):
                    if digits == 0 or (digits > 0 and view[pos] != 47 and view[pos - 1] != 47 and view[pos] == 45):
                        return n_points, n_normals, n_faces, begin, 2
                    pos += 1
                if digits == 0 or (pos < stop and view[pos] > 32 and view[pos] != 92):
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
    vertices, normal_count, faces, corner_count = _count(view)
    if vertices == 0:
        raise InputError(name, "holds no vertices (lines beginning with 'v').", advice="It is empty or no OBJ file.")
    points = np.empty((vertices, 3), dtype=np.float64)
    normals = np.empty((normal_count, 3), dtype=np.float64)
    offsets = np.zeros(faces + 1, dtype=np.int64)
    corners = np.empty(corner_count, dtype=np.int64)
    *_, place, state = _parse(view, POWERS, points, normals, offsets, corners)
    if state != _GOOD:
        what = {
            _BAD_NUMBER: "something else stands where a number belongs",
            _BAD_INDEX: "a face needs vertex indices such as 7, 7/2, 7/2/5 or 7//5",
            _TOO_FEW: "a vertex or normal needs three numbers, a face three corners",
            _RANGE: f"a face refers to a vertex that is not among the {vertices} of the file",
        }[state]
        raise InputError(
            name, what + ".", place=at_line(view, int(place)), advice="The file is damaged or cut off; export it again."
        )
    triangles = fan_triangles(corners, offsets) if faces else None
    keep_normals = triangles is None and normal_count == vertices
    return geometry(name, points, triangles=triangles, normals=normals if keep_normals else None)
