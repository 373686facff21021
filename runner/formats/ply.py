"""PLY: polygon file, in ASCII and in both byte orders. Format as described by its author (G. Turk, 1994)."""

from __future__ import annotations

from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from runner.diagnostics import InputError
from runner.formats.common import Bytes, Source, at_byte, at_line, byte_array, check_indices, geometry, refuse_zeros
from runner.formats.ply_header import Element, read_header
from runner.formats.polygons import collect, fan_triangles, walk_binary, walk_text
from runner.formats.rows import NOT_A_NUMBER, Rows, byte_classes
from runner.geometry.mesh import Floats, ScanGeometry


def read(data: Source, name: str) -> ScanGeometry:
    """Read a mesh or cloud.

    Vertex normals ``nx ny nz`` are kept for clouds; polygons become triangles; other properties and elements are
    passed over.

    Raises
    ------
    InputError
        With the header line, the byte or the text line of what is wrong.
    """
    view = byte_array(data)
    byte_order, elements, body = read_header(view, name)
    text = byte_order == ""
    notes: list[str] = []
    points: Floats | None = None
    normals: Floats | None = None
    triangles: NDArray[Any] | None = None
    float32 = False
    position = body
    for element in elements:
        _check_room(view, name, element, position, text)
        if element.name == "vertex" and points is None:
            _check_vertex(name, element)
            float32 = all(p.type == "f4" for p in element.properties if p.name in ("x", "y", "z"))
            reader = _text_vertices if text else _binary_vertices
            points, normals, position = reader(view, name, element, position, byte_order)
        else:
            wanted = element.name in ("face", "tristrips") and element.count > 0
            lists, position = _rows_with_lists(view, name, element, position, byte_order, wanted)
            if wanted and lists is not None:
                if points is None:
                    raise InputError(name, "faces come before the vertices.", place=f"line {element.line}")
                found = fan_triangles(*lists, strips=element.name == "tristrips")
                check_indices(name, found, len(points))
                triangles = found if triangles is None else np.concatenate([triangles, found])
    if points is None:
        raise InputError(name, "the header has no element 'vertex'.", advice="Export the scan as mesh or point cloud.")
    if text:
        refuse_zeros(view, name, body, position)
    rest = view[position:]
    if len(rest) and not _blank(rest):
        notes.append(f"{len(rest)} bytes after the end of the data ignored (from byte {position})")
    return geometry(name, points, triangles=triangles, normals=normals, notes=notes, float32=float32)


def _blank(rest: Bytes) -> bool:
    """Whether only blanks and line ends are left."""
    return len(rest) < 4096 and not rest.tobytes().strip(b" \t\r\n\0")


def _check_vertex(name: str, element: Element) -> None:
    """x, y, z must be there as single numbers."""
    single = {p.name for p in element.properties if not p.count}
    for axis in ("x", "y", "z"):
        if axis not in single:
            raise InputError(name, f"the vertices have no property {axis!r}.", place=f"line {element.line}")
    if element.count == 0:
        raise InputError(name, "holds no points (element vertex 0).", place=f"line {element.line}")


def _check_room(view: Bytes, name: str, element: Element, position: int, text: bool) -> None:
    """Refuse a count that the rest of the file can't hold, before anything is allocated for it."""
    left = max(0, len(view) - position)
    need = element.count * element.smallest_row(text)
    # The last row of a text file may lack its line end.
    if need > left + (1 if text else 0):
        raise InputError(
            name,
            f"the header announces {element.count} of element {element.name[:60]!r}, at least {need} bytes, "
            f"but only {left} are left.",
            place=at_byte(position),
            advice="The file is cut off; copy or export it again.",
        )


def _has_normals(element: Element) -> bool:
    """Whether all of nx, ny, nz are there."""
    return {"nx", "ny", "nz"} <= {p.name for p in element.properties if not p.count}


def _binary_vertices(
    view: Bytes, name: str, element: Element, position: int, byte_order: str
) -> tuple[Floats, Floats | None, int]:
    """Points, normals and the end of a binary vertex element."""
    wanted = ["x", "y", "z"] + (["nx", "ny", "nz"] if _has_normals(element) else [])
    out = np.empty((element.count, len(wanted)), dtype=np.float64)
    if element.has_list:
        # Rows of different length: find where each starts, then gather the bytes of every wanted property.
        starts, position = walk_binary(view, name, element, position, byte_order)
        order = [p.name for p in element.properties]
        for column, axis in enumerate(wanted):
            kind = np.dtype(byte_order + element.properties[order.index(axis)].type)
            where = starts[:, order.index(axis), None] + np.arange(kind.itemsize)
            out[:, column] = np.ascontiguousarray(view[where]).view(kind)[:, 0]
    else:
        row = np.dtype([(f"p{i}", byte_order + p.type) for i, p in enumerate(element.properties)])
        table = np.frombuffer(view, dtype=row, count=element.count, offset=position)
        with np.errstate(invalid="ignore"):  # signalling NaNs
            for i, p in enumerate(element.properties):
                if p.name in wanted:
                    out[:, wanted.index(p.name)] = table[f"p{i}"]
        position += element.count * row.itemsize
    if len(wanted) == 6:
        return np.ascontiguousarray(out[:, :3]), np.ascontiguousarray(out[:, 3:]), position
    return out, None, position


