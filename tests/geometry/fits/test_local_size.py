"""Two-point sizes against analytic sections."""

import numpy as np
import pytest

from runner.geometry.fits import FailedFit
from runner.geometry.fits.local_size import local_diameters
from runner.geometry.shapes import Cylinder

AXIS = Cylinder((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 10.0)


def surface(radius, rows=400, heights=20):
    a, z = np.meshgrid(np.arange(rows) * 2 * np.pi / rows, np.linspace(0, 30, heights))
    a, z = a.ravel(), z.ravel()
    r = radius(a, z)
    return np.column_stack([r * np.cos(a), r * np.sin(a), z])


def test_oval():
    found = local_diameters(surface(lambda a, z: 10 + 0.05 * np.cos(2 * a)), AXIS, sections=3, bins=40)
    # averaged over a bin of 9 degrees: sinc(2 x 4.5 degrees)
    share = np.sin(np.radians(9)) / np.radians(9)
    assert found.largest == pytest.approx(20 + 0.1 * share * np.cos(np.radians(9)), abs=5e-4)
    assert found.smallest == pytest.approx(20 - 0.1 * share * np.cos(np.radians(9)), abs=1e-3)
    assert found.mean == pytest.approx(20.0, abs=1e-3)


def test_three_lobes_hide_from_two_points():
    """A constant-width form: two-point sizes are all alike, though the roundness is 0.1 (common practice)."""
    found = local_diameters(surface(lambda a, z: 10 + 0.05 * np.cos(3 * a)), AXIS, sections=3, bins=40)
    assert found.largest - found.smallest < 4e-3


def test_taper_goes_with_the_section():
    found = local_diameters(surface(lambda a, z: 10 + 0.001 * z, heights=61), AXIS, sections=6, bins=12)
    assert found.sections_seen == 6
    for k in range(6):
        rows = np.isclose(found.heights, 2.5 + 5 * k)
        assert found.diameters[rows] == pytest.approx(np.full(6, 20 + 0.002 * (2.5 + 5 * k)), abs=6e-4)


def test_one_side_only_is_not_measured():
    p = surface(lambda a, z: 10 + 0 * a)
    found = local_diameters(p[p[:, 0] > 1.0], AXIS)
    assert isinstance(found, FailedFit)
    assert "one side only" in found.reason


def test_noise_is_averaged_within_a_bin():
    rng = np.random.default_rng(1)
    p = surface(lambda a, z: 10 + rng.normal(0, 0.02, a.shape), rows=720, heights=60)
    found = local_diameters(p, AXIS, sections=5, bins=24)
    # 360 points to a bin, two bins to a size
    assert found.diameters.std() == pytest.approx(0.02 * np.sqrt(2 / 360), rel=0.35)
    assert found.points.min() == 720


def test_bins_must_be_even():
    with pytest.raises(ValueError, match="even"):
        local_diameters(np.zeros((5, 3)), AXIS, bins=7)
