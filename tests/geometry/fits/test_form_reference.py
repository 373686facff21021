"""Form reference sets (each file in tests/reference names its source): zones, inscribed, circumscribed."""

from pathlib import Path

import numpy as np
import pytest
import yaml

from runner.geometry import fits
from runner.geometry.fits import cylindricity, flatness, roundness

REFERENCE = Path(__file__).parents[2] / "reference"
TIGHT = 1e-9


def load(name):
    return yaml.safe_load((REFERENCE / f"form_{name}.yaml").read_text())


def test_straightness():
    data = load("straightness")
    points, expected = np.array(data["points"]), data["reference"]
    zone = flatness.zone_line2d(points)
    assert zone.width == pytest.approx(expected["minimum_zone_straightness"], abs=1e-14)
    numerator, denominator = map(int, expected["minimum_zone_squared_exact"].split("/"))
    assert zone.width**2 == pytest.approx(numerator / denominator, rel=1e-12)
    fit = fits.fit_line2d(points, residuals=True)
    assert np.ptp(fit.residuals) == pytest.approx(expected["least_squares_straightness"], abs=1e-12)
    in_space = flatness.zone_line3d(np.column_stack([points[:, 0], np.full(12, 7.0), points[:, 1]]), (0.0, 1.0, 0.0))
    assert in_space.width == pytest.approx(expected["minimum_zone_straightness"], abs=1e-14)


def test_flatness():
    data = load("flatness_grid")
    points, expected = np.array(data["points"]), data["reference"]
    zone = flatness.zone_plane(points)
    assert zone.width == pytest.approx(expected["minimum_zone_flatness"], abs=1e-14)
    assert np.abs(zone.shape.normal) == pytest.approx(np.abs(expected["minimum_zone_normal"]), abs=1e-12)
    assert len(zone.contacts) == 4
    fit = fits.fit_plane(points, residuals=True)
    assert np.ptp(fit.residuals) == pytest.approx(expected["least_squares_flatness"], abs=1e-12)


@pytest.mark.parametrize("name", ["roundness_constructed", "roundness_87_points"])
def test_roundness(name):
    data = load(name)
    points, expected = np.array(data["points"]), data["recomputed"]
    zone = roundness.zone_circle(points)
    wanted = expected["minimum_zone"]
    assert zone.width == pytest.approx(wanted["roundness"], abs=1e-12)
    assert zone.shape.centre[:2] == pytest.approx(wanted["center"], abs=TIGHT)
    assert zone.shape.radius == pytest.approx((wanted["outer_radius"] + wanted["inner_radius"]) / 2, abs=TIGHT)
    for fit, key in (
        (roundness.circumscribed_circle, "minimum_circumscribed"),
        (roundness.inscribed_circle, "maximum_inscribed"),
    ):
        found = fit(points)
        assert found.shape.centre[:2] == pytest.approx(expected[key]["center"], abs=TIGHT), key
        assert found.shape.radius == pytest.approx(expected[key]["radius"], abs=TIGHT), key
        assert found.imbalance < 1e-9
    least_squares = fits.fit_circle2d(points, residuals=True)
    assert np.ptp(least_squares.residuals) == pytest.approx(expected["least_squares"]["roundness"], abs=TIGHT)


def test_cylindricity():
    data = load("cylindricity")
    points, expected = np.array(data["points"]), data["reference"]

    def crossing(cylinder):
        """Point of the axis at z = 0."""
        p, w = np.array(cylinder.point), np.array(cylinder.axis)
        return p - w * p[2] / w[2]

    zone = cylindricity.zone_cylinder(points)
    wanted = expected["minimum_zone"]
    assert zone.width == pytest.approx(wanted["cylindricity"], abs=1e-12)
    # the file's axes are given to what two optimisers agreed on, not to 1e-9
    assert crossing(zone.shape) == pytest.approx(wanted["axis_point_at_z0"], abs=1e-7)
    assert zone.shape.axis == pytest.approx(wanted["axis_direction"], abs=1e-9)
    for fit, key in (
        (cylindricity.circumscribed_cylinder, "minimum_circumscribed"),
        (cylindricity.inscribed_cylinder, "maximum_inscribed"),
    ):
        found = fit(points)
        assert found.shape.radius == pytest.approx(expected[key]["radius"], abs=TIGHT), key
        assert crossing(found.shape) == pytest.approx(expected[key]["axis_point_at_z0"], abs=1e-7), key
        assert found.imbalance < 1e-9
    fit = fits.fit_cylinder(points, residuals=True)
    wanted = expected["least_squares"]
    assert fit.shape.radius == pytest.approx(wanted["radius"], abs=TIGHT)
    assert crossing(fit.shape) == pytest.approx(wanted["axis_point_at_z0"], abs=TIGHT)
    assert np.ptp(fit.residuals) == pytest.approx(wanted["cylindricity"], abs=TIGHT)
