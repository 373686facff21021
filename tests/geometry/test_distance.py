"""Exact and mesh distances without the CAD kernel: a capped cylinder, whose distance is a formula; and libigl."""

from __future__ import annotations

import numpy as np
import pytest

from runner.geometry.distance import SurfaceIndex, TriangleIndex
from runner.geometry.frames import move_points, rigid, rotation_from_vector, turn_vectors
from runner.geometry.mesh import CurveKind, EdgeTable, FaceTable, Nominal, SurfaceKind, TriangleMesh
from runner.geometry.pseudonormals import adjacency

RADIUS, HEIGHT = 7.0, 12.0


def capped_cylinder(sides: int = 40, pose: np.ndarray | None = None, hollow: bool = False) -> Nominal:
    """A pin (or, hollow, the same shape as a void): faces 0 mantle, 1 upper end, 2 lower end."""
    pose = np.eye(4) if pose is None else pose
    turn = 2 * np.pi * np.arange(sides) / sides
    ring = RADIUS * np.column_stack([np.cos(turn), np.sin(turn)])
    vertices = np.concatenate(
        [np.column_stack([ring, np.full(sides, z)]) for z in (0.0, HEIGHT)] + [np.array([[0.0, 0, 0], [0, 0, HEIGHT]])]
    )
    triangles, face = [], []
    for i in range(sides):
        j = (i + 1) % sides
        triangles += [
            (i, j, sides + j),
            (i, sides + j, sides + i),
            (sides + i, sides + j, 2 * sides + 1),
            (j, i, 2 * sides),
        ]
        face += [0, 0, 1, 2]
    wound = np.array(triangles, dtype=np.int32)
    if hollow:
        wound = wound[:, ::-1].copy()
    side = -1 if hollow else 1
    normals = side * np.array([[0.0, 0, 1], [0, 0, 1], [0, 0, -1]])
    normals[0] = (0, 0, 1)
    nan = np.nan
    faces = FaceTable(
        kind=np.array([SurfaceKind.CYLINDER, SurfaceKind.PLANE, SurfaceKind.PLANE], dtype=np.uint8),
        origin=move_points(pose, np.array([[0.0, 0, 3], [1, 1, HEIGHT], [2, 0, 0]])),
        axis=turn_vectors(pose, normals),
        radius=np.array([RADIUS, nan, nan]),
        minor=np.full(3, nan),
        outward=np.array([side, 1, 1], dtype=np.int8),
        area=np.ones(3),
    )
    closed_ring = np.vstack([ring, ring[:1]])
    points = np.concatenate([np.column_stack([closed_ring, np.full(sides + 1, z)]) for z in (0.0, HEIGHT)])
    edges = EdgeTable(
        points=move_points(pose, points),
        offsets=np.array([0, sides + 1, 2 * sides + 2]),
        faces=np.array([[0, 2], [1, 0]], dtype=np.int32),
        kind=np.full(2, CurveKind.CIRCLE, dtype=np.uint8),
        origin=move_points(pose, np.array([[0.0, 0, 0], [0, 0, HEIGHT]])),
        axis=turn_vectors(pose, np.array([[0.0, 0, 1], [0, 0, -1]])),
        radius=np.full(2, RADIUS),
        angle=np.full(2, np.pi / 2),
    )
    chord = RADIUS * (1 - np.cos(np.pi / sides))
    mesh = TriangleMesh(move_points(pose, vertices), wound)
    return Nominal(mesh, np.array(face, dtype=np.int32), faces, edges, True, "step", "0" * 64, chord)


def true_distance(points: np.ndarray) -> np.ndarray:
    """Signed distance to the capped cylinder: that of a rectangle in the half plane of radius and height."""
    r = np.hypot(points[:, 0], points[:, 1]) - RADIUS
    h = np.abs(points[:, 2] - HEIGHT / 2) - HEIGHT / 2
    outside = np.hypot(np.maximum(r, 0), np.maximum(h, 0))
    return outside + np.minimum(np.maximum(r, h), 0)


