"""What every reader does with what it found: indices checked, missing points dropped and counted, notes written."""

from __future__ import annotations

import mmap
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.diagnostics import InputError
from runner.geometry.mesh import Floats, ScanGeometry
from runner.geometry.survey import survey, usable_points, used_vertices
from runner.geometry.weld import duplicate_share, weld

Bytes = NDArray[np.uint8]
Source = bytes | bytearray | memoryview | mmap.mmap

MISSING_LIMIT = 0.5
"""Largest share of points without finite coordinates that is still believed to be a scan."""
FLOAT32_NOTE_FRACTION = 1e-4
"""A float32 step larger than this share of the cloud's extent is noted."""


def byte_array(data: Source) -> Bytes:
    """The input as a read-only array of bytes, without a copy."""
    view = np.frombuffer(data, dtype=np.uint8)
    view.flags.writeable = False
    return view


def at_byte(offset: int) -> str:
    """How a place in a binary file is named."""
    return f"byte {offset}"


def at_line(data: Bytes, offset: int, newline: int = 10) -> str:
    """How a place in a text file is named; lines count from 1."""
    step = 1 << 24
    line = 1
    for start in range(0, offset, step):
        line += int(np.count_nonzero(data[start : min(offset, start + step)] == newline))
    return f"line {line}"


def refuse_zeros(view: Bytes, name: str, start: int = 0, stop: int | None = None) -> None:
    """Refuse a text with bytes of value 0, as a copy leaves them where it has written nothing.

    Such a hole may begin and end in what a reader passes over, and swallow whole lines between.
    """
    end = len(view) if stop is None else stop
    step = 1 << 24
    for block in range(start, end, step):
        part = view[block : min(end, block + step)]
        if part.min() == 0:
            raise InputError(
                name,
                "is no plain text (bytes of value 0).",
                place=at_byte(block + int(np.argmin(part))),
                advice="A part of the file was never written; copy or export it again.",
            )


def geometry(
    name: str,
    points: Floats,
    *,
    triangles: NDArray[Any] | None = None,
    normals: Floats | None = None,
    notes: Sequence[str] = (),
    mostly_missing_allowed: bool = False,
    float32: bool = False,
    welded: bool = False,
) -> ScanGeometry:
    """Finish what a reader found.

    Parameters
    ----------
    name
        The file, for messages.
    points
        (n, 3) coordinates as the file gives them, NaN or infinite where a point is missing.
    triangles
        (m, 3) indices into ``points``, or None or empty for a cloud.
    normals
        (n, 3) of any length, kept for clouds only: a mesh has the normals of its triangles.
    mostly_missing_allowed
        For organised clouds, where a missing point is the normal case.
    float32
        Whether the coordinates were stored with 24 significant bits.
    welded
        Whether vertices with equal coordinates are already one.

    Raises
    ------
    InputError
        No point left, more than half of the points missing, or an index outside the vertices.
    """
    remarks = list(notes)
    count = len(points)
    if count == 0:
        raise InputError(name, "holds no points.", advice="Export the scan again.")
    if triangles is not None and len(triangles) == 0:
        triangles = None
    if triangles is not None:
        check_indices(name, triangles, count)
    points, triangles, normals = _drop_missing(name, points, triangles, normals, remarks, mostly_missing_allowed)
    if triangles is not None:
        normals = None
        points, triangles = _clean_mesh(name, points, triangles, remarks, welded)
    else:
        share = duplicate_share(points)
        if share > 0.01:
            remarks.append(f"about {100 * share:.0f} % of the points repeat another point exactly; kept")
    if float32:
        _note_float32(points, remarks)
    signed = False
    if normals is not None:
        normals, signed = _unit_normals(normals, remarks)
    return ScanGeometry(
        points=np.ascontiguousarray(points, dtype=np.float64),
        triangles=None if triangles is None else np.ascontiguousarray(triangles, dtype=np.int32),
        normals=normals,
        normals_signed=signed,
        notes=tuple(remarks),
    )


def check_indices(name: str, triangles: NDArray[Any], count: int) -> None:
    """Refuse triangles that point outside ``count`` vertices."""
    if len(triangles) and (int(triangles.min()) < 0 or int(triangles.max()) >= count):
        bad = int(np.flatnonzero(((triangles < 0) | (triangles >= count)).any(axis=1))[0])
        raise InputError(
            name,
            f"a face refers to vertex {int(triangles[bad].max())}, but there are {count} (counted from 0).",
            place=f"triangle {bad}",
            advice="The file is damaged; export it again.",
        )


