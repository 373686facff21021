"""Points as text: XYZ, ASC, TXT, CSV, PTS with one point a line, and PTX with its grid and pose."""

from __future__ import annotations

from typing import TextIO

import numpy as np
from numpy.typing import NDArray

from runner.diagnostics import InputError
from runner.formats.common import Bytes, Source, at_line, byte_array, geometry, refuse_zeros
from runner.formats.layout import Layout, find_layout
from runner.formats.rows import DONE, FULL, NOT_A_NUMBER, RAGGED, Rows, byte_classes, most_rows
from runner.geometry.mesh import Floats, ScanGeometry

_END = 26
"""Control-Z, with which old systems end a text."""


def read(data: Source, name: str) -> ScanGeometry:
    """Read a cloud; separators, decimal sign and columns are decided on the lines themselves or refused.

    Raises
    ------
    InputError
        With the line that is wrong, or that could be read in two ways.
    """
    view = byte_array(data)
    while len(view) and view[-1] == _END:
        view = view[:-1]
    layout = find_layout(view, name)
    refuse_zeros(view, name)
    if layout.block_count is None:
        points, normals, _ = _block(view, name, layout, layout.start, None)
        return geometry(name, points, normals=normals, notes=layout.notes)
    return _counted_blocks(view, name, layout)


def _block(view: Bytes, name: str, layout: Layout, start: int, count: int | None) -> tuple[Floats, Floats | None, int]:
    """Points and normals from ``start`` on, ``count`` of them or to the end; and where it ended."""
    width = 6 if layout.has_normals else 3
    most = most_rows(view, start, len(layout.targets), layout.newline)
    if count is not None and count > most:
        raise InputError(
            name,
            f"the count line announces {count} points, but at most {most} lines follow.",
            place=at_line(view, layout.count_at, layout.newline),
            advice="The file is cut off; copy or export it again.",
        )
    out = np.empty((most if count is None else count, width), dtype=np.float64)
    rows = Rows(view, start, layout.classes, layout.decimal)
    found, status = rows.read(out, layout.targets)
    if status not in (DONE, FULL) or (count is not None and found < count):
        expected = len(layout.targets)
        last = not (view[rows.position :] == layout.newline).any()
        if status == NOT_A_NUMBER:
            token = view[rows.at : rows.at + 40].tobytes().split(None, 1)[0].decode("latin-1")
            what = f"{token!r} is not a number."
        elif status == DONE:
            what = f"the count line announces {count} points, but only {found} follow."
        elif status == RAGGED:
            what = f"the line has more than the {expected} columns of the first."
        else:
            what = f"the line has fewer than the {expected} columns of the first."
        advice = "The file is cut off; copy it again." if last else "The file is damaged; export it again."
        raise InputError(name, what, place=at_line(view, rows.at, layout.newline), advice=advice)
    out = out[:found]
    if layout.has_normals:
        return np.ascontiguousarray(out[:, :3]), np.ascontiguousarray(out[:, 3:]), rows.position
    return out, None, rows.position


def _counted_blocks(view: Bytes, name: str, layout: Layout) -> ScanGeometry:
    """PTS: a line with the count before each block of points."""
    points: list[Floats] = []
    normals: list[Floats] = []
    notes = list(layout.notes)
    start, count = layout.start, layout.block_count
    while count is not None:
        block, block_normals, position = _block(view, name, layout, start, count)
        points.append(block)
        if block_normals is not None:
            normals.append(block_normals)
        count = None
        header = np.empty((1, 1), dtype=np.float64)
        rows = Rows(view, position, byte_classes(newline=layout.newline))
        found, status = rows.read(header, np.zeros(1, dtype=np.int32))
        if found == 1 and status in (DONE, FULL) and header[0, 0] >= 1 and header[0, 0] % 1 == 0:
            start, count = rows.position, int(header[0, 0])
        elif found or status != DONE:
            notes.append(
                f"what follows the announced points is ignored (from {at_line(view, position, layout.newline)})"
            )
    if len(points) > 1:
        notes.append(f"{len(points)} blocks of points joined")
    joined = np.concatenate(points)
    return geometry(name, joined, normals=np.concatenate(normals) if normals else None, notes=notes)


def write(target: TextIO, points: Floats, *, normals: NDArray[np.float64] | None = None, digits: int = 6) -> None:
    """Write ``x y z`` or ``x y z nx ny nz`` lines with ``digits`` decimals."""
    table = points if normals is None else np.hstack([points, normals])
    line = " ".join([f"%.{digits}f"] * table.shape[1]) + "\n"
    step = 1 << 14
    for start in range(0, len(table), step):
        block = table[start : start + step]
        target.write((line * len(block)) % tuple(block.ravel()))
