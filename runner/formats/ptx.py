"""PTX: gridded scans as text, each with its size and pose; several may follow one another."""

from __future__ import annotations

import numpy as np

from runner.diagnostics import InputError
from runner.formats.common import Bytes, Source, at_line, byte_array, geometry, refuse_zeros
from runner.formats.rows import DONE, FULL, NOT_A_NUMBER, RAGGED, Rows, byte_classes, most_rows
from runner.geometry.mesh import Floats, ScanGeometry

_DAMAGED = "The file is cut off or damaged; export it again."


def read(data: Source, name: str) -> ScanGeometry:
    """Read all scans of the file into one frame.

    Points at 0 0 0 are what the grid holds where nothing was seen; they are dropped and counted.

    Raises
    ------
    InputError
        With the line that is wrong.
    """
    view = byte_array(data)
    refuse_zeros(view, name)
    newline = 13 if not (view[: 1 << 16] == 10).any() else 10
    rows = Rows(view, 0, byte_classes(newline=newline))
    blocks: list[Floats] = []
    unseen = total = 0
    notes: list[str] = []
    while True:
        size = _table(rows, name, 2, 1, "columns and rows", optional=bool(blocks))
        if size is None:
            break
        columns, lines = float(size[0, 0]), float(size[1, 0])
        if not (0 < columns < 1e9 and 0 < lines < 1e9 and columns % 1 == 0 and lines % 1 == 0):
            raise InputError(name, "the two first lines must be the numbers of columns and rows.", place=_place(rows))
        _table(rows, name, 4, 3, "scanner position and axes")
        pose = _table(rows, name, 4, 4, "transformation")
        assert pose is not None
        _check_pose(name, pose, rows)
        count = int(columns * lines)
        width = _width(view, rows.position, newline)
        if width < 3:
            raise InputError(name, "no point follows the transformation.", place=_place(rows), advice=_DAMAGED)
        most = most_rows(view, rows.position, width, newline)
        if count > most:
            raise InputError(
                name,
                f"{int(columns)} columns of {int(lines)} rows are announced, but at most {most} lines follow.",
                place=at_line(view, rows.position, newline),
                advice=_DAMAGED,
            )
        targets = np.array([0, 1, 2] + [-1] * (width - 3), dtype=np.int32)
        points = np.empty((count, 3), dtype=np.float64)
        found, status = rows.read(points, targets)
        if found < count:
            raise InputError(name, _what(status, width, count, found), place=_place(rows), advice=_DAMAGED)
        seen = (points != 0.0).any(axis=1)
        unseen += count - int(np.count_nonzero(seen))
        total += count
        # Row vectors: the last row of the block is the translation.
        if not np.array_equal(pose, np.eye(4)):
            points = points[seen] @ pose[:3, :3] + pose[3, :3]
        else:
            points = points[seen]
        blocks.append(points)
    if unseen:
        notes.append(f"{unseen} of {total} grid places without a point (0 0 0) dropped")
    if len(blocks) > 1:
        notes.append(f"{len(blocks)} scans joined by their stated poses")
    return geometry(name, np.concatenate(blocks), notes=notes, mostly_missing_allowed=True)


def _place(rows: Rows) -> str:
    """Line that the reader is at."""
    return at_line(rows.data, min(rows.at, len(rows.data)))


def _what(status: int, columns: int, count: int, found: int) -> str:
    """Why a point line was not taken."""
    if status == NOT_A_NUMBER:
        return "something else stands where a number belongs."
    if status == DONE:
        return f"{count} points are announced, but only {found} follow."
    more = "more" if status == RAGGED else "fewer"
    return f"the line has {more} than the {columns} columns of the first."


def _table(rows: Rows, name: str, lines: int, columns: int, what: str, *, optional: bool = False) -> Floats | None:
    """A small block of numbers of the header."""
    out = np.empty((lines, columns), dtype=np.float64)
    found, status = rows.read(out, np.arange(columns, dtype=np.int32))
    if found == 0 and status == DONE and optional:
        return None
    if found < lines or status not in (DONE, FULL) or not np.isfinite(out).all():
        raise InputError(
            name, f"expected {lines} lines of {columns} numbers ({what}).", place=_place(rows), advice=_DAMAGED
        )
    return out


def _check_pose(name: str, pose: Floats, rows: Rows) -> None:
    """A rigid transform, written for row vectors."""
    turn = pose[:3, :3]
    if (
        np.abs(turn).max() > 1.001
        or np.abs(turn @ turn.T - np.eye(3)).max() > 1e-3
        or np.linalg.det(turn) < 0
        or np.abs(pose[:, 3] - (0.0, 0.0, 0.0, 1.0)).max() > 1e-9
    ):
        raise InputError(
            name,
            "the transformation is not a rotation with a translation in its last line.",
            place=at_line(rows.data, rows.position - 1),
            advice=_DAMAGED,
        )


def _width(view: Bytes, start: int, newline: int) -> int:
    """Columns of the first point line."""
    head = view[start : start + 4096].tobytes()
    for line in head.split(bytes([newline])):
        if line.strip():
            return len(line.split())
    return 0
