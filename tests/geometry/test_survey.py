from __future__ import annotations

import numpy as np

from runner.geometry.survey import survey, usable_points, used_vertices


def test_points_against_numpy() -> None:
    rng = np.random.default_rng(1)
    points = rng.normal(0, 1e3, (5000, 3))
    for bad in (np.nan, np.inf, -np.inf, 1e200, -1e101):
        points[rng.integers(0, 5000, 50), rng.integers(0, 3, 50)] = bad
    good = (np.isfinite(points) & (np.abs(points) < 1e100)).all(axis=1)
    count, low, high = survey(points)
    assert count == good.sum() < 5000
    assert np.array_equal(usable_points(points), good)
    assert np.array_equal(low, points[good].min(axis=0)) and np.array_equal(high, points[good].max(axis=0))
    assert survey(np.full((3, 3), np.nan))[0] == 0


def test_triangles_with_equal_corners_use_nothing() -> None:
    used, flat = used_vertices(np.array([[0, 1, 2], [3, 3, 4], [4, 5, 4], [6, 5, 5]]), 8)
    assert flat == 3 and np.flatnonzero(used).tolist() == [0, 1, 2]
