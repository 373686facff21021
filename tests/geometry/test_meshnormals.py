from __future__ import annotations

import numpy as np

from runner.geometry.meshnormals import triangle_normals, vertex_normals


def box() -> tuple[np.ndarray, np.ndarray]:
    """A unit cube, each side cut along one diagonal, wound outwards."""
    points = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=float)
    quads = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    triangles = [t for a, b, c, d in quads for t in ([a, b, c], [a, c, d])]
    return points, np.array(triangles, dtype=np.int32)


def test_corner_of_a_cube_whatever_the_diagonals() -> None:
    points, triangles = box()
    expected = (points - 0.5) / np.linalg.norm(points - 0.5, axis=1)[:, None]
    assert np.abs(vertex_normals(points, triangles) - expected).max() < 1e-15
    normals, areas = triangle_normals(points, triangles)
    assert np.allclose(areas, 0.5) and np.allclose(np.abs(normals).max(axis=1), 1.0)
    assert ((points[triangles].mean(axis=1) - 0.5) * normals).sum(axis=1).min() > 0


def test_far_from_the_origin() -> None:
    points, triangles = box()
    near, far = vertex_normals(points, triangles), vertex_normals(points + 2.0**20, triangles)
    assert np.array_equal(near, far)


def test_degenerate_triangles_and_loose_vertices_give_zero() -> None:
    points = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0], [9, 9, 9]])
    triangles = np.array([[0, 1, 2]], dtype=np.int32)
    assert not vertex_normals(points, triangles).any()
    normals, areas = triangle_normals(points, triangles)
    assert not normals.any() and not areas.any()


def test_against_libigl() -> None:
    """Oracle: libigl's angle-weighted vertex normals, on a bumpy sphere."""
    import igl
    import open3d

    mesh = open3d.geometry.TriangleMesh.create_sphere(10.0, 30)
    points, triangles = np.asarray(mesh.vertices).copy(), np.asarray(mesh.triangles).astype(np.int32)
    points += np.random.default_rng(4).normal(0, 0.1, points.shape)
    theirs = igl.per_vertex_normals(points, triangles, igl.PER_VERTEX_NORMALS_WEIGHTING_TYPE_ANGLE)
    assert np.abs(vertex_normals(points, triangles) - theirs).max() < 1e-9
