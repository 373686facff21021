from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from runner.geometry.neighbours import Neighbours, estimate_normals, median_spacing, nearest_distances


def stripes(along: float, across: float, rng: np.random.Generator, *, noise: float = 0.0) -> np.ndarray:
    """A flat patch of 60 x 60 mm scanned in stripes along y, each shifted at random."""
    rows = []
    for x in np.arange(0, 60, across):
        y = np.arange(0, 60, along) + rng.uniform(0, along)
        rows.append(np.stack([np.full_like(y, x), y, np.zeros_like(y)], axis=1))
    points = np.concatenate(rows)
    return points + rng.normal(0, noise, points.shape) if noise else points


@pytest.mark.parametrize(("along", "across"), [(0.2, 0.2), (0.1, 0.3), (0.1, 0.5), (0.05, 0.6)])
def test_spacing_on_stripes(along: float, across: float) -> None:
    points = stripes(along, across, np.random.default_rng(1))
    got = median_spacing(points)
    assert got.nearest_mm == pytest.approx(along, rel=0.15)
    assert got.across_mm == pytest.approx(across, rel=0.3)
    assert got.typical_mm == pytest.approx((along * across) ** 0.5, rel=0.25)


def test_spacing_with_clutter_duplicates_and_any_order() -> None:
    rng = np.random.default_rng(2)
    points = stripes(0.2, 0.25, rng)
    dirty = np.concatenate([points, points[:5000], rng.uniform(-500, 500, (500, 3))])
    got = median_spacing(rng.permutation(dirty))
    assert got.nearest_mm == pytest.approx(0.2, rel=0.1)


def test_spacing_of_next_to_nothing() -> None:
    assert median_spacing(np.zeros((1, 3))).typical_mm == 0.0
    assert median_spacing(np.zeros((50, 3))).typical_mm == 0.0
    assert median_spacing(np.array([[0.0, 0, 0], [3, 4, 0]])).nearest_mm == 5.0


def test_normals_of_a_sphere_far_away() -> None:
    rng = np.random.default_rng(3)
    direction = rng.normal(size=(20000, 3))
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    for shift in (0.0, 1e6):
        normals, curvature = estimate_normals(20.0 * direction + shift, 12)
        assert np.abs((normals * direction).sum(axis=1)).min() > 0.995
        assert np.nanmax(curvature) < 0.02


def test_normals_against_eigenvectors() -> None:
    """Oracle: numpy.linalg.eigh of the same neighbours found by brute force."""
    points = np.random.default_rng(4).normal(size=(300, 3)) * (5.0, 3.0, 1.0)
    normals, curvature = estimate_normals(points, 10)
    for i, point in enumerate(points):
        near = points[np.argsort(((points - point) ** 2).sum(axis=1))[:10]]
        values, vectors = np.linalg.eigh(np.cov(near.T))
        assert abs(normals[i] @ vectors[:, 0]) > 1 - 1e-12
        assert curvature[i] == pytest.approx(values[0] / values.sum(), abs=1e-12)


def test_other_side_of_a_sheet_is_left_out_by_radius() -> None:
    x, y = np.meshgrid(np.arange(0, 20, 1.0), np.arange(0, 20, 1.0))
    one = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    both = np.concatenate([one, one + (0.5, 0.5, 2.0)])
    normals, _ = estimate_normals(both, 16, radius_mm=1.5)
    assert np.abs(np.abs(normals[:, 2]) - 1).max() < 1e-12


def test_no_normal_on_a_line_or_alone() -> None:
    line = np.stack([np.arange(50.0), np.zeros(50), np.zeros(50)], axis=1)
    normals, curvature = estimate_normals(line, 8)
    assert not normals.any() and np.isnan(curvature).all()
    normals, curvature = estimate_normals(np.zeros((2, 3)))
    assert not normals.any() and np.isnan(curvature).all()
    assert not estimate_normals(np.zeros((30, 3)))[0].any()


def test_nearest_distances() -> None:
    points = np.array([[0.0, 0, 0], [1, 0, 0], [3, 0, 0]])
    assert nearest_distances(points).tolist() == [1, 1, 2]
    assert nearest_distances(points, 2).tolist() == [3, 2, 3]
    assert np.isinf(nearest_distances(points[:1])).all()


def test_neighbours_are_those_of_a_plain_tree() -> None:
    """Oracle: scipy.spatial.cKDTree, asked in the order in which the points stand."""
    rng = np.random.default_rng(5)
    points, asked = rng.normal(size=(4000, 3)) * (50, 20, 1), rng.normal(size=(700, 3)) * 30
    tree, ours = cKDTree(points), Neighbours(points)
    for k, reach in ((1, np.inf), (4, 3.0)):
        distance, index = tree.query(asked, k=[*range(1, k + 1)], distance_upper_bound=reach)
        got, where = ours.of(asked, k, reach)
        assert np.array_equal(got, distance)
        assert np.array_equal(where, index)
        assert (where == len(points)).any() == (reach < np.inf)
    assert np.array_equal(ours.kth_of_own(9), tree.query(points, k=[9])[0][:, 0])
    seen = np.zeros(len(points), dtype=int)
    for rows, near in ours.blocks_of_own(6):
        assert np.array_equal(near, tree.query(points[rows], k=6)[1])
        seen[rows] += 1
    assert (seen == 1).all()
