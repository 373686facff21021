"""Nearest point and signed distance to the nominal, in float64: exact on analytic faces, on the mesh elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from runner.geometry.blocks import run_blocks
from runner.geometry.borders import Borders, build_borders
from runner.geometry.bvh import Tree, build, build_grouped, closest_points, first_hits, leaf_order, triangle_boxes
from runner.geometry.mesh import EdgeTable, FaceTable, Floats, Ints, Nominal, SurfaceKind, TriangleMesh
from runner.geometry.morton import morton_order
from runner.geometry.pseudonormals import Adjacency, adjacency
from runner.geometry.sides import fill_corner_normals, fill_sides
from runner.geometry.surfaces import pack, project
from runner.geometry.trimmed import Triangles, closest_on_faces, fill_node_faces

LEAST_SLACK_MM = 1e-6
FAR_FROM_SURFACE = 5.0
"""A face whose mesh lies farther than this many chords from its closed form is taken from the mesh."""


@dataclass(frozen=True, eq=False)
class Closest:
    """Closest points on the nominal, one row per query point, in the nominal's frame.

    Points farther than the asked distance, and points that aren't finite, have ``triangle`` and ``face`` -1,
    ``distance`` +inf, ``normal`` zero and ``point`` NaN.
    """

    point: Floats
    """(n, 3) mm."""
    distance: Floats
    """(n,) mm, signed: + outside the material."""
    normal: Floats
    """(n, 3) unit, outward, at the closest point; on a border between faces the sum of theirs, scaled to length 1."""
    triangle: Ints
    """(n,) a triangle of the mesh, of the same face, beside the closest point; -1 for none."""
    face: Ints
    """(n,) the face of the closest point; on a border the one that looks more towards the query point; -1 for none."""
    on_border: NDArray[np.bool_]
    """(n,) the closest point lies on a border of the face (or, in an index of a part of the mesh, on that part's)."""

    @property
    def found(self) -> NDArray[np.bool_]:
        """(n,) whether there is a closest point within the asked distance."""
        return self.triangle >= 0

    @classmethod
    def none(cls, count: int) -> Closest:
        """Return rows for ``count`` points that have no closest point yet."""
        return cls(
            np.full((count, 3), np.nan), np.full(count, np.inf), np.zeros((count, 3)),
            np.full(count, -1, np.int32), np.full(count, -1, np.int32), np.zeros(count, dtype=bool),
        )  # fmt: skip


def _corner_rows(mesh: TriangleMesh, which: Ints | None = None) -> Floats:
    triangles = mesh.triangles if which is None else mesh.triangles[which]
    return np.ascontiguousarray(mesh.vertices[triangles].reshape(-1, 9), dtype=np.float64)


def _feature_normals(mesh: TriangleMesh, around: Adjacency, which: Ints) -> Floats:
    """Return (m, 7, 3) pseudonormals by feature number of ``runner.geometry.bvh``."""
    normals = np.empty((len(which), 7, 3))
    normals[:, 0] = around.triangle_normal[which]
    normals[:, 1:4] = around.edge_normal[which]
    normals[:, 4:7] = around.vertex_normal[mesh.triangles[which]]
    return normals


def _feature_borders(mesh: TriangleMesh, around: Adjacency, face: Ints, kept: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Return (m,) bits of the features that lie between two faces, on an open boundary or on the kept part's rim."""
    across = around.neighbour
    other = np.where(across >= 0, face[across], -1)
    rim = (other != face[:, None]) | ((across >= 0) & ~kept[across])
    on_rim = np.zeros(len(mesh.vertices), dtype=bool)
    for k in range(3):
        edge = rim[:, k] & kept
        on_rim[mesh.triangles[edge, k]] = True
        on_rim[mesh.triangles[edge, (k + 1) % 3]] = True
    bits = np.zeros(len(face), dtype=np.uint8)
    for k in range(3):
        bits |= (rim[:, k].astype(np.uint8) << (1 + k)).astype(np.uint8)
        bits |= (on_rim[mesh.triangles[:, k]].astype(np.uint8) << (4 + k)).astype(np.uint8)
    return bits


def _triangles(mesh: TriangleMesh, face: Ints, mask: NDArray[np.bool_] | None, around: Adjacency) -> Triangles:
    """Put the kept triangles into a tree with everything the kernels need."""
    kept = np.ones(len(mesh.triangles), dtype=bool) if mask is None else np.asarray(mask, dtype=bool)
    if kept.shape != (len(mesh.triangles),):
        raise ValueError(f"the triangle mask has shape {kept.shape}; the mesh has {len(mesh.triangles)} triangles")
    which = np.flatnonzero(kept).astype(np.int32)
    if len(which) == 0:
        raise ValueError("an index needs at least one triangle")
    corners = _corner_rows(mesh, which)
    if not np.isfinite(corners).all():
        raise ValueError("the mesh has vertices that are not finite")
    tree, root = build_grouped(*triangle_boxes(corners), face[which], int(face.max()) + 1)
    number = leaf_order(tree, which)
    face_of = np.ascontiguousarray(face[number], dtype=np.int32)
    node_face = np.empty(len(tree.first), dtype=np.int32)
    fill_node_faces(tree, face_of, node_face)
    return Triangles(
        tree=tree,
        corners=leaf_order(tree, corners),
        face=face_of,
        number=number,
        normals=_feature_normals(mesh, around, number),
        border=np.ascontiguousarray(_feature_borders(mesh, around, face, kept)[number]),
        node_face=node_face,
        root=root,
    )


def _no_edges() -> EdgeTable:
    none = np.zeros((0, 3))
    return EdgeTable(
        points=none,
        offsets=np.zeros(1, np.int64),
        faces=np.zeros((0, 2), np.int32),
        kind=np.zeros(0, np.uint8),
        origin=none,
        axis=none,
        radius=np.zeros(0),
        angle=np.zeros(0),
    )


def _face_deviation(mesh: TriangleMesh, triangle_face: Ints, faces: FaceTable) -> Floats:
    """Return (F,) the largest distance of mesh corners, edge middles and centres from the face's closed form."""
    corners = mesh.vertices[mesh.triangles]
    deviation = np.zeros(len(faces))
    for weights in ((1, 0, 0), (0.5, 0.5, 0), (0, 0.5, 0.5), (0.5, 0, 0.5), (1 / 3, 1 / 3, 1 / 3)):
        _, _, off = project(faces, triangle_face, np.einsum("k,ikj->ij", np.array(weights), corners))
        np.maximum.at(deviation, triangle_face, np.nan_to_num(np.abs(off), nan=0.0))
    return deviation


@dataclass(frozen=True, eq=False)
class _Prepared:
    """What all indices of one nominal share, whichever triangles they hold."""

    around: Adjacency
    rows: Floats
    borders: Borders
    slack: float
    exact: bool


_PREPARED: WeakKeyDictionary[Nominal, _Prepared] = WeakKeyDictionary()


def _prepared(nominal: Nominal) -> _Prepared:
    """Return what the indices of ``nominal`` share; made once for as long as the nominal is in use."""
    found = _PREPARED.get(nominal)
    if found is None:
        found = _PREPARED[nominal] = _prepare(nominal)
    return found


def _prepare(nominal: Nominal) -> _Prepared:
    around = adjacency(nominal.mesh)
    face = np.ascontiguousarray(nominal.triangle_face, dtype=np.int32)
    rows = pack(nominal.faces)
    if nominal.source == "mesh" or not np.any(rows[:, 0] > 0):
        rows[:, 0] = float(SurfaceKind.OTHER)
        return _Prepared(around, rows, build_borders(_no_edges(), rows), LEAST_SLACK_MM, False)
    deviation = _face_deviation(nominal.mesh, face, nominal.faces)
    rows[deviation > FAR_FROM_SURFACE * max(nominal.chord_mm, 1e-3), 0] = float(SurfaceKind.OTHER)
    deviation[rows[:, 0] == float(SurfaceKind.OTHER)] = 0.0
    slack = max(nominal.chord_mm, 1.3 * float(deviation.max()), LEAST_SLACK_MM)
    borders = build_borders(nominal.edges, rows)
    fill_sides(borders, nominal.mesh, face, around)
    fill_corner_normals(borders, nominal.edges, nominal.mesh, around, slack)
    return _Prepared(around, rows, borders, slack, True)


class SurfaceIndex:
    """Answers closest-point queries on a nominal, or on a part of its triangles."""

    def __init__(
        self, mesh: Triangles, rows: Floats, borders: Borders, present: NDArray[np.bool_], slack: float, exact: bool
    ) -> None:
        """Take ready-made arrays; use ``build`` or ``from_arrays``."""
        self._mesh = mesh
        self._rows = rows
        self._borders = borders
        self._present = present
        self.slack_mm = slack
        """Largest distance between mesh and exact surface that is allowed for."""
        self.exact = exact

    @classmethod
    def build(cls, nominal: Nominal, *, triangles: NDArray[np.bool_] | None = None) -> SurfaceIndex:
        """Build the index of ``nominal``, or of its triangles where the mask ``triangles`` (m,) is True.

        Over a part of the triangles, faces count where those triangles are, give or take a few chords.
        """
        whole = _prepared(nominal)
        face = np.ascontiguousarray(nominal.triangle_face, dtype=np.int32)
        mesh = _triangles(nominal.mesh, face, triangles, whole.around)
        present = np.zeros(len(whole.rows), dtype=bool)
        present[mesh.face] = True
        return cls(mesh, whole.rows, whole.borders, present, whole.slack, whole.exact)

    def closest(self, points: Floats, max_distance: float = np.inf) -> Closest:
        """Return the closest points on the surface for points (n, 3), where they are within ``max_distance``, mm."""
        points = np.ascontiguousarray(points, dtype=np.float64)
        if points.ndim != 2 or points.shape[1] != 3:
            raise ValueError(f"points must have shape (n, 3); these have {points.shape}")
        found = Closest.none(len(points))
        self.closest_of(points, morton_order(points), max_distance, found)
        return found

    def closest_of(self, points: Floats, rows: Ints, max_distance: float, into: Closest) -> None:
        """Fill ``into`` at some ``rows`` (k,) of ``points`` (n, 3), float64 and contiguous, and leave its others.

        Each query starts where the one before it ended: rows in an order in which neighbours follow each other are
        answered faster.
        """
        run_blocks(
            closest_on_faces, len(rows), self._mesh, self._rows, self._borders, self._present, self.slack_mm,
            self.exact, points, rows, float(max_distance),
            into.point, into.distance, into.normal, into.triangle, into.face, into.on_border,
        )  # fmt: skip

    def first_hit(self, origins: Floats, directions: Floats, beyond: float = 0.0) -> tuple[Floats, Ints]:
        """Cast rays (n, 3) at the mesh: t (n,) of the first hit with t > ``beyond``, or inf; its triangle, or -1."""
        return _first_hit(self._mesh.tree, self._mesh.corners, self._mesh.number, origins, directions, beyond)

    def to_arrays(self) -> dict[str, NDArray[Any]]:
        """Return everything as named arrays, to be stored."""
        arrays: dict[str, NDArray[Any]] = {
            "rows": self._rows,
            "present": self._present,
            "settings": np.array([self.slack_mm, float(self.exact)]),
        }
        for prefix, record in (("mesh", self._mesh), ("borders", self._borders)):
            for name, value in record._asdict().items():
                if isinstance(value, Tree):
                    arrays.update({f"{prefix}.tree.{part}": array for part, array in value._asdict().items()})
                else:
                    arrays[f"{prefix}.{name}"] = value
        return arrays

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> SurfaceIndex:
        """Return the index whose ``to_arrays`` gave ``arrays``; KeyError when one is missing."""

        def fields(kind: type[Triangles] | type[Borders], prefix: str) -> dict[str, Any]:
            tree = Tree(*(np.asarray(arrays[f"{prefix}.tree.{part}"]) for part in Tree._fields))
            others = {name: np.asarray(arrays[f"{prefix}.{name}"]) for name in kind._fields if name != "tree"}
            return {"tree": tree, **others}

        mesh, borders = Triangles(**fields(Triangles, "mesh")), Borders(**fields(Borders, "borders"))
        slack, exact = (float(v) for v in np.asarray(arrays["settings"], dtype=np.float64))
        rows = np.asarray(arrays["rows"], dtype=np.float64)
        return cls(mesh, rows, borders, np.asarray(arrays["present"], dtype=bool), slack, exact > 0)


class TriangleIndex:
    """Answers closest-point and ray queries on plain triangles; no faces, no closed forms."""

    def __init__(self, mesh: TriangleMesh) -> None:
        """Build the index over all triangles of a welded mesh."""
        around = adjacency(mesh)
        self.closed = around.closed
        self._around = around
        self._mesh = mesh
        corners = _corner_rows(mesh)
        if len(corners) == 0:
            raise ValueError("an index needs at least one triangle")
        self._tree = build(*triangle_boxes(corners))
        self._corners = leaf_order(self._tree, corners)
        self._number = self._tree.order

    def nearest(self, points: Floats, max_distance: float = np.inf) -> tuple[Floats, Floats, Ints, NDArray[np.uint8]]:
        """Return closest points (n, 3), unsigned distances (n,), triangles (n,) and features (n,) of points (n, 3).

        Features are numbered as in ``runner.geometry.bvh``. Beyond ``max_distance``: NaN, inf, -1, 0.
        """
        points = np.ascontiguousarray(points, dtype=np.float64)
        count = len(points)
        place = np.full(count, -1, np.int32)
        distance2, foot, feature = np.full(count, np.inf), np.empty((count, 3)), np.zeros(count, np.uint8)
        bound2 = float(max_distance) ** 2
        order = morton_order(points)
        run_blocks(
            closest_points, count, self._tree, self._corners, points, order, bound2, place, distance2, foot, feature
        )
        none = place < 0
        foot[none], distance2[none], feature[none] = np.nan, np.inf, 0
        return foot, np.sqrt(distance2), np.where(none, -1, self._number[place]).astype(np.int32), feature

    def signed(self, points: Floats, max_distance: float = np.inf) -> tuple[Floats, Floats, Ints]:
        """Return closest points, distances with + on the side the triangles face, and triangles; as ``nearest``."""
        foot, distance, triangle, feature = self.nearest(points, max_distance)
        found = np.flatnonzero(triangle >= 0)
        normals = _feature_normals(self._mesh, self._around, triangle[found])[np.arange(len(found)), feature[found]]
        inside = np.einsum("ij,ij->i", np.asarray(points)[found] - foot[found], normals) < 0
        distance[found[inside]] *= -1.0
        return foot, distance, triangle

    def first_hit(self, origins: Floats, directions: Floats, beyond: float = 0.0) -> tuple[Floats, Ints]:
        """As ``SurfaceIndex.first_hit``."""
        return _first_hit(self._tree, self._corners, self._number, origins, directions, beyond)


def _first_hit(
    tree: Tree, corners: Floats, number: Ints, origins: Floats, directions: Floats, beyond: float
) -> tuple[Floats, Ints]:
    origins = np.ascontiguousarray(origins, dtype=np.float64)
    directions = np.ascontiguousarray(directions, dtype=np.float64)
    t_hit, place = np.empty(len(origins)), np.empty(len(origins), np.int32)
    run_blocks(first_hits, len(origins), tree, corners, origins, directions, beyond, t_hit, place)
    return t_hit, np.where(place < 0, -1, number[place]).astype(np.int32)
