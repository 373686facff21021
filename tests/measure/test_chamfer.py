"""Chamfers against hand-worked triangles."""

import numpy as np
import pytest

from runner.measure.characteristics import chamfer
from runner.measure.characteristics.common import Missing
from runner.measure.judge import judge
from runner.records import Verdict
from tests.measure.details import POSES, char, conical_face, context, flat_face, pose, round_face


def parts(leg_top=2.0, leg_side=2.0, move=None, noise=0.0, taper=0.0, corner=90.0, shift=0.0, length=30.0):
    """Top z = 0 and a side through the origin (at ``corner`` inside the material), cut by a bevel along y."""
    c = np.radians(corner)
    down = np.array([-np.cos(c), 0.0, -np.sin(c)])
    side_normal = np.array([np.sin(c), 0.0, -np.cos(c)])
    p, q = np.array([-leg_top, 0.0, 0.0]), leg_side * down
    way = (q - p) / np.linalg.norm(q - p)
    normal = np.cross(way, [0.0, -1.0, 0.0])
    normal *= np.sign(normal @ side_normal) or 1.0
    top = flat_face("top", [-15, 0, 0], [0, 0, 1], size=(20, length), along=[1, 0, 0], move=move, noise=noise)
    side = flat_face("side", 12 * down, side_normal, size=(16, length), along=down, move=move, noise=noise, seed=3)
    bevel = flat_face(
        "bevel", 0.5 * (p + q), normal, size=(np.linalg.norm(q - p) * 0.8, length), along=way, move=move, noise=noise,
        tilt=taper * way, shift=shift, step=0.2, seed=7,
    )  # fmt: skip
    return bevel, top, side


def ask(quantity, *features, **more):
    spec = char("chamfer", *(f.spec.name for f in features), quantity=quantity, **more)
    return chamfer.evaluate(spec, context(*features))[0]


@pytest.mark.parametrize("seed", POSES)
def test_legs_width_and_angle(seed):
    """3 x 4 x 5: legs 3 and 4 give a width of 5 and atan(4 / 3) = 53.1301 deg to the first face."""
    bevel, top, side = parts(3.0, 4.0, pose(seed), 0.002)
    assert ask("leg", bevel, top, side).value == pytest.approx(3.0, abs=0.01)
    assert ask("leg", bevel, side, top).value == pytest.approx(4.0, abs=0.01)
    assert ask("width", bevel, top, side).value == pytest.approx(5.0, abs=0.01)
    assert np.degrees(ask("angle", bevel, top, side).value) == pytest.approx(53.1301, abs=0.1)


def test_a_bevel_that_was_cut_deeper():
    """2 x 45 deg, bevel 0.1 deeper along its normal: legs grow by 0.1 sqrt 2, the width by 0.2."""
    bevel, top, side = parts(shift=-0.1)
    assert ask("leg", bevel, top, side).value == pytest.approx(2.0 + 0.1 * np.sqrt(2), abs=1e-6)
    assert ask("width", bevel, top, side).value == pytest.approx(2 * np.sqrt(2) + 0.2, abs=1e-6)


def test_a_corner_that_is_not_square():
    """Corner of 120 deg, legs 2: law of cosines, width = 2 sqrt 3; isosceles, 30 deg to both faces."""
    bevel, top, side = parts(corner=120.0)
    assert ask("width", bevel, top, side).value == pytest.approx(2 * np.sqrt(3), abs=1e-6)
    assert np.degrees(ask("angle", bevel, top, side).value) == pytest.approx(30.0, abs=1e-4)


def test_a_tapering_chamfer_is_judged_at_both_ends():
    """Bevel turned about its own cross direction by 0.01: over 30 mm the legs run from 2 - 0.21 to 2 + 0.21."""
    bevel, top, side = parts(taper=0.01)
    limits = {"nominal": 2.0, "lower": 1.85, "upper": 2.15}
    value = ask("leg", bevel, top, side, **limits)
    half = 0.01 * np.ptp(bevel.patch.samples @ [0, 1, 0]) / 2 * np.sqrt(2)
    assert value.details["largest"] == pytest.approx(2.0 + half, rel=1e-3)
    assert value.details["smallest"] == pytest.approx(2.0 - half, rel=1e-3)
    spec = char("chamfer", "bevel", "top", "side", quantity="leg", **limits)
    assert judge(spec, [value]).verdict is Verdict.DOES_NOT_CONFORM


@pytest.mark.parametrize("seed", POSES)
@pytest.mark.parametrize("bore", [True, False])
def test_conical_chamfer_of_a_bore_and_of_a_shaft(seed, bore):
    """1 x 45 deg on diameter 10; really 1.2 deep (measured as radius 6.2 or 3.8 at the face) under 30 deg to the axis.

    Leg along the face 1.2, along the wall 1.2 / tan 30 deg = 2.0785, width 1.2 / sin 30 deg = 2.4.
    """
    half, move = np.radians(30.0), pose(seed)
    wide = 6.2 if bore else 3.8
    axis, apex_z = ([0, 0, 1], -wide / np.tan(half)) if bore else ([0, 0, -1], wide / np.tan(half))
    span = (5.2 / np.tan(half), 6.0 / np.tan(half)) if bore else (4.0 / np.tan(half), 4.8 / np.tan(half))
    cone = conical_face("cone", [0, 0, apex_z], axis, half, span, move=move, noise=0.002)
    face = flat_face("face", [15, 0, 0], [0, 0, 1], move=move)
    wall = round_face("wall", [0, 0, -10], [0, 0, 1], 5.0, (0, 7), move=move, outward=-1 if bore else 1)
    assert ask("leg", cone, face, wall).value == pytest.approx(1.2, abs=0.01)
    assert ask("leg", cone, wall, face).value == pytest.approx(2.0785, abs=0.015)
    assert ask("width", cone, face, wall).value == pytest.approx(2.4, abs=0.015)
    assert np.degrees(ask("angle", cone, face, wall).value) == pytest.approx(60.0, abs=0.1)
    assert np.degrees(ask("angle", cone, wall, face).value) == pytest.approx(30.0, abs=0.1)


def test_what_is_no_chamfer_says_why():
    bevel, top, side = parts()
    assert "three" in ask("leg", bevel, top).reason
    assert "nearly parallel" in ask("leg", bevel, top, top).reason
    through = flat_face("through", [0, 0, 0], [1, 0, 1], along=[1, 0, -1])
    assert "virtual edge" in ask("leg", through, *exact_faces()).reason
    assert isinstance(ask("depth", bevel, top, side), Missing)


def test_a_corner_that_was_never_cut_has_no_negative_chamfer():
    """The bevel's plane pushed out by 2 passes the edge of a 2 x 45 deg chamfer: 1.41 is all there is."""
    bevel, top, side = parts(shift=2.0)
    assert "beyond the virtual edge" in ask("leg", bevel, top, side).reason


def exact_faces():
    """Top and side whose planes pass exactly through the origin."""
    from dataclasses import replace

    from runner.geometry.shapes import Plane

    _, top, side = parts()
    return (
        replace(top, shape=Plane((0.0, 0.0, 0.0), (0.0, 0.0, 1.0))),
        replace(side, shape=Plane((0.0, 0.0, 0.0), (1.0, 0.0, 0.0))),
    )


def test_a_narrow_noisy_bevel_does_not_decide_its_angle():
    bevel, top, side = parts(0.5, 0.5, noise=0.05, length=2.0)
    v = ask("angle", bevel, top, side, lower=np.radians(44), upper=np.radians(46))
    assert "loosely" in v.blocked
