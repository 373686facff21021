"""Meshes, the nominal's arrays, and a scan's arrays: the three types that every other room passes around."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

KEPT, TABLE, CLUTTER, SPECK = 0, 1, 2, 3
"""What clean-up calls a scan point."""


class SurfaceKind(IntEnum):
    """Surface type of a nominal face."""

    OTHER = 0
    PLANE = 1
    CYLINDER = 2
    CONE = 3
    SPHERE = 4
    TORUS = 5


class CurveKind(IntEnum):
    """Curve type of a nominal edge."""

    OTHER = 0
    LINE = 1
    CIRCLE = 2


@dataclass(frozen=True, eq=False)
class TriangleMesh:
    """Triangles, wound anticlockwise seen from outside the material."""

    vertices: Floats
    """(n, 3) mm."""
    triangles: Ints
    """(m, 3) indices into ``vertices``."""


@dataclass(frozen=True, eq=False)
class FaceTable:
    """Exact surfaces of F nominal faces. Rows of a kind that lacks a column hold NaN there."""

    kind: NDArray[np.uint8]
    """(F,) ``SurfaceKind``."""
    origin: Floats
    """(F, 3) plane: a point on it; cylinder: a point on the axis; cone: apex; sphere, torus: centre."""
    axis: Floats
    """(F, 3) unit. plane: normal pointing out of the material; cylinder, torus: axis; cone: from the apex into the
    opening; sphere: z."""
    radius: Floats
    """(F,) cylinder, sphere: radius; torus: radius of the ring."""
    minor: Floats
    """(F,) torus: radius of the tube; cone: half angle, rad."""
    outward: NDArray[np.int8]
    """(F,) +1: the surface's natural normal (away from axis, centre or ring; a plane's ``axis``) points out of the
    material (a shaft, a pin); -1: into it (a bore)."""
    area: Floats
    """(F,) mm^2, of the mesh."""

    def __len__(self) -> int:
        """Number of faces."""
        return len(self.kind)


@dataclass(frozen=True, eq=False)
class EdgeTable:
    """Trim curves of the nominal, each a polyline whose points lie on the exact curve.

    Seams (both sides the same face) are left out. For a mesh nominal these are its open boundary loops.
    """

    points: Floats
    """(k, 3) mm, all polylines one after another."""
    offsets: NDArray[np.int64]
    """(E + 1,) polyline e is ``points[offsets[e]:offsets[e + 1]]``; closed curves repeat their first point."""
    faces: Ints
    """(E, 2) the two faces that meet; -1 for none."""
    kind: NDArray[np.uint8]
    """(E,) ``CurveKind``."""
    origin: Floats
    """(E, 3) circle: centre; line: a point; otherwise NaN."""
    axis: Floats
    """(E, 3) circle: unit axis; line: unit direction; otherwise NaN."""
    radius: Floats
    """(E,) circle: radius; otherwise NaN."""
    angle: Floats
    """(E,) rad between the outward normals of the two faces at mid curve: 0 where they run on smoothly, NaN on a
    boundary."""

    def __len__(self) -> int:
        """Number of edges."""
        return len(self.kind)


@dataclass(frozen=True, eq=False)
class Nominal:
    """The design geometry as arrays, in the model's own frame, millimetres."""

    mesh: TriangleMesh
    """Welded by coordinate: neighbours share vertices."""
    triangle_face: Ints
    """(m,) face of each triangle."""
    faces: FaceTable
    edges: EdgeTable
    closed: bool
    """Whether the mesh bounds a solid, so that inside and outside are defined everywhere."""
    source: str
    """``step`` or ``mesh``."""
    sha256: str
    """Of the file's bytes."""
    chord_mm: float
    """Largest distance allowed between mesh and exact surface when it was meshed; 0 for mesh nominals."""
    notes: tuple[str, ...] = field(default=())

    @property
    def bounds(self) -> tuple[Floats, Floats]:
        """Lowest and highest corner, mm."""
        used = self.mesh.vertices[np.unique(self.mesh.triangles)]
        return used.min(axis=0), used.max(axis=0)

    @property
    def diagonal(self) -> float:
        """Length of the bounding box's diagonal, mm."""
        low, high = self.bounds
        return float(np.linalg.norm(high - low))


@dataclass(frozen=True, eq=False)
class ScanGeometry:
    """What one scan file holds, in millimetres, float64, in the scan's own frame."""

    points: Floats
    """(n, 3) mesh vertices or cloud points; finite."""
    triangles: Ints | None = None
    """(m, 3) for a mesh, None for a cloud."""
    normals: Floats | None = None
    """(n, 3) unit vectors, or None when the file has none (meshes get theirs from the triangles later)."""
    normals_signed: bool = False
    """Whether the normals point out of the material (True), or only give the direction up to sign."""
    notes: tuple[str, ...] = field(default=())