def _drop_missing(
    name: str,
    points: Floats,
    triangles: NDArray[Any] | None,
    normals: Floats | None,
    remarks: list[str],
    mostly_missing_allowed: bool,
) -> tuple[Floats, NDArray[Any] | None, Floats | None]:
    """Remove points that are not finite (or beyond any unit), with the triangles that need them."""
    kept, *_ = survey(points)
    lost = len(points) - kept
    if lost == 0:
        return points, triangles, normals
    if kept == 0:
        raise InputError(name, "no point has finite coordinates.", advice="Export the scan again.")
    valid = usable_points(points)
    if lost > MISSING_LIMIT * len(points) and not mostly_missing_allowed:
        raise InputError(
            name,
            f"{lost} of {len(points)} points have no finite coordinates; up to half is tolerated.",
            place=f"first at point {int(np.flatnonzero(~valid)[0])}",
            advice="Export the scan again.",
        )
    remarks.append(f"{lost} of {len(points)} points without finite coordinates dropped")
    if triangles is not None:
        usable = valid[triangles].all(axis=1)
        new_index = np.cumsum(valid) - 1
        triangles = new_index[triangles[usable]]
        if len(triangles) == 0:
            raise InputError(name, "every triangle has a vertex without finite coordinates.")
    return points[valid], triangles, None if normals is None else normals[valid]


def _clean_mesh(
    name: str, points: Floats, triangles: NDArray[Any], remarks: list[str], welded: bool
) -> tuple[Floats, NDArray[Any]]:
    """Weld equal vertices, drop triangles without area and vertices without triangle."""
    if not welded:
        unique, index = weld(points)
        if len(unique) < len(points):
            remarks.append(f"{len(points) - len(unique)} vertices with equal coordinates joined")
            points, triangles = unique, index[triangles]
    used, flat = used_vertices(triangles, len(points))
    if flat:
        a, b, c = triangles.T
        remarks.append(f"{flat} of {len(triangles)} triangles have two equal corners; dropped")
        triangles = triangles[(a != b) & (b != c) & (c != a)]
    if len(triangles) == 0:
        raise InputError(name, "every triangle has two equal corners: there is no surface.")
    loose = len(points) - int(np.count_nonzero(used))
    if loose:
        remarks.append(f"{loose} vertices belong to no triangle; dropped")
        new_index = np.cumsum(used) - 1
        points, triangles = points[used], new_index[triangles]
    return points, triangles


def _note_float32(points: Floats, remarks: list[str]) -> None:
    """Say so when 24 bits are too few for where the points lie."""
    _, low, high = survey(points)
    extent = float((high - low).max())
    with np.errstate(over="ignore"):
        step = float(np.spacing(np.float32(max(np.abs(low).max(), np.abs(high).max()))))
    if extent > 0.0 and step > FLOAT32_NOTE_FRACTION * extent:
        remarks.append(
            f"coordinates are stored in single precision far from the origin: they move in steps of {step:.3g} "
            f"over an extent of {extent:.3g}"
        )


def _unit_normals(normals: Floats, remarks: list[str]) -> tuple[Floats | None, bool]:
    """Scale to unit length, and judge whether neighbours agree in sign.

    A file says nowhere that its normals point out of the material. Estimated, unoriented normals flip at random
    between neighbours; scanners that know the viewing direction do not. Points that follow one another in the file are
    taken as neighbours when their normals are nearly parallel.
    """
    length = np.sqrt(np.einsum("ij,ij->i", normals, normals))
    good = np.isfinite(length) & (length > 1e-6)
    bad = len(normals) - int(np.count_nonzero(good))
    if bad > 0.01 * len(normals):
        remarks.append(f"normals ignored: {bad} of {len(normals)} are zero or not finite")
        return None, False
    with np.errstate(invalid="ignore", divide="ignore"):
        scaled = normals / length[:, None]
    if bad:
        # A handful of missing ones: take the previous good normal, so that all are unit vectors.
        index = np.where(good, np.arange(len(normals)), 0)
        np.maximum.accumulate(index, out=index)
        index[: int(np.flatnonzero(good)[0])] = int(np.flatnonzero(good)[0])
        scaled = scaled[index]
        remarks.append(f"{bad} normals are zero or not finite; replaced by that of the point before")
    dots = np.einsum("ij,ij->i", scaled[:-1], scaled[1:])
    parallel = np.abs(dots) > 0.9
    flips = int(np.count_nonzero(dots[parallel] < 0))
    near = int(np.count_nonzero(parallel))
    signed = near > 0.2 * len(dots) and flips <= 0.02 * near
    if not signed:
        remarks.append("normals are used up to their sign: neighbours in the file disagree")
    return np.ascontiguousarray(scaled), bool(signed)
