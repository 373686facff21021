"""Which points are specks, and which never are."""

import numpy as np
import pytest

from runner.measure.cells import make_cells
from runner.measure.specks import find_specks, isolated

SPACING = 0.4


def sheet(n=100, step=SPACING, seed=0):
    """Jittered points on z = 0."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(n) * step, np.arange(n) * step)
    flat = np.column_stack([x.ravel(), y.ravel()]) + rng.uniform(-0.3, 0.3, (n * n, 2)) * step
    return np.column_stack([flat, np.zeros(len(flat))])


def grid_mesh(n=60, step=0.3):
    """A flat mesh of n x n vertices, looking up."""
    x, y = np.meshgrid(np.arange(n) * step, np.arange(n) * step)
    k = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    triangles = np.vstack([np.column_stack([k, k + 1, k + n]), np.column_stack([k + 1, k + n + 1, k + n])])
    return np.column_stack([x.ravel(), y.ravel(), np.zeros(n * n)]), triangles.astype(np.int32)


def cloud_specks(points):
    return find_specks(points, make_cells(points), SPACING)


@pytest.mark.parametrize("size", [1, 2, 3, 5])
def test_a_small_group_with_nothing_around_is_a_speck(size):
    surface = sheet()
    group = np.array([20.0, 20.0, 2.0]) + 0.3 * np.arange(size)[:, None] * np.array([1.0, 0.3, 0.0])
    found = cloud_specks(np.vstack([surface, group]))
    assert found[len(surface) :].all()
    assert not found[: len(surface)].any()


def test_a_lone_point_over_dense_surface_is_a_speck_and_a_close_one_is_not():
    surface = sheet()
    above = np.array([[20.0, 20.0, 2.1 * SPACING], [10.0, 10.0, 1.0 * SPACING]])
    found = cloud_specks(np.vstack([surface, above]))
    assert list(found[len(surface) :]) == [True, False]


def test_a_burr_and_a_bent_flange_stay():
    surface = sheet()
    # a needle of points one spacing apart, standing on the surface, and a strip 3 mm above it
    burr = np.column_stack([np.full(8, 20.0), np.full(8, 20.0), SPACING * np.arange(1, 9)])
    strip = sheet(12) + np.array([5.0, 5.0, 3.0])
    assert not cloud_specks(np.vstack([surface, burr, strip])).any()


@pytest.mark.parametrize("sparse", [2.2, 2.6, 3.0])
def test_a_thinly_seen_surface_is_no_heap_of_specks(sparse):
    # a wall seen at a low angle: the points there lie much farther apart than on the rest
    rng = np.random.default_rng(1)
    count = int(20 * 20 / (sparse * SPACING) ** 2)
    wall = np.column_stack([rng.uniform(0, 20, count), np.full(count, -5.0), rng.uniform(5, 25, count)])
    found = cloud_specks(np.vstack([sheet(), wall]))
    assert found[-count:].mean() < 0.04


def test_a_tiny_island_of_a_mesh_is_a_speck_and_a_fringe_is_not():
    points, triangles = grid_mesh()
    n = len(points)
    island = np.array([[6.0, 6.0, 0.9], [6.3, 6.0, 0.9], [6.0, 6.3, 0.9]])  # 2.25 spacings above
    fringe = np.array([[18.0, 6.0, 0.0], [18.3, 6.0, 0.0], [18.0, 6.3, 0.0]])  # beside the border: one step off
    every = np.vstack([points, island, fringe])
    joined = np.vstack([triangles, np.array([[n, n + 1, n + 2], [n + 3, n + 4, n + 5]], np.int32)])
    normals = np.tile([0.0, 0.0, 1.0], (len(every), 1))
    found = find_specks(every, make_cells(every), SPACING, joined, normals)
    assert found[n : n + 3].all()
    assert not found[:n].any() and not found[n + 3 :].any()


def test_a_tiny_island_across_the_surface_is_no_part_of_it():
    points, triangles = grid_mesh()
    n = len(points)
    across = np.array([[6.0, 6.1, 0.1], [6.3, 6.1, 0.1], [6.0, 6.1, 0.4]])
    every = np.vstack([points, across])
    joined = np.vstack([triangles, np.array([[n, n + 1, n + 2]], np.int32)])
    normals = np.vstack([np.tile([0.0, 0.0, 1.0], (n, 1)), np.tile([0.0, -1.0, 0.0], (3, 1))])
    assert find_specks(every, make_cells(every), SPACING, joined, normals)[n:].all()


def test_a_mesh_of_separate_triangles_keeps_them_all():
    # a file whose corners could not be welded: every triangle is its own island
    points, triangles = grid_mesh(30)
    soup = points[triangles].reshape(-1, 3)
    alone = np.arange(len(soup), dtype=np.int32).reshape(-1, 3)
    normals = np.tile([0.0, 0.0, 1.0], (len(soup), 1))
    assert not find_specks(soup, make_cells(soup), SPACING, alone, normals).any()


def test_no_points_and_no_spacing():
    assert isolated(np.zeros((0, 3)), 0.4).shape == (0,)
    assert not isolated(np.zeros((4, 3)), 0.0).any()
    # a handful of points in all: nothing there is a surface
    assert isolated(np.array([[0.0, 0, 0], [9, 0, 0], [0, 9, 0]]), 0.4).all()


def test_company_counts_as_brute_force_does():
    from scipy.spatial import cKDTree

    from runner.measure.company import company

    points = np.random.default_rng(3).uniform(0, 10, (3000, 3))
    tree = cKDTree(points)
    for radius in (0.2, 0.5, 1.4):
        wanted = np.minimum(tree.query_ball_point(points, radius, return_length=True) - 1, 5)
        assert np.array_equal(company(points, make_cells(points), radius, 5), wanted)
