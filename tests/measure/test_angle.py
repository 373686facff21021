"""Angles in space, in projection and between faces, against constructions with known angles."""

import numpy as np
import pytest

from runner.geometry.frames import rotation_from_vector
from runner.geometry.shapes import Circle, Cylinder, vector
from runner.measure.characteristics import angle
from runner.measure.characteristics.common import Missing
from runner.measure.found import FoundFeature
from runner.measure.specs import FeatureSpec
from tests.measure.details import POSES, char, conical_face, context, flat_face, pose, round_face, turned


def ask(a, b, **more):
    return angle.evaluate(char("angle", a.spec.name, b.spec.name, **more), context(a, b))[0]


@pytest.mark.parametrize("seed", POSES)
def test_axes_of_cylinder_and_cone(seed):
    move = pose(seed)
    t = np.radians(35.0)
    pin = round_face("pin", [0, 0, 0], [0, 0, 1], 5.0, (0, 20), noise=0.005, move=move)
    lean = round_face("lean", [40, 0, 0], [np.sin(t), 0, np.cos(t)], 5.0, (0, 20), noise=0.005, move=move)
    cone = conical_face("cone", [0, 40, 0], [np.sin(t), 0, np.cos(t)], np.pi / 6, (5, 15), noise=0.005, move=move)
    face = flat_face("face", [-30, 0, 0], [0, 0, 1], move=move)
    assert np.degrees(ask(pin, lean, nominal=t).value) == pytest.approx(35.0, abs=0.01)
    assert np.degrees(ask(pin, cone, nominal=t).value) == pytest.approx(35.0, abs=0.01)
    assert np.degrees(ask(face, cone, nominal=np.radians(55)).value) == pytest.approx(55.0, abs=0.01)
    # the drawing gives the supplement
    assert np.degrees(ask(pin, lean, nominal=np.pi - t).value) == pytest.approx(145.0, abs=0.01)


@pytest.mark.parametrize("seed", POSES)
def test_compound_angle_in_its_two_projections(seed):
    """An axis along (tan 10, tan 20, 1) stands 10 deg from z seen along y and 20 deg seen along x (hand-worked)."""
    move = pose(seed)
    way = np.array([np.tan(np.radians(10)), np.tan(np.radians(20)), 1.0])
    pin = round_face("pin", [0, 0, 0], [0, 0, 1], 5.0, (0, 20), move=move)
    lean = round_face("lean", [40, 0, 0], way, 5.0, (0, 20), move=move)
    for direction, expected in (((0, 1, 0), 10.0), ((1, 0, 0), 20.0)):
        along = vector(turned(np.array([direction], dtype=float), move)[0])
        got = ask(pin, lean, direction=along, nominal=np.radians(expected))
        assert np.degrees(got.value) == pytest.approx(expected, abs=1e-5)
    along = vector(turned(np.array([[0.0, 0, 1]]), move)[0])
    assert "along the direction of projection" in ask(pin, lean, direction=along).reason


@pytest.mark.parametrize("excess", [-0.3, 0.3])
def test_projected_right_angle_keeps_its_side(excess):
    """In space an angle between axes folds at 0; in projection 90 + e and 90 - e stay apart, for a trace too."""
    t = np.radians(90 + excess)
    nominal = Cylinder((0.0, 0.0, 0.0), (1.0, 0.0, 0.0), 5.0)
    real = Cylinder((0.0, 0.0, 0.0), (np.sin(t), 0.0, np.cos(t)), 5.0)
    lean = FoundFeature(FeatureSpec("lean", "cylinder", nominal), real)
    pin = round_face("pin", [0, 0, 0], [0, 0, 1], 5.0, (0, 20))
    got = ask(pin, lean, direction=(0.0, 1.0, 0.0), nominal=np.pi / 2)
    assert np.degrees(got.value) == pytest.approx(90 + excess, abs=1e-6)
    wall = flat_face("wall", [0, 0, 0], [1, 0, 0])
    got = ask(wall, lean, direction=(0.0, 1.0, 0.0), nominal=np.pi / 2)
    # the trace of the wall runs along direction x normal = -z here, so the axis leans the other way against it
    assert np.degrees(got.value) == pytest.approx(90 - excess, abs=1e-6)
    swapped = ask(lean, wall, direction=(0.0, 1.0, 0.0), nominal=np.pi / 2)
    assert swapped.value == pytest.approx(got.value, abs=1e-9)


@pytest.mark.parametrize("seed", POSES)
@pytest.mark.parametrize("inner", [True, False])
def test_angle_between_faces_is_what_a_protractor_reads(seed, inner):
    """A wall standing on a floor leans back by 1 deg: 91 deg inside the corner; so it is outside, on its back."""
    move = pose(seed)
    if inner:
        floor = flat_face("floor", [-15, 0, 0], [0, 0, 1], move=move)
        wall = flat_face("wall", [0, 0, 15], [-1, 0, 0], tilt=[0, np.radians(1), 0], move=move)
    else:
        floor = flat_face("floor", [-15, 0, -2], [0, 0, -1], move=move)
        wall = flat_face("wall", [2, 0, 15], [1, 0, 0], tilt=[0, np.radians(1), 0], move=move)
    got = ask(floor, wall, quantity="faces", nominal=np.pi / 2)
    assert np.degrees(got.value) == pytest.approx(91.0, abs=1e-6)
    # the angle of the outward normals is the other one
    assert np.degrees(ask(floor, wall, nominal=np.pi / 2).value) == pytest.approx(89.0, abs=1e-6)


def test_what_has_no_measured_direction_is_refused():
    hole = Circle((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 5.0)
    circle = FoundFeature(FeatureSpec("hole", "circle", hole), hole)
    face = flat_face("face", [0, 0, 0], [0, 0, 1])
    assert "held, not measured" in ask(circle, face).reason
    assert isinstance(ask(face, face, quantity="widest"), Missing)
    assert "two planes" in ask(round_face("pin", [0, 0, 0], [0, 0, 1], 5.0, (0, 9)), face, quantity="faces").reason


def test_small_angles_keep_their_digits():
    """By arctan2, not arccos, whose rounding hides 1e-8 rad."""
    turn = rotation_from_vector(np.array([1e-8, 0.0, 0.0])) @ np.array([0.0, 0.0, 1.0])
    assert angle.angle_of(np.array([0.0, 0.0, 1.0]), turn) == pytest.approx(1e-8, rel=1e-6)
