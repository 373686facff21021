"""Bend angle and radius against the geometry of a bent strip."""

import numpy as np
import pytest

from runner.measure.characteristics import bend, bend_radius
from runner.measure.characteristics.common import Missing
from tests.measure.details import POSES, char, context, flat_face, pose, round_face

LIMITS = {"unit": "deg", "nominal": np.pi / 2, "lower": np.radians(89), "upper": np.radians(91)}
T = 2.0


def flange(angle_deg, *, outer=True, **more):
    """A strip bent at x = 0 from the plane z = 0 (outer side below): base and flange at a bend angle."""
    a = np.radians(angle_deg)
    up = np.array([np.cos(a), 0.0, np.sin(a)])
    out = np.array([np.sin(a), 0.0, -np.cos(a)])
    return up, (out if outer else -out), up * 15.0 - (0.0 if outer else T) * out, more


@pytest.mark.parametrize("seed", POSES)
@pytest.mark.parametrize("nominal_deg", [30.0, 90.0, 135.0])
@pytest.mark.parametrize("sides", ["outer outer", "inner inner", "outer inner", "inner outer"])
def test_bend_angle_whatever_sides_are_named(seed, nominal_deg, sides):
    """Hand-worked: a flange bent 1 deg too little leaves a bend angle of nominal - 1, whichever sides of the sheet."""
    first, second = sides.split()
    move = pose(seed)
    base_z, base_normal = (0.0, [0, 0, -1]) if first == "outer" else (T, [0, 0, 1])
    base = flat_face("base", [-15, 0, base_z], base_normal, move=move, noise=0.005)
    _, normal, centre, _ = flange(nominal_deg, outer=second == "outer")
    # turning the flange about y by +1 deg takes it 1 deg back towards the flat strip
    back = flat_face("flange", centre, normal, move=move, tilt=[0, np.radians(1.0), 0], noise=0.005, seed=5)
    limits = LIMITS | {"nominal": np.radians(nominal_deg)}
    value = bend.evaluate(char("bend angle", "base", "flange", **limits), context(base, back))[0]
    assert np.degrees(value.value) == pytest.approx(nominal_deg - 1.0, abs=0.02)
    included = bend.evaluate(char("bend angle", "base", "flange", quantity="included", **limits), context(base, back))[
        0
    ]
    assert np.degrees(included.value) == pytest.approx(180.0 - (nominal_deg - 1.0), abs=0.02)


def test_flat_sheet_has_no_bend():
    a = flat_face("a", [-15, 0, 0], [0, 0, 1])
    b = flat_face("b", [15, 0, 0], [0, 0, 1])
    value = bend.evaluate(char("bend angle", "a", "b", **LIMITS), context(a, b))[0]
    assert value.value == pytest.approx(0.0, abs=1e-9)


def test_faces_that_cross_in_their_middles_are_refused():
    a = flat_face("a", [0, 0, 0], [0, 0, 1])
    b = flat_face("b", [0, 0, 0], [1, 0, 0])
    value = bend.evaluate(char("bend angle", "a", "b", **LIMITS), context(a, b))[0]
    assert isinstance(value, Missing) and "middles" in value.reason


def test_noise_of_the_angle_is_stated_and_a_loose_flange_is_not_passed():
    """The scatter of repeated flanges agrees with the stated one; a flange 1 mm high doesn't decide 0.1 deg."""
    base = flat_face("base", [-15, 0, 0], [0, 0, -1], noise=0.0)
    up, normal, centre, _ = flange(90.0)
    values, stated = [], []
    for seed in range(40):
        f = flat_face("flange", centre, normal, size=(3.0, 20.0), along=up, noise=0.02, seed=seed)
        v = bend.evaluate(char("bend angle", "base", "flange", **LIMITS), context(base, f))[0]
        values.append(np.degrees(v.value))
        stated.append(v.details["standard deviation from noise, deg"])
    # 40 values know their scatter to about 11 % (1 / sqrt(2 n)); three of these
    assert np.std(values, ddof=1) == pytest.approx(np.mean(stated), rel=0.35)
    low = flat_face("flange", centre, normal, size=(1.0, 5.0), along=up, noise=0.03)
    limits = LIMITS | {"lower": np.radians(89.95), "upper": np.radians(90.05)}
    v = bend.evaluate(char("bend angle", "base", "flange", **limits), context(base, low))[0]
    assert "loosely" in v.blocked


@pytest.mark.parametrize("seed", POSES)
@pytest.mark.parametrize(("radius", "outward"), [(3.0, -1), (5.0, 1)])
def test_bend_radius(seed, radius, outward):
    bent = round_face(
        "bend", [0, 0, 5], [0, 1, 0], radius, (-20, 20), real=radius + 0.15, turn=np.pi / 2, outward=outward,
        noise=0.01, move=pose(seed),
    )  # fmt: skip
    value = bend_radius.evaluate(char("bend radius", "bend", nominal=radius), context(bent))[0]
    assert value.value == pytest.approx(radius + 0.15, abs=0.006)
    assert value.details["side"] == ("outside of the bend" if outward > 0 else "inside of the bend")


def test_a_short_arc_holds_no_radius():
    bent = round_face("bend", [0, 0, 0], [0, 1, 0], 5.0, (-20, 20), turn=np.radians(15), noise=0.01)
    value = bend_radius.evaluate(char("bend radius", "bend", nominal=5.0), context(bent))[0]
    assert isinstance(value, Missing) and "15 deg" in value.reason


def test_setback_of_a_bend():
    """Hand-worked (sheet-metal handbooks, common practice): the tangent lines of a bend of outside radius R lie
    R tan(bend angle / 2) from the intersection of the outer faces; here R = 5, 90 deg: 5."""
    base = flat_face("base", [-15, 0, 0], [0, 0, -1])
    _, normal, centre, _ = flange(90.0)
    side = flat_face("flange", centre, normal)
    bent = round_face("bend", [-5, 0, 5], [0, 1, 0], 5.0, (-20, 20), turn=np.pi / 2)
    angle = bend.evaluate(char("bend angle", "base", "flange", **LIMITS), context(base, side))[0].value
    radius = bend_radius.evaluate(char("bend radius", "bend"), context(bent))[0].value
    setback = radius * np.tan(angle / 2)
    # the bend's axis stands over the tangent line of the base: its distance from the outer flange face
    assert setback == pytest.approx(abs(bent.shape.point[0] - side.shape.point[0]), abs=1e-6)
