"""Nearest triangle and first hit, against brute force written otherwise and against libigl (float64)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.geometry import bvh
from runner.geometry.distance import TriangleIndex
from runner.geometry.mesh import TriangleMesh
from runner.geometry.morton import morton_order


def soup(count: int, seed: int, kind: str) -> np.ndarray:
    """Triangles (m, 3, 3): well-shaped, long slivers as CAD meshers make, or degenerate ones among others."""
    rng = np.random.default_rng(seed)
    centre = rng.uniform(-50, 50, (count, 1, 3))
    if kind == "well shaped":
        return centre + rng.normal(0, 3, (count, 3, 3))
    if kind == "slivers":
        along = rng.normal(0, 1, (count, 3))
        along /= np.linalg.norm(along, axis=1, keepdims=True)
        ends = rng.uniform(20, 400, (count, 1)) * along
        middle = ends * rng.uniform(0.05, 0.95, (count, 1)) + rng.normal(0, 1, (count, 3)) * 10.0 ** rng.uniform(
            -4, 0, (count, 1)
        )
        return centre + np.stack([np.zeros((count, 3)), ends, middle], axis=1)
    corners = centre + rng.normal(0, 3, (count, 3, 3))
    corners[::3, 2] = corners[::3, 0]
    corners[1::3] = corners[1::3, :1]
    return corners


def indexed(corners: np.ndarray) -> TriangleMesh:
    return TriangleMesh(corners.reshape(-1, 3).copy(), np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3))


def brute_distance(points: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """Smallest distance by barycentric projection and by the three edges of every triangle; written otherwise."""
    best = np.full(len(points), np.inf)
    for a, b, c in corners:
        for p, q in ((a, b), (b, c), (c, a)):
            along = q - p
            t = np.clip((points - p) @ along / max(along @ along, 1e-300), 0, 1)
            best = np.minimum(best, np.linalg.norm(points - p - t[:, None] * along, axis=1))
        # the flat inside, from an orthonormal frame of the triangle
        q, r = np.linalg.qr(np.stack([b - a, c - a], axis=1))
        if abs(r[1, 1]) < 1e-10:
            continue
        uv = np.linalg.solve(r, q.T @ (points - a).T)
        inside = (uv >= 0).all(axis=0) & (uv.sum(axis=0) <= 1)
        height = np.linalg.norm(points - a - (q @ (q.T @ (points - a).T)).T, axis=1)
        best[inside] = np.minimum(best[inside], height[inside])
    return best


@pytest.mark.parametrize("kind", ["well shaped", "slivers", "degenerate"])
@pytest.mark.parametrize("count", [1, 2, 7, 300])
def test_nearest_is_brute_force(kind, count):
    corners = soup(count, 1, kind)
    points = np.random.default_rng(2).uniform(-70, 70, (400, 3))
    foot, distance, triangle, _ = TriangleIndex(indexed(corners)).nearest(points)
    assert distance == pytest.approx(brute_distance(points, corners), abs=1e-9)
    assert np.linalg.norm(points - foot, axis=1) == pytest.approx(distance, abs=1e-9)
    # the triangle named holds the foot
    for p, t in zip(foot[:50], triangle[:50], strict=True):
        assert brute_distance(p[None], corners[t : t + 1])[0] < 1e-9


@pytest.mark.parametrize("kind", ["well shaped", "slivers"])
def test_nearest_is_libigl(kind):
    """Source: libigl's own hierarchy, float64."""
    import igl

    mesh = indexed(soup(3000, 3, kind))
    points = np.random.default_rng(4).uniform(-60, 60, (3000, 3))
    foot, distance, _, _ = TriangleIndex(mesh).nearest(points)
    squared, _, other_foot = igl.point_mesh_squared_distance(points, mesh.vertices, mesh.triangles.astype(np.int64))
    assert distance == pytest.approx(np.sqrt(squared), abs=1e-8)
    assert np.median(np.linalg.norm(foot - other_foot, axis=1)) < 1e-9


def test_features():
    mesh = indexed(np.array([[[0, 0, 0], [4, 0, 0], [0, 4, 0]]], dtype=float))
    cases = {
        bvh.FACE: (1, 1, 3),
        bvh.EDGE_AB: (2, -1, 1),
        bvh.EDGE_BC: (3, 3, -2),
        bvh.EDGE_CA: (-1, 2, 0.5),
        bvh.VERTEX_A: (-1, -1, 1),
        bvh.VERTEX_B: (6, -1, 0),
        bvh.VERTEX_C: (-1, 6, 0),
    }
    _, _, _, feature = TriangleIndex(mesh).nearest(np.array(list(cases.values()), dtype=float))
    assert list(feature) == list(cases)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    scale=st.sampled_from([1e-3, 1.0, 1e4]),
    thin=st.sampled_from([1.0, 1e-3, 1e-6, 0.0]),
    shift=st.sampled_from([0.0, 1e4]),
)
def test_one_triangle_of_any_shape(seed, scale, thin, shift):
    rng = np.random.default_rng(seed)
    corners = rng.normal(0, 1, (1, 3, 3))
    corners[0, 2] = corners[0, 0] * 0.4 + corners[0, 1] * 0.6 + thin * rng.normal(0, 1, 3)
    corners = corners * scale + shift
    points = rng.normal(0, 2, (40, 3)) * scale + shift
    _, distance, _, _ = TriangleIndex(indexed(corners)).nearest(points)
    assert distance == pytest.approx(brute_distance(points, corners), abs=1e-9 * scale + 1e-11 * shift)


