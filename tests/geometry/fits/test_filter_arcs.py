"""The form filter on part of a turn: only what exists counts, and a cut-off longer than the arc is refused."""

import numpy as np
import pytest

from runner.geometry.fits import filters
from runner.geometry.fits.result import FailedFit
from runner.geometry.shapes import Cylinder

R, CUTOFF = 10.0, 2.5
WHOLE = Cylinder((0, 0, 0), (0, 0, 1), R)


def arc(first, last, wave, count=5000, seed=0, long=8.0):
    rng = np.random.default_rng(seed)
    a, z = rng.uniform(first, last, count), rng.uniform(0, long, count)
    r = R + wave(a, z)
    return a, z, np.column_stack([r * np.cos(a), r * np.sin(a), z])


def direct(a, z, heights, cutoff):
    """The weighting function of ISO 16610-61, summed point by point over the unrolled arc."""
    places = np.column_stack([R * a, z])
    d2 = ((places[:, None] - places[None]) ** 2).sum(axis=2)
    w = np.exp(-np.pi * d2 / (np.log(2) / np.pi * cutoff**2))
    return (w @ heights) / w.sum(axis=1)


# the second arc lies across the seam at half a turn, where the unrolled places begin again
@pytest.mark.parametrize(("first", "last"), [(0.2, 0.2 + np.pi / 2), (np.pi - 0.5, np.pi + 0.4), (0.0, 5.5)])
def test_an_arc_is_filtered_as_the_direct_sum_says(first, last):
    a, z, points = arc(first, last, lambda a, z: 0.01 * np.cos(9 * a) + 0.004 * np.sin(z), count=1500)
    found = filters.filter_cylinder(points, WHOLE, CUTOFF)
    heights = np.hypot(points[:, 0], points[:, 1]) - R
    assert found.heights == pytest.approx(direct(a, z, heights, CUTOFF), abs=1e-4)


@pytest.mark.parametrize(("wave", "share"), [(2.5, 0.5), (5.0, 2**-0.25)])
def test_transmission_within_an_arc(wave, share):
    """Half of a wave of the cut-off's length passes (ISO 16610-61), also where the arc takes an eighth of a turn."""
    number = 2 * np.pi * R / wave
    x, z = (v.ravel() for v in np.meshgrid(np.arange(-5.0, 5.0, 0.1), np.arange(0, 8, 0.2)))
    r = R + 0.01 * np.cos(number * x / R)
    points = np.column_stack([r * np.cos(x / R), r * np.sin(x / R), z])
    found = filters.filter_cylinder(points, WHOLE, CUTOFF)
    inside = (np.abs(x) < 2.5) & (np.abs(z - 4.0) < 1.5)
    basis = np.cos(number * x[inside] / R)
    assert (found.heights[inside] @ basis) / (0.01 * basis @ basis) == pytest.approx(share, abs=4e-3)


def test_a_cutoff_longer_than_the_arc_is_refused():
    # an arc of 15.7 by 8 mm: a filter of 20 mm would leave nothing of it, though half a turn is 31.4 mm
    points = arc(0.0, np.pi / 2, lambda a, z: 0.01 * np.cos(4 * a))[2]
    refused = filters.filter_cylinder(points, WHOLE, 20.0)
    assert isinstance(refused, FailedFit) and "15.7" in refused.reason
    assert filters.filter_cylinder(points, WHOLE, 12.0)
    whole = arc(0.0, 2 * np.pi, lambda a, z: 0.01 * np.cos(2 * a))[2]
    assert filters.filter_cylinder(whole, WHOLE, 20.0)
    assert "half a turn is 31.4" in filters.filter_cylinder(whole, WHOLE, 40.0).reason
