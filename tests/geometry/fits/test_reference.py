"""Every published or constructed reference set for element fits; each file in tests/reference names its source."""

from pathlib import Path

import numpy as np
import pytest
import yaml

from runner.geometry import fits

REFERENCE = Path(__file__).parents[2] / "reference"
TIGHT = 1e-9


def load(name):
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text())


def same_line(point, direction, other_point, other_direction):
    """Largest distance between two lines at the given point, and the angle between them."""
    direction, other = np.array(direction), np.array(other_direction)
    offset = np.array(point) - np.array(other_point)
    return np.linalg.norm(np.cross(offset, other)), np.linalg.norm(np.cross(direction, other))


@pytest.mark.parametrize("name", ["five_points", "full", "gander_golub_strebel"])
def test_circle2d(name):
    data = load(f"fit_circle2d_{name}")
    fit = fits.fit_circle2d(np.array(data["points"], dtype=float))
    values = {
        "center_x": fit.shape.centre[0],
        "center_y": fit.shape.centre[1],
        "radius": fit.shape.radius,
        "sum_of_squares": fit.rms**2 * fit.points,
        "root_sum_of_squares": fit.rms * np.sqrt(fit.points),
    }
    for key, expected in data["recomputed"].items():
        assert values[key] == pytest.approx(expected, abs=TIGHT), key
    for key, printed in data["published"].items():
        assert values[key] == pytest.approx(printed["value"], abs=printed["tolerance"]), key


def test_circle2d_is_not_the_algebraic_fit():
    data = load("fit_circle2d_gander_golub_strebel")
    fit = fits.fit_circle2d(np.array(data["points"], dtype=float))
    assert abs(fit.shape.radius - data["recomputed_algebraic_kasa"]["radius"]) > 0.5


def test_circle2d_of_87_points_from_a_bad_start():
    from runner.geometry.shapes import Circle

    data = load("form_roundness_87_points")
    points = np.array(data["points"], dtype=float)
    for start in (None, Circle((-0.35, 0.35, 0.0), (0, 0, 1), 0.1), Circle((5.0, 5.0, 0.0), (0, 0, 1), 9.0)):
        fit = fits.fit_circle2d(points, start)
        reference = data["recomputed"]["least_squares"]
        assert fit.shape.centre[:2] == pytest.approx(reference["center"], abs=TIGHT)
        assert fit.shape.radius == pytest.approx(reference["radius"], abs=TIGHT)


@pytest.mark.parametrize(
    ("definition", "key"),
    [("orthogonal", "reference_full_orthogonal"), ("two-step", "reference_two_step_plane_then_circle")],
)
def test_circle3d(definition, key):
    data = load("fit_circle3d_full")
    fit = fits.fit_circle3d(np.array(data["points"]), definition=definition)
    expected = data[key]
    assert fit.shape.centre == pytest.approx(expected["center"], abs=TIGHT)
    assert np.abs(fit.shape.axis) == pytest.approx(np.abs(expected["normal"]), abs=1e-12)
    assert fit.shape.radius == pytest.approx(expected["radius"], abs=TIGHT)
    if "sum_of_squares" in expected:
        assert fit.rms**2 * fit.points == pytest.approx(expected["sum_of_squares"], abs=1e-14)


def test_line2d():
    data = load("fit_line2d_pearson")
    fit = fits.fit_line2d(np.array(data["points"]))
    (x, y, _), (dx, dy, _) = fit.shape.point, fit.shape.direction
    slope, intercept = dy / dx, y - x * dy / dx
    assert [slope, intercept] == pytest.approx([data["recomputed"][k] for k in ("slope", "intercept")], abs=TIGHT)
    assert slope == pytest.approx(data["published"]["slope"]["value"], abs=data["published"]["slope"]["tolerance"])
    assert intercept == pytest.approx(data["published"]["intercept"]["value"], abs=0.0005)
    assert (x, y) == pytest.approx(data["recomputed"]["centroid"], abs=TIGHT)
    assert fit.rms**2 * fit.points == pytest.approx(data["recomputed"]["sum_of_squares"], abs=1e-12)


def test_line3d():
    data = load("fit_line3d")
    fit = fits.fit_line3d(np.array(data["points"]), residuals=True)
    expected = data["reference"]
    offset, angle = same_line(fit.shape.point, fit.shape.direction, expected["point_centroid"], expected["direction"])
    assert offset < TIGHT
    assert angle < 1e-13
    assert fit.rms == pytest.approx(expected["rms_distance"], abs=1e-12)
    assert fit.residuals.max() == pytest.approx(expected["max_distance"], abs=1e-12)


def deviations(fit, expected):
    assert fit.rms == pytest.approx(expected["rms_deviation"], abs=1e-12)
    assert fit.rms**2 * fit.points == pytest.approx(expected["sum_of_squares"], abs=1e-13)
    assert fit.residuals.max() == pytest.approx(expected["max_deviation"], abs=TIGHT)
    assert fit.residuals.min() == pytest.approx(expected["min_deviation"], abs=TIGHT)


def test_plane():
    data = load("fit_plane_tilted")
    fit = fits.fit_plane(np.array(data["points"]), residuals=True)
    expected = data["reference"]
    assert fit.shape.point == pytest.approx(expected["point_centroid"], abs=TIGHT)
    assert fit.shape.normal == pytest.approx(expected["normal"], abs=1e-13)
    deviations(fit, expected)


def test_sphere():
    data = load("fit_sphere_hemisphere")
    fit = fits.fit_sphere(np.array(data["points"]), residuals=True)
    expected = data["reference"]
    assert fit.shape.centre == pytest.approx(expected["center"], abs=TIGHT)
    assert fit.shape.radius == pytest.approx(expected["radius"], abs=TIGHT)
    deviations(fit, expected)


def test_cylinder():
    data = load("fit_cylinder_full")
    fit = fits.fit_cylinder(np.array(data["points"]), residuals=True)
    expected = data["reference"]
    assert fit.shape.point == pytest.approx(expected["axis_point_nearest_centroid"], abs=TIGHT)
    assert fit.shape.axis == pytest.approx(expected["axis_direction"], abs=1e-12)
    assert fit.shape.radius == pytest.approx(expected["radius"], abs=TIGHT)
    deviations(fit, expected)


def test_cone():
    data = load("fit_cone_full")
    fit = fits.fit_cone(np.array(data["points"]), residuals=True)
    expected = data["reference"]
    assert fit.shape.apex == pytest.approx(expected["apex"], abs=TIGHT)
    assert fit.shape.axis == pytest.approx(expected["axis_direction_from_apex_into_cone"], abs=1e-12)
    assert fit.shape.half_angle == pytest.approx(expected["half_angle_rad"], abs=1e-12)
    height = (np.array(expected["axis_point_nearest_centroid"]) - fit.shape.apex) @ np.array(fit.shape.axis)
    assert height * np.tan(fit.shape.half_angle) == pytest.approx(
        expected["radius_perpendicular_to_axis_at_that_point"], abs=TIGHT
    )
    deviations(fit, expected)


def test_torus():
    data = load("fit_torus_full")
    fit = fits.fit_torus(np.array(data["points"]), residuals=True)
    expected = data["reference"]
    assert fit.shape.centre == pytest.approx(expected["center"], abs=TIGHT)
    assert fit.shape.axis == pytest.approx(expected["axis_direction"], abs=1e-12)
    assert fit.shape.radius == pytest.approx(expected["major_radius"], abs=TIGHT)
    assert fit.shape.minor == pytest.approx(expected["minor_radius"], abs=TIGHT)
    deviations(fit, expected)