def hard_points(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    turn = rng.uniform(-4, 4, 3000)
    rim = np.column_stack([RADIUS * np.cos(turn), RADIUS * np.sin(turn), rng.choice([0.0, HEIGHT], 3000)])
    return np.concatenate(
        [
            rng.uniform((-12, -12, -6), (12, 12, 18), (6000, 3)),
            rim + rng.uniform(-0.05, 0.05, (3000, 3)),
            np.column_stack([rng.normal(0, 1e-4, (500, 2)), rng.uniform(-3, 15, 500)]),
            rim,
        ]
    )


@pytest.mark.parametrize("hollow", [False, True])
@pytest.mark.parametrize("moved", [False, True])
@pytest.mark.parametrize("sides", [40, 12])
def test_capped_cylinder_everywhere(hollow, moved, sides):
    """Also with a mesh of 12 sides (chord 0.24 mm): the mesh only finds the face, it never enters the distance."""
    pose = rigid(rotation_from_vector(np.array([0.3, -1.0, 0.7])), np.array([30.0, -200, 500])) if moved else np.eye(4)
    local = hard_points(1)
    points = move_points(pose, local)
    closest = SurfaceIndex.build(capped_cylinder(sides, pose, hollow)).closest(points)
    expected = true_distance(local) * (-1 if hollow else 1)
    assert np.abs(np.abs(closest.distance) - np.abs(expected)).max() < (1e-11 if not moved else 1e-10)
    sure = np.abs(expected) > 1e-9
    assert (np.sign(closest.distance) == np.sign(expected))[sure].all()
    # borders: exactly the points beyond both the mantle's and an end's extent
    r = np.hypot(local[:, 0], local[:, 1]) - RADIUS
    h = np.abs(local[:, 2] - HEIGHT / 2) - HEIGHT / 2
    beyond = (r > 1e-9) & (h > 1e-9)
    assert closest.on_border[beyond].all()
    assert not closest.on_border[(r < -1e-9) | (h < -1e-9)].any()
    inner = (h < -1e-6) & (np.abs(r) < 0.02)
    assert (closest.face[inner & (np.abs(r) < np.abs(h))] == 0).all()
    assert np.linalg.norm(points - closest.point, axis=1) == pytest.approx(np.abs(expected), abs=1e-10)


def test_arrays_and_back():
    index = SurfaceIndex.build(capped_cylinder())
    arrays = index.to_arrays()
    assert all(isinstance(array, np.ndarray) and array.dtype != object for array in arrays.values())
    again = SurfaceIndex.from_arrays(arrays)
    points = hard_points(2)[:2000]
    a, b = index.closest(points), again.closest(points)
    for name in ("point", "distance", "normal", "triangle", "face", "on_border"):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
    with pytest.raises(KeyError):
        SurfaceIndex.from_arrays({k: v for k, v in arrays.items() if k != "mesh.corners"})


def test_beyond_the_asked_distance():
    index = SurfaceIndex.build(capped_cylinder())
    points = np.array([[RADIUS + 0.4, 0, 6], [RADIUS + 0.6, 0, 6], [0, 0, 6], [np.nan, 0, 0], [RADIUS - 0.4, 0, 6]])
    closest = index.closest(points, 0.5)
    assert list(closest.found) == [True, False, False, False, True]
    assert closest.distance[[0, 4]] == pytest.approx([0.4, -0.4], abs=1e-12)
    assert np.isposinf(closest.distance[1:4]).all()
    assert np.isnan(closest.point[1:4]).all() and (closest.normal[1:4] == 0).all()
    assert (closest.face[1:4] == -1).all() and not closest.on_border[1:4].any()
    # just beyond, on the side where the mesh is nearer than the surface
    deep = np.array([[RADIUS * np.cos(0.5 * np.pi / 20) - 0.5, RADIUS * np.sin(0.5 * np.pi / 20), 6.0]])
    truth = true_distance(deep)[0]
    assert index.closest(deep, abs(truth) * (1 + 1e-9)).found.all()
    assert not index.closest(deep, abs(truth) * (1 - 1e-9)).found.any()


def test_wrong_shapes_are_refused():
    index = SurfaceIndex.build(capped_cylinder())
    with pytest.raises(ValueError, match=r"\(n, 3\)"):
        index.closest(np.zeros((3, 2)))
    with pytest.raises(ValueError, match="at least one triangle"):
        SurfaceIndex.build(capped_cylinder(), triangles=np.zeros(160, dtype=bool))
    with pytest.raises(ValueError, match="mask"):
        SurfaceIndex.build(capped_cylinder(), triangles=np.ones(3, dtype=bool))


def test_threads_change_nothing(monkeypatch):
    index = SurfaceIndex.build(capped_cylinder())
    points = np.random.default_rng(5).uniform(-12, 18, (20_000, 3))
    monkeypatch.setenv("NUMBA_NUM_THREADS", "1")
    one = index.closest(points)
    monkeypatch.setenv("NUMBA_NUM_THREADS", "4")
    four = index.closest(points)
    np.testing.assert_array_equal(one.distance, four.distance)
    np.testing.assert_array_equal(one.triangle, four.triangle)


def mesh_nominal(mesh: TriangleMesh) -> Nominal:
    count = len(mesh.triangles)
    none = FaceTable(
        kind=np.zeros(1, np.uint8),
        origin=np.full((1, 3), np.nan),
        axis=np.full((1, 3), np.nan),
        radius=np.full(1, np.nan),
        minor=np.full(1, np.nan),
        outward=np.ones(1, np.int8),
        area=np.ones(1),
    )
    edges = EdgeTable(
        points=np.zeros((0, 3)),
        offsets=np.zeros(1, np.int64),
        faces=np.zeros((0, 2), np.int32),
        kind=np.zeros(0, np.uint8),
        origin=np.zeros((0, 3)),
        axis=np.zeros((0, 3)),
        radius=np.zeros(0),
        angle=np.zeros(0),
    )
    return Nominal(mesh, np.zeros(count, np.int32), none, edges, True, "mesh", "0" * 64, 0.0)


def test_mesh_nominal_is_libigl():
    """Source: libigl signed distance with pseudonormals, on a closed mesh with sharp edges and a reentrant corner."""
    import igl

    box = capped_cylinder(9).mesh
    # a spike inwards at the upper end makes vertices where face normals disagree about the sign
    vertices = box.vertices.copy()
    vertices[-1] = (0.5, 0.2, 3.0)
    mesh = TriangleMesh(vertices, box.triangles)
    points = np.random.default_rng(6).uniform((-12, -12, -6), (12, 12, 18), (5000, 3))
    expected = igl.signed_distance(
        points, vertices, box.triangles.astype(np.int64), igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    )[0]
    closest = SurfaceIndex.build(mesh_nominal(mesh)).closest(points)
    assert closest.distance == pytest.approx(expected, abs=1e-9)
    _, signed, _ = TriangleIndex(mesh).signed(points)
    assert signed == pytest.approx(expected, abs=1e-9)


def test_open_mesh_takes_the_side_of_the_nearest_triangle():
    mesh = TriangleMesh(
        np.array([[0.0, 0, 0], [4, 0, 0], [4, 4, 0], [0, 4, 0]]), np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    )
    index = TriangleIndex(mesh)
    assert not index.closed
    _, distance, _ = index.signed(np.array([[1.0, 2, 3], [1, 2, -3], [-1, -1, 0.5], [-1, -1, -0.5]]))
    assert list(np.sign(distance)) == [1, -1, 1, -1]
    closest = SurfaceIndex.build(mesh_nominal(mesh)).closest(np.array([[1.0, 2, 3], [-1, 2, 1]]))
    assert list(closest.on_border) == [False, True]


def test_pseudonormals_are_libigls():
    import igl

    mesh = capped_cylinder(11).mesh
    around = adjacency(mesh)
    expected = igl.per_vertex_normals(
        mesh.vertices, mesh.triangles.astype(np.int64), igl.PER_VERTEX_NORMALS_WEIGHTING_TYPE_ANGLE
    )
    assert around.vertex_normal == pytest.approx(np.asarray(expected), abs=1e-12)
    assert around.closed


def test_triangle_without_height_takes_its_neighbours_normal():
    """Three points in line, as CAD meshers make them along a generatrix, must not spoil the sign beside it."""
    v = np.array([[0.0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0], [5.0, 5.0, 1e-16]])
    triangles = np.array([[0, 1, 2], [0, 4, 3], [4, 2, 3], [0, 2, 4]], dtype=np.int32)
    around = adjacency(TriangleMesh(v, triangles))
    assert np.abs(around.triangle_normal - [0, 0, 1]).max() < 1e-9
    _, distance, _ = TriangleIndex(TriangleMesh(v, triangles)).signed(
        np.array([[3.0, 3.0, -2.0], [5, 5, 2.0], [7, 7, -1e-3]])
    )
    assert distance == pytest.approx([-2.0, 2.0, -1e-3], abs=1e-12)
