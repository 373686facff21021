"""Sums over many points against the plain matrices that they stand for, and bodies against SciPy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from runner.align.bodies import bodies, islands
from runner.align.sums import equations


def test_equations_are_the_products_of_the_rows():
    rng = np.random.default_rng(4)
    moved = rng.uniform(-80, 80, (3, 500, 3)) + 1e4
    direction = rng.normal(size=moved.shape)
    direction /= np.linalg.norm(direction, axis=-1, keepdims=True)
    weight, residual = rng.uniform(0, 2, (3, 500)) * (rng.uniform(size=(3, 500)) > 0.2), rng.normal(size=(3, 500))
    centre, half = np.array([1e4, 1e4 - 3, 1e4 + 7]), 60.0
    hessian, gradient = equations(moved, direction, weight, residual, centre, half)
    rows = np.concatenate([np.cross(moved - centre, direction) / half, direction], axis=-1)
    for p in range(3):
        assert hessian[p] == pytest.approx(rows[p].T @ (weight[p, :, None] * rows[p]), rel=1e-12, abs=1e-9)
        assert gradient[p] == pytest.approx(rows[p].T @ (weight[p] * residual[p]), rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(("count", "links"), [(0, 0), (1, 0), (50, 20), (1000, 700), (20_000, 25_000)])
def test_bodies_are_the_connected_components(count, links):
    """``scipy.sparse.csgraph.connected_components``, of which the numbers are in order of first points too."""
    pairs = np.random.default_rng(count).integers(0, max(count, 1), (links, 2))
    if not count:
        assert len(bodies(pairs, 0)) == 0
        return
    graph = coo_matrix((np.ones(links), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    assert np.array_equal(bodies(pairs, count), connected_components(graph, directed=False)[1])


@pytest.mark.parametrize(
    ("count", "radius"), [(0, 1.0), (1, 1.0), (300, 80.0), (2000, 40.0), (2000, 500.0), (2000, 1e-3)]
)
def test_islands_are_the_bodies_of_all_pairs(count, radius):
    """``scipy.spatial.cKDTree.query_pairs``; the finest of these grids has more cells than there are numbers."""
    points = 1000.0 * np.random.default_rng(count).random((count, 3))
    if not count:
        assert len(islands(points, radius)) == 0
        return
    pairs = cKDTree(points).query_pairs(radius, output_type="ndarray")
    assert np.array_equal(islands(points, radius), bodies(pairs, count))


def test_points_a_radius_apart_touch():
    grid = np.stack(np.meshgrid(*3 * [np.arange(5.0)], indexing="ij"), axis=-1).reshape(-1, 3)
    assert islands(grid, 1.0).max() == 0
    assert islands(grid, 0.999).max() == len(grid) - 1
