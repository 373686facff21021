"""Gaussian means over a surface against the defining sum, and against mixing two surfaces."""

import numpy as np
import pytest

from runner.measure.characteristics.smooth import smoothed


def plane_points(seed=0, count=20_000, size=30.0):
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.uniform(0, size, (count, 2)), np.zeros(count)])


@pytest.mark.parametrize("cutoff", [2.5, 4.0])
def test_a_wave_of_the_cutoff_passes_by_half(cutoff):
    # ISO 16610-61: transmission 50 % at the cut-off
    points = plane_points()
    means, at = smoothed(points, 0.1 * np.sin(2 * np.pi * points[:, 0] / cutoff), cutoff)
    inner = np.all((points[at, :2] > cutoff) & (points[at, :2] < 30 - cutoff), axis=1)
    wave = np.sin(2 * np.pi * points[at, 0][inner] / cutoff)
    amplitude = float(wave @ means[inner] / (wave @ wave))
    assert amplitude == pytest.approx(0.05, rel=0.08)


def test_means_equal_the_defining_sum():
    points = plane_points(1, 3000, 12.0)
    values = np.random.default_rng(2).normal(size=len(points))
    means, at = smoothed(points, values, 3.0)
    for mean, row in list(zip(means, at, strict=True))[::40]:
        square = np.sum((points - points[row]) ** 2, axis=1)
        weight = np.exp(-np.pi * square / (np.log(2) / np.pi * 9.0))
        # points are first put together in bins of an eighth of the cut-off
        assert mean == pytest.approx(float(weight @ values / weight.sum()), abs=0.12)


def test_the_two_sides_of_a_sheet_and_two_faces_at_an_edge_do_not_mix():
    upper, lower = plane_points(3), plane_points(4) - np.array([0.0, 0.0, 0.5])
    wall = plane_points(5)[:, [2, 0, 1]] - np.array([0.0, 0.0, 30.5])
    points = np.vstack([upper, lower, wall])
    one = len(upper)
    normals = np.repeat([[0.0, 0, 1], [0.0, 0, -1], [-1.0, 0, 0]], one, axis=0)
    values = np.repeat([0.3, -0.2, 0.0], one)
    means, at = smoothed(points, values, 2.5, normals, np.repeat([0, 1, 2], one))
    assert np.abs(means - values[at]).max() < 1e-12


def test_every_point_has_a_mean_near_it():
    from scipy.spatial import cKDTree

    points = plane_points(6, 2000)
    _, at = smoothed(points, np.zeros(len(points)), 2.5)
    # one per cube of a quarter of the cut-off
    assert cKDTree(points[at]).query(points)[0].max() < 2.5 / 4 * np.sqrt(2) + 2.5 / 8 * np.sqrt(2)


def test_a_deviation_without_any_neighbour_is_kept():
    points = np.array([[0.0, 0, 0], [50.0, 0, 0]])
    means, at = smoothed(points, np.array([0.1, 0.9]), 2.5, np.zeros((2, 3)))
    assert sorted(means) == pytest.approx([0.1, 0.9])
    assert sorted(at) == [0, 1]
