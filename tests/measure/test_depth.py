"""Depths against hand-worked places."""

import numpy as np
import pytest

from runner.geometry.shapes import Point, Sphere
from runner.measure.characteristics import depth
from runner.measure.found import FoundFeature
from runner.measure.specs import FeatureSpec
from tests.measure.details import POSES, char, constructed, context, flat_face, patch_of, pose, round_face


def ask(face, bottom, **more):
    return depth.evaluate(char("depth", face.spec.name, bottom.spec.name, **more), context(face, bottom))[0]


@pytest.mark.parametrize("seed", POSES)
def test_a_pocket_with_a_slanting_bottom(seed):
    """8 deep at its middle, bottom 0.02 slanted over 20 mm: 7.8 to 8.2; the face 0.05 too high makes 8.05."""
    move = pose(seed)
    face = flat_face("face", [0, 30, 20], [0, 0, 1], move=move, shift=0.05, noise=0.003)
    bottom = flat_face("bottom", [0, 0, 12], [0, 0, 1], along=[1, 0, 0], move=move, tilt=[0, 0.02, 0], noise=0.003)
    got = ask(face, bottom)
    assert got.value == pytest.approx(8.05, abs=0.005)
    assert got.details["largest"] - got.details["smallest"] == pytest.approx(0.02 * 20, abs=0.02)
    assert got.details["largest"] == pytest.approx(8.25, abs=0.02)


def test_mean_over_the_nominal_bottom_whatever_was_seen():
    """The bottom's fit decides, at the middle of its nominal extent: half of it unseen changes nothing."""
    face = flat_face("face", [0, 30, 20], [0, 0, 1])
    whole = flat_face("bottom", [0, 0, 12], [0, 0, 1], along=[1, 0, 0], tilt=[0, 0.02, 0])
    half = whole.points[whole.points[:, 0] < 0]
    part = FoundFeature(whole.spec, whole.shape, patch=whole.patch, points=half, coverage=0.5)
    assert ask(face, part).value == pytest.approx(ask(face, whole).value, abs=1e-9)
    assert ask(face, part).coverage == 0.5


def test_round_bottom_and_point():
    """A ball end of radius 4 whose centre lies 6 below the face is 10 deep."""
    face = flat_face("face", [0, 30, 20], [0, 0, 1])
    ball = Sphere((0.0, 0.0, 14.0), 4.0)
    hollow = FoundFeature(FeatureSpec("ball", "sphere", ball), ball, patch=patch_of(np.zeros((1, 3)), None, -1))
    assert ask(face, hollow).value == pytest.approx(10.0)
    point = constructed("p", "intersection", Point((0.0, 0, 11)), Point((0.0, 0, 10.9)))
    assert ask(face, point).value == pytest.approx(9.1)


def test_a_step_up_is_counted_as_the_nominal_has_it():
    face = flat_face("face", [0, 30, 20], [0, 0, 1])
    boss = flat_face("boss", [0, 0, 25], [0, 0, 1], shift=0.1)
    assert ask(face, boss).value == pytest.approx(5.1)
    # a pocket that was never cut, but bulges: a depth below zero, not a refused one
    bulge = flat_face("bottom", [0, 0, 19.9], [0, 0, 1], shift=0.3)
    assert ask(face, bulge).value == pytest.approx(-0.2)


def test_wrong_features():
    face = flat_face("face", [0, 30, 20], [0, 0, 1])
    pin = round_face("pin", [0, 0, 0], [0, 0, 1], 3.0, (0, 5))
    assert "plane, a sphere or a point" in ask(face, pin).reason
    assert "opening's face first" in ask(pin, face).reason
