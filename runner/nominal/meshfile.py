"""STL, PLY or OBJ file → Nominal."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from runner.diagnostics import InputError
from runner.geometry.mesh import Nominal, ScanGeometry, TriangleMesh
from runner.geometry.weld import weld
from runner.nominal.patches import nominal_from_mesh

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
ENDINGS = (".stl", ".ply", ".obj")


def _reader(ending: str) -> Callable[[bytes, str], ScanGeometry]:
    if ending == ".stl":
        from runner.formats.stl import read
    elif ending == ".ply":
        from runner.formats.ply import read
    else:
        from runner.formats.obj import read
    return read


def read(data: bytes, name: str, sha256: str, unit: str = "mm") -> Nominal:
    """Return the nominal that a mesh file holds.

    Parameters
    ----------
    data
        The file's bytes.
    name
        Its name; the ending tells the format.
    sha256
        Of the bytes.
    unit
        Unit of the file's numbers: mm, cm, m or in.

    Raises
    ------
    InputError
        Unreadable, without triangles, of no extent, or of an unknown unit.
    """
    if unit not in MM_PER_UNIT:
        raise InputError(name, f'unknown unit "{unit}".', advice=f"Allowed: {', '.join(MM_PER_UNIT)}.")
    ending = "." + name.rsplit(".", 1)[-1].lower()
    geometry = _reader(ending)(data, name)
    if geometry.triangles is None or len(geometry.triangles) == 0:
        raise InputError(
            name, "it holds no triangles.", advice="A nominal is a STEP file or a mesh, not a point cloud."
        )
    return nominal_from_mesh(_welded(geometry, MM_PER_UNIT[unit], name), sha256, geometry.notes)


def _welded(geometry: ScanGeometry, scale: float, name: str) -> TriangleMesh:
    """Join equal vertices, drop triangles that collapse or repeat, and vertices that nothing uses."""
    assert geometry.triangles is not None
    points, index = weld(np.ascontiguousarray(geometry.points, dtype=np.float64))
    triangles = index[geometry.triangles]
    a, b, c = triangles.T
    triangles = triangles[(a != b) & (b != c) & (c != a)]
    if len(triangles):
        # the same three corners in the same sense, listed twice
        turn = np.argmin(triangles, axis=1)
        rolled = triangles[np.arange(len(triangles))[:, None], (turn[:, None] + np.arange(3)) % 3]
        _, first = np.unique(rolled, axis=0, return_index=True)
        triangles = triangles[np.sort(first)]
    if len(triangles) == 0:
        raise InputError(name, "all of its triangles collapse to lines or points.", advice="Export the mesh again.")
    used, renumbered = np.unique(triangles, return_inverse=True)
    return TriangleMesh(points[used] * scale, renumbered.reshape(-1, 3).astype(np.int32))