def _text_vertices(
    view: Bytes, name: str, element: Element, position: int, byte_order: str
) -> tuple[Floats, Floats | None, int]:
    """Points, normals and the end of an ASCII vertex element."""
    if element.has_list:
        raise InputError(
            name, "list properties of vertices are not read in ASCII files.", place=f"line {element.line}",
            advice="Export as binary PLY.",
        )  # fmt: skip
    wanted = ["x", "y", "z"] + (["nx", "ny", "nz"] if _has_normals(element) else [])
    targets = np.array([wanted.index(p.name) if p.name in wanted else -1 for p in element.properties], dtype=np.int32)
    out = np.empty((element.count, len(wanted)), dtype=np.float64)
    newline = 13 if position and view[position - 1] == 13 else 10
    rows = Rows(view, position, byte_classes(newline=newline))
    count, status = rows.read(out, targets)
    if count < element.count:
        what = (
            "is not a number"
            if status == NOT_A_NUMBER
            else f"a vertex line must have {len(targets)} numbers; vertex {count} of {element.count} has not"
        )
        raise InputError(
            name, what + ".", place=at_line(view, rows.at, newline), advice="The file is damaged or cut off."
        )
    end = rows.position
    if len(wanted) == 6:
        return np.ascontiguousarray(out[:, :3]), np.ascontiguousarray(out[:, 3:]), end
    return out, None, end


def _rows_with_lists(
    view: Bytes, name: str, element: Element, position: int, byte_order: str, wanted: bool
) -> tuple[tuple[NDArray[Any], NDArray[np.int64]] | None, int]:
    """Pass over an element; when ``wanted`` return its index lists as (values, offsets)."""
    if element.count == 0 or not element.properties:
        return None, position
    which = -1
    if wanted:
        names = [p.name for p in element.properties]
        for candidate in ("vertex_indices", "vertex_index"):
            if candidate in names and element.properties[names.index(candidate)].count:
                which = names.index(candidate)
        if which < 0:
            raise InputError(
                name, f"element {element.name!r} has no list 'vertex_indices'.", place=f"line {element.line}"
            )
        if element.properties[which].type[0] == "f":
            raise InputError(name, "vertex indices must be integers.", place=f"line {element.line}")
    if byte_order == "":
        newline = 13 if position and view[position - 1] == 13 else 10
        return walk_text(view, name, element, position, which, newline)
    if not element.has_list:
        return None, position + element.count * element.smallest_row(False)
    if which >= 0:
        lists, end = _uniform_triangles(view, element, position, byte_order, which)
        if lists is not None:
            return lists, end
    starts, end = walk_binary(view, name, element, position, byte_order)
    if which < 0:
        return None, end
    return collect(view, element, starts, byte_order, which), end


def _uniform_triangles(
    view: Bytes, element: Element, position: int, byte_order: str, which: int
) -> tuple[tuple[NDArray[Any], NDArray[np.int64]] | None, int]:
    """The common case, all faces are triangles and the only list: one structured view, no walk."""
    if sum(1 for p in element.properties if p.count) != 1:
        return None, position
    fields: list[tuple[Any, ...]] = []
    for i, p in enumerate(element.properties):
        if p.count:
            fields += [("length", byte_order + p.count), ("index", byte_order + p.type, (3,))]
        else:
            fields.append((f"p{i}", byte_order + p.type))
    row = np.dtype(fields)
    if position + element.count * row.itemsize > len(view):
        return None, position
    table = np.frombuffer(view, dtype=row, count=element.count, offset=position)
    if not (table["length"] == 3).all():
        return None, position
    values: NDArray[Any] = table["index"].astype(np.int64 if row["index"].base.itemsize > 4 else np.int32).ravel()
    return (np.asarray(values), np.empty(0, dtype=np.int64)), position + element.count * row.itemsize


def write(
    target: BinaryIO,
    points: Floats,
    *,
    triangles: NDArray[Any] | None = None,
    normals: Floats | None = None,
    double: bool = True,
    comment: str = "",
) -> None:
    """Write binary little-endian PLY: (n, 3) ``points``, optional (m, 3) ``triangles`` and (n, 3) ``normals``.

    ``double`` keeps float64 coordinates; otherwise float32. Normals are always float32.
    """
    word, code = ("double", "<f8") if double else ("float", "<f4")
    lines = ["ply", "format binary_little_endian 1.0"]
    lines += [f"comment {line}" for line in comment.splitlines()]
    lines.append(f"element vertex {len(points)}")
    lines += [f"property {word} {axis}" for axis in "xyz"]
    fields: list[tuple[Any, ...]] = [("point", code, (3,))]
    if normals is not None:
        lines += [f"property float n{axis}" for axis in "xyz"]
        fields.append(("normal", "<f4", (3,)))
    if triangles is not None:
        lines += [f"element face {len(triangles)}", "property list uchar int vertex_indices"]
    target.write(("\n".join([*lines, "end_header"]) + "\n").encode("ascii", "replace"))
    step = 1 << 16
    for start in range(0, len(points), step):
        block = np.empty(len(points[start : start + step]), dtype=fields)
        block["point"] = points[start : start + step]
        if normals is not None:
            block["normal"] = normals[start : start + step]
        target.write(block.tobytes())
    if triangles is not None:
        for start in range(0, len(triangles), step):
            faces = np.empty(len(triangles[start : start + step]), dtype=[("length", "u1"), ("index", "<i4", (3,))])
            faces["length"] = 3
            faces["index"] = triangles[start : start + step]
            target.write(faces.tobytes())
