"""A fit moves with its points, grows with them, and doesn't know their order (property tests)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from runner.geometry import fits
from runner.geometry.fits import cylindricity, flatness, roundness
from runner.geometry.frames import rigid
from runner.geometry.shapes import moved

FAST = settings(max_examples=25, deadline=None, derandomize=True)
SEEDS = st.integers(0, 2**32 - 1)
ANGLES = st.tuples(*[st.floats(-3.1, 3.1)] * 3)
PLACES = st.tuples(*[st.floats(-1e4, 1e4)] * 3)
KINDS = st.sampled_from(["plane", "line", "ring", "sphere", "cylinder"])


def sample(made, kind, seed):
    rng = np.random.default_rng(seed)
    points = {
        "plane": lambda: made.plane(rng, 40, 20.0, 0.5),
        "line": lambda: made.line(rng, 20),
        "ring": lambda: made.circle(rng, 30, 10.0, 4.0),
        "sphere": lambda: made.sphere(rng, 40, 10.0, 1.5),
        "cylinder": lambda: made.cylinder(rng, 60, 10.0, 30.0, 4.0),
    }[kind]()
    return points + rng.normal(0, 0.02, points.shape)


FITS = {
    "plane": fits.fit_plane,
    "line": fits.fit_line3d,
    "ring": fits.fit_circle3d,
    "sphere": fits.fit_sphere,
    "cylinder": fits.fit_cylinder,
}


def same(one, other, length=1e-9, angle=1e-10):
    """Both describe the same element; directions up to sign."""
    for name in ("centre", "point"):
        if hasattr(one, name):
            assert getattr(one, name) == pytest.approx(getattr(other, name), abs=length)
    for name in ("normal", "direction", "axis"):
        if hasattr(one, name):
            assert np.linalg.norm(np.cross(getattr(one, name), getattr(other, name))) < angle
    if hasattr(one, "radius"):
        assert one.radius == pytest.approx(other.radius, abs=length)


@FAST
@given(kind=KINDS, seed=SEEDS, angles=ANGLES, place=PLACES)
def test_moves_with_its_points(made, kind, seed, angles, place):
    points = sample(made, kind, seed)
    turn = Rotation.from_euler("zyx", angles).as_matrix()
    here, there = FITS[kind](points), FITS[kind](points @ turn.T + place)
    same(moved(here.shape, rigid(turn, np.array(place))), there.shape)
    assert there.rms == pytest.approx(here.rms, rel=1e-8)
    assert there.sigma == pytest.approx(here.sigma, rel=1e-8)


@FAST
@given(kind=KINDS, seed=SEEDS, power=st.integers(-60, 60))
def test_grows_with_its_points(made, kind, seed, power):
    points, factor = sample(made, kind, seed), 10.0**power
    here, there = FITS[kind](points), FITS[kind](points * factor)
    assert there.rms == pytest.approx(here.rms * factor, rel=1e-9)
    if hasattr(here.shape, "radius"):
        assert there.shape.radius == pytest.approx(here.shape.radius * factor, rel=1e-11)
    for name, k in zip(here.names, range(len(here.names)), strict=True):
        unit = 1.0 if name.startswith("tilt") else factor
        assert there.standard(name) == pytest.approx(here.standard(here.names[k]) * unit, rel=1e-6)


@FAST
@given(kind=KINDS, seed=SEEDS)
def test_order_does_not_matter(made, kind, seed):
    points = sample(made, kind, seed)
    mixed = np.random.default_rng(seed).permutation(points)
    same(FITS[kind](points).shape, FITS[kind](mixed).shape, 1e-11, 1e-12)


@FAST
@given(kind=KINDS, seed=SEEDS)
def test_a_point_twice_is_a_point_of_weight_two(made, kind, seed):
    points = sample(made, kind, seed)
    weights = np.ones(len(points))
    weights[:7] = 2.0
    same(FITS[kind](np.vstack([points, points[:7]])).shape, FITS[kind](points, None, weights).shape, 1e-8, 1e-9)


@FAST
@given(seed=SEEDS, angles=ANGLES, place=PLACES, factor=st.sampled_from([1e-3, 1.0, 1e3]))
def test_zones_move_and_grow(made, seed, angles, place, factor):
    turn = Rotation.from_euler("zyx", angles).as_matrix()
    plane = sample(made, "plane", seed)
    width = flatness.zone_plane(plane).width
    assert flatness.zone_plane(factor * (plane @ turn.T + place)).width == pytest.approx(factor * width, rel=1e-8)
    ball = sample(made, "sphere", seed)
    outer = roundness.circumscribed_sphere(ball).shape.radius
    again = roundness.circumscribed_sphere(factor * (ball @ turn.T + place)).shape.radius
    assert again == pytest.approx(factor * outer, rel=1e-10)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(seed=SEEDS, angles=ANGLES, place=PLACES)
def test_cylindricity_moves(made, seed, angles, place):
    rng = np.random.default_rng(seed)
    points = made.cylinder(rng, 80, 10.0, 30.0) + rng.normal(0, 0.02, (80, 3))
    turn = Rotation.from_euler("zyx", angles).as_matrix()
    here, there = cylindricity.zone_cylinder(points), cylindricity.zone_cylinder(points @ turn.T + place)
    assert there.width == pytest.approx(here.width, abs=1e-9)


def test_held_parameters_are_held_exactly(made):
    rng = np.random.default_rng(5)
    points = made.cylinder(rng, 200, 10.0, 30.0) + rng.normal(0, 0.02, (200, 3))
    axis = (0.001, 0.002, 1.0)
    unit = np.array(axis) / np.linalg.norm(axis)
    fit = fits.fit_cylinder(points, fixed=fits.Fixed(axis=axis))
    assert fit.shape.axis == pytest.approx(unit, abs=1e-15)
    assert fit.names == ("shift u", "shift v", "radius")
    fit = fits.fit_cylinder(points, fixed=fits.Fixed(radius=10.0))
    assert fit.shape.radius == pytest.approx(10.0, abs=1e-14)
    assert "radius" not in fit.names
    fit = fits.fit_cylinder(points, fixed=fits.Fixed(perpendicular_to=(1.0, 0.0, 0.0)))
    assert abs(fit.shape.axis[0]) < 1e-15
    # seen along the held direction the circle is that of the projected points
    fit = fits.fit_cylinder(points, fixed=fits.Fixed(axis=(0.0, 0.0, 1.0)))
    flat = fits.fit_circle2d(points[:, :2])
    assert fit.shape.radius == pytest.approx(flat.shape.radius, abs=1e-12)
    ball = made.sphere(rng, 100, 5.0) + rng.normal(0, 0.01, (100, 3))
    fit = fits.fit_sphere(ball, fixed=fits.Fixed(point=(0.0, 0.0, 0.0)))
    assert fit.shape.radius == pytest.approx(np.linalg.norm(ball, axis=1).mean(), abs=1e-12)
    plate = made.plane(rng, 100) + rng.normal(0, 0.02, (100, 3))
    fit = fits.fit_plane(plate, fixed=fits.Fixed(perpendicular_to=(0.0, 1.0, 0.0)))
    line = fits.fit_line2d(plate[:, [0, 2]])
    assert abs(fit.shape.normal[1]) < 1e-15
    assert abs(fit.shape.normal[0] / fit.shape.normal[2]) == pytest.approx(
        abs(line.shape.direction[1] / line.shape.direction[0]), abs=1e-13
    )
    cone = made.cone(rng, 200, 10.0, 20.0, 0.5) + rng.normal(0, 0.01, (200, 3))
    assert fits.fit_cone(cone, fixed=fits.Fixed(half_angle=0.5)).shape.half_angle == 0.5
    slot = made.slot(rng, 200, 20.0, 8.0, True) + rng.normal(0, 0.01, (200, 2))
    assert fits.fit_slot(slot, fixed=fits.Fixed(width=8.0)).shape.width == pytest.approx(8.0, abs=1e-14)


@pytest.mark.parametrize("offset", [0.0, 1e4])
def test_short_arc_of_ten_degrees_ten_metres_away(made, offset):
    """The design's own case: exact points on a 10 degree arc give the exact circle within the rounding they carry."""
    rng = np.random.default_rng(6)
    p = made.circle(rng, 500, 10.0, np.radians(10.0))[:, :2] + offset
    fit = fits.fit_circle2d(p)
    # rounding of coordinates at 1e4 is 1e-12, and a 10 degree arc multiplies it by about 1e3 over the root of n
    assert fit.shape.radius == pytest.approx(10.0, abs=1e-9)
    assert fit.shape.centre[:2] == pytest.approx([offset, offset], abs=1e-9)
    q = made.cylinder(rng, 2000, 10.0, 40.0, np.radians(10.0)) @ made.turn(rng).T + offset
    assert fits.fit_cylinder(q).shape.radius == pytest.approx(10.0, abs=2e-9)
    tiny = made.circle(rng, 50, 1e-9)[:, :2]
    assert fits.fit_circle2d(tiny).shape.radius == pytest.approx(1e-9, rel=1e-12)