def test_many_equal_boxes_end():
    """A thousand copies of one triangle can't be parted by any plane."""
    corners = np.repeat(soup(1, 5, "well shaped"), 1000, axis=0)
    points = np.random.default_rng(6).uniform(-70, 70, (100, 3))
    _, distance, _, _ = TriangleIndex(indexed(corners)).nearest(points)
    assert distance == pytest.approx(brute_distance(points, corners[:1]), abs=1e-9)


def test_beyond_the_asked_distance_and_not_finite():
    index = TriangleIndex(indexed(np.array([[[0, 0, 0], [1, 0, 0], [0, 1, 0]]], dtype=float)))
    points = np.array([[0.2, 0.2, 0.5], [0.2, 0.2, 1.5], [np.nan, 0, 0], [np.inf, 0, 0]])
    foot, distance, triangle, _ = index.nearest(points, 1.0)
    assert list(triangle) == [0, -1, -1, -1]
    assert distance[0] == 0.5 and np.isinf(distance[1:]).all() and np.isnan(foot[1:]).all()
    empty = index.nearest(np.zeros((0, 3)))
    assert empty[0].shape == (0, 3) and empty[1].shape == (0,)


def test_threads_change_nothing(monkeypatch):
    mesh = indexed(soup(2000, 7, "well shaped"))
    points = np.random.default_rng(8).uniform(-60, 60, (30_000, 3))
    index = TriangleIndex(mesh)
    monkeypatch.setenv("NUMBA_NUM_THREADS", "1")
    one = index.nearest(points)
    monkeypatch.setenv("NUMBA_NUM_THREADS", "3")
    three = index.nearest(points)
    for a, b in zip(one, three, strict=True):
        np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize("kind", ["well shaped", "slivers"])
def test_first_hit_is_brute_force(kind):
    corners = soup(300, 9, kind)
    rng = np.random.default_rng(10)
    origins = rng.uniform(-60, 60, (500, 3))
    # towards inside points of triangles, so that most rays hit
    aims = np.einsum("ik,ikj->ij", rng.dirichlet((2, 2, 2), 500), corners[rng.integers(300, size=500)])
    directions = (aims - origins) / np.linalg.norm(aims - origins, axis=1, keepdims=True)
    t, triangle = TriangleIndex(indexed(corners)).first_hit(origins, directions)
    expected = np.full(500, np.inf)
    for a, b, c in corners:
        system = np.stack([np.broadcast_to(b - a, (500, 3)), np.broadcast_to(c - a, (500, 3)), -directions], axis=2)
        with np.errstate(all="ignore"):
            u, v, s = np.linalg.solve(system, (origins - a)[..., None])[..., 0].T
        hit = (u >= 0) & (v >= 0) & (u + v <= 1) & (s > 0)
        expected = np.where(hit, np.minimum(expected, s), expected)
    agree = np.isclose(t, expected, atol=1e-8) | (np.isinf(t) & np.isinf(expected))
    # a ray through the rim of a sliver may be counted either way
    assert agree.mean() > 0.995
    assert np.isfinite(t).mean() > 0.95
    assert ((triangle >= 0) == np.isfinite(t)).all()


def test_rays_along_axes_meet_a_cube_everywhere():
    """Rays exactly through edges and corners of a closed mesh must not slip between its triangles."""
    v = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=float)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))], dtype=np.int32)
    index = TriangleIndex(TriangleMesh(v, triangles))
    grid = np.array([[x, y] for x in np.linspace(0, 1, 5) for y in np.linspace(0, 1, 5)])
    origins = np.column_stack([grid, np.full(25, -2.0)])
    t, _ = index.first_hit(origins, np.tile([0.0, 0.0, 1.0], (25, 1)))
    assert t == pytest.approx(2.0, abs=1e-12)
    t, _ = index.first_hit(origins, np.tile([0.0, 0.0, 1.0], (25, 1)), beyond=2.5)
    assert t == pytest.approx(3.0, abs=1e-12)
    t, _ = index.first_hit(origins, np.tile([0.0, 0.0, -1.0], (25, 1)))
    assert np.isinf(t).all()


def test_morton_order_is_a_permutation_that_keeps_neighbours():
    points = np.random.default_rng(11).uniform(0, 100, (5000, 3))
    points[7] = np.nan
    order = morton_order(points)
    assert sorted(order) == list(range(5000))
    known = points[order[np.isfinite(points[order]).all(axis=1)]]
    step = np.linalg.norm(np.diff(known, axis=0), axis=1)
    assert np.median(step) < 10
    assert list(morton_order(np.zeros((4, 3)))) == [0, 1, 2, 3]
    assert len(morton_order(np.zeros((0, 3)))) == 0
