"""Countersinks against hand-worked trigonometry."""

import numpy as np
import pytest

from runner.geometry.frames import rotation_from_vector
from runner.geometry.shapes import Cone, Plane, vector
from runner.measure.characteristics import countersink
from runner.measure.characteristics.common import Missing
from tests.measure.details import POSES, char, conical_face, context, flat_face, pose, round_face


def parts(move=None, noise=0.0, real=None, face_shift=0.0, hole=6.0, **more):
    """A countersink of diameter 12, 90 deg in the face z = 0: apex at z = -6, down to a hole of diameter 6."""
    cone = conical_face("cone", [0, 0, -6], [0, 0, 1], np.pi / 4, (3.2, 5.8), real=real, move=move, noise=noise, **more)
    face = flat_face("face", [20, 0, 0], [0, 0, 1], move=move, shift=face_shift, noise=noise)
    bore = round_face("hole", [0, 0, -8], [0, 0, 1], 3.0, (0, 4), real=hole / 2, move=move, noise=noise, outward=-1)
    return cone, face, bore


def ask(quantity, *features, **more):
    spec = char("countersink", *(f.spec.name for f in features), quantity=quantity, **more)
    return countersink.evaluate(spec, context(*features))[0]


@pytest.mark.parametrize("seed", POSES)
def test_diameter_depth_and_angle(seed):
    """D = 2 h tan(angle / 2). Apex 5.9 below a face 0.05 too high, 100 deg: D = 2 x 5.95 x tan 50 deg = 14.1819."""
    half = np.radians(50.0)
    real = Cone((0.02, -0.03, -5.9), (0.0, 0.0, 1.0), half)
    cone, face, bore = parts(pose(seed), 0.003, real, 0.05, hole=6.1)
    assert ask("diameter", cone, face).value == pytest.approx(14.1819, abs=0.01)
    assert np.degrees(ask("angle", cone, face).value) == pytest.approx(100.0, abs=0.05)
    # (14.1819 - 6.1) / (2 tan 50 deg) = 3.39075, to the measured hole
    assert ask("depth", cone, face, bore).value == pytest.approx(3.3908, abs=0.01)
    # without the hole: to the nominal small end, 3.2 mm from the nominal apex at 45 deg: diameter 6.4
    small = ask("depth", cone, face)
    assert small.value == pytest.approx((14.1819 - 6.4) / (2 * np.tan(half)), abs=0.01)
    assert "nominal small end" in small.details["definition"]


@pytest.mark.parametrize("tilt_deg", [0.0, 1.0, 5.0])
def test_a_leaning_cone_is_taken_square_to_its_axis(tilt_deg):
    """The longest diameter of the mouth from brute force: the cone's lines cut with the face one by one."""
    t, half, h = np.radians(tilt_deg), np.pi / 4, 6.0
    axis = rotation_from_vector(np.array([0.0, t, 0.0])) @ np.array([0.0, 0.0, 1.0])
    apex = -h * axis
    got = countersink.mouth(Cone(vector(apex), vector(axis), half), Plane((3.0, 4.0, 0.0), (0.0, 0.0, 1.0)))
    assert got.diameter == pytest.approx(12.0, abs=1e-9)
    angle = np.linspace(0, 2 * np.pi, 20001)
    u = np.cross([0.0, 1.0, 0.0], axis)
    v = np.cross(axis, u)
    lines = axis + np.tan(half) * (np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * v)
    rim = apex - (apex[2] / lines[:, 2])[:, None] * lines
    assert got.longest == pytest.approx(np.ptp(rim[:, 0]), abs=1e-6)
    assert np.degrees(got.tilt) == pytest.approx(tilt_deg, abs=1e-9)


def test_stated_noise_is_the_scatter_of_repetition():
    values, stated = [], []
    for seed in range(40):
        cone, face, _ = parts(noise=0.02, count=400, seed=seed)
        face = flat_face("face", [20, 0, 0], [0, 0, 1])
        v = ask("diameter", cone, face)
        values.append(v.value)
        stated.append(v.details["standard deviation from noise"])
    assert np.mean(values) == pytest.approx(12.0, abs=4 * np.mean(stated) / np.sqrt(40) + 1e-3)
    assert np.std(values, ddof=1) == pytest.approx(np.mean(stated), rel=0.35)


def test_a_short_cone_on_a_narrow_arc_does_not_decide_its_angle():
    cone, face, _ = parts(noise=0.03, count=300, turn=np.radians(100))
    v = ask("angle", cone, face, lower=np.radians(89.5), upper=np.radians(90.5))
    assert "loosely" in v.blocked


@pytest.mark.parametrize(
    ("axis", "apex", "text"),
    [
        ((0, 0, -1), (0, 0, 6), "into the material"),
        ((0, 0, 1), (0, 0, 1), "apex lies above"),
        ((1, 0, 0.1), (0, 0, -6), "leans"),
    ],
)
def test_what_is_no_countersink_says_why(axis, apex, text):
    a = np.array(axis, dtype=float)
    cone = Cone(vector(np.array(apex, dtype=float)), vector(a / np.linalg.norm(a)), np.pi / 4)
    assert text in countersink.mouth(cone, Plane((0.0, 0.0, 0.0), (0.0, 0.0, 1.0)))


def test_wrong_features_and_words():
    cone, face, bore = parts()
    assert "cone and a plane" in ask("diameter", face, bore).reason
    assert isinstance(ask("width", cone, face), Missing)
    _, _, wide = parts(hole=13.0)
    assert "no depth" in ask("depth", cone, face, wide).reason
