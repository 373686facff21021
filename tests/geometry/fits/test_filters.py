"""Gaussian form filter: published transmission and a direct sum; noise zones: tables and simulation."""

import csv
from pathlib import Path

import numpy as np
import pytest

from runner.geometry.fits import filters
from runner.geometry.shapes import Cylinder, Plane

ROOM = Path(__file__).parents[2] / "reference"
FLAT = Plane((0.0, 0.0, 0.0), (0.0, 0.0, 1.0))


def direct(places, heights, cutoff):
    """The weighting function of ISO 16610-61, summed point by point."""
    d2 = ((places[:, None] - places[None]) ** 2).sum(axis=2)
    w = np.exp(-np.pi * d2 / (np.log(2) / np.pi * cutoff**2))
    return (w @ heights) / w.sum(axis=1)


def test_against_the_direct_sum():
    rng = np.random.default_rng(1)
    places = rng.uniform(0, 10, (1500, 2))
    heights = np.sin(places[:, 0]) + rng.normal(0, 0.3, 1500)
    found = filters.gaussian(places, heights, 2.5)
    assert np.abs(found.heights - direct(places, heights, 2.5)).max() < 3e-3


@pytest.mark.parametrize(("wave", "share"), [(2.5, 0.5), (5.0, 2**-0.25), (1.25, 2**-4.0), (25.0, 2**-0.01)])
def test_transmission(wave, share):
    """Gain exp(-pi (alpha L / wave)^2) = 2^-(L / wave)^2: half at the cut-off (ISO 16610-61)."""
    x, y = np.meshgrid(np.arange(0, 50, 0.2), np.arange(0, 12, 0.2))
    p = np.column_stack([x.ravel(), y.ravel(), 0.01 * np.cos(2 * np.pi * x.ravel() / wave)])
    found = filters.filter_plane(p, FLAT, 2.5)
    inside = (np.abs(p[:, 0] - 25) < 13) & (np.abs(p[:, 1] - 6) < 3)
    basis = np.cos(2 * np.pi * p[inside, 0] / wave)
    gain = (found.heights[inside] @ basis) / (0.01 * basis @ basis)
    assert gain == pytest.approx(share, abs=3e-3)


def test_cylinder_is_closed_around_the_seam():
    a, z = np.meshgrid(np.arange(0, 2 * np.pi, 2 * np.pi / 400), np.arange(0, 20, 0.3))
    a, z = a.ravel(), z.ravel()
    r = 10 + 0.01 * np.cos(2 * a)
    p = np.column_stack([r * np.cos(a), r * np.sin(a), z])
    found = filters.filter_cylinder(p, Cylinder((0, 0, 0), (0, 0, 1), 10.0), 2.5)
    gain = 2 ** -((2.5 / (2 * np.pi * 10 / 2)) ** 2)
    assert np.abs(found.heights - 0.01 * gain * np.cos(2 * a)).max() < 2e-5
    assert found.zone == pytest.approx(0.02 * gain, rel=2e-3)


def test_a_constant_and_a_border_stay():
    rng = np.random.default_rng(2)
    p = np.column_stack([rng.uniform(0, 30, (5000, 2)), np.full(5000, 0.125)])
    found = filters.filter_plane(p, FLAT, 2.5)
    assert found.heights == pytest.approx(np.full(5000, 0.125), abs=1e-12)
    corner = np.argmin(p[:, 0] + p[:, 1])
    assert found.support[corner] < 0.5


def test_noise_zone_is_the_control_chart_constant():
    """d2 for n = 2 to 25 (ISO 7870-2; ASTM MNL 7)."""
    rows = [r for r in (ROOM / "spc_control_chart_constants.csv").read_text().splitlines() if not r.startswith("#")]
    table = list(csv.DictReader(rows))
    assert len(table) >= 24
    for row in table:
        assert filters.noise_zone(1.0, int(row["n"])) == pytest.approx(float(row["d2"]), abs=2e-6)


def test_noise_zone_of_many_points():
    rng = np.random.default_rng(3)
    seen = [np.ptp(rng.normal(0, 0.02, 10_000)) for _ in range(300)]
    assert filters.noise_zone(0.02, 10_000) == pytest.approx(np.mean(seen), abs=4 * np.std(seen) / np.sqrt(300))
    # 8.77 standard deviations for 100,000 points, by adaptive quadrature of the same integral in SciPy
    assert filters.noise_zone(0.02, 100_000) == pytest.approx(8.76863880620976 * 0.02, rel=1e-6)


def test_filtered_noise_by_simulation():
    rng = np.random.default_rng(4)
    x, y = np.meshgrid(np.arange(0, 40, 0.2), np.arange(0, 40, 0.2))
    places = np.column_stack([x.ravel(), y.ravel()])
    spreads, zones = [], []
    for _ in range(12):
        found = filters.gaussian(places, rng.normal(0, 0.02, len(places)), 2.5)
        inside = np.abs(places - 20).max(axis=1) < 16
        spreads.append(found.heights[inside].std())
        zones.append(np.ptp(found.heights[inside]))
    assert np.mean(spreads) == pytest.approx(filters.filtered_noise(0.02, 0.2, 2.5), rel=0.03)
    assert np.mean(zones) == pytest.approx(filters.filtered_noise_zone(0.02, 0.2, 2.5, 32.0**2), rel=0.08)


def test_no_points_and_no_cutoff():
    assert not filters.filter_plane(np.empty((0, 3)), FLAT, 2.5)
    assert not filters.gaussian(np.array([[0.0, np.nan]]), np.zeros(1), 1.0)
    assert "too short" in filters.gaussian(np.array([[0.0, 0.0], [1e4, 1e4]]), np.zeros(2), 0.1).reason
    with pytest.raises(ValueError, match="positive length"):
        filters.gaussian(np.zeros((2, 2)), np.zeros(2), 0.0)
