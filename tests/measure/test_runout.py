"""Runout, coaxiality, symmetry and straightness on surfaces whose truth follows by hand from their parameters."""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.geometry.shapes import Cone, Cylinder, Plane, Sphere
from runner.measure.characteristics import coaxial, form, runout, straightness
from runner.measure.characteristics.common import Missing
from runner.measure.datums import Established
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec, FeatureSpec, FormFilter

UP = (0.0, 0.0, 1.0)
AXIS = FeatureSpec("journal", "cylinder", Cylinder((0.0, 0.0, 0.0), UP, 8.0))
HELD = np.zeros((6, 2))
HELD[2, 0] = HELD[5, 1] = 1.0
"""A datum axis leaves the turn about it and the way along it free."""


def context(*features, standard="ISO GPS", free=HELD, move=None):
    """What a characteristic sees: features measured in a frame whose z axis is the datum axis."""
    system = Established("A", np.eye(4) if move is None else move, free, np.zeros(3))
    return SimpleNamespace(
        plan=SimpleNamespace(
            standard=standard,
            characteristics=(),
            datum_systems=(DatumSystemSpec("A", (DatumSpec("A", ("journal",)),)),),
        ),
        nominal=SimpleNamespace(bounds=(np.full(3, -50.0), np.full(3, 50.0))),
        specs={"journal": AXIS, **{f.spec.name: f.spec for f in features}},
        features={f.spec.name: f for f in features},
        systems={"A": system},
    )


def char(kind, *features, **more):
    return CharacteristicSpec("1", kind, features, "t", datum_system=more.pop("datum_system", "A"), zone=0.1, **more)


def shaft(offset=0.0, lean=0.0, radius=10.0, bow=0.0, around=120, along=60, noise=0.0, lobes=0.0, seed=0):
    """A shaft along z from 0 to 40, its axis off by ``offset`` and leaning."""
    angle, z = np.meshgrid(np.arange(around) * 2 * np.pi / around, np.linspace(0.0, 40.0, along))
    angle, z = angle.ravel(), z.ravel()
    r = radius + lobes * np.cos(3 * angle) + noise * np.random.default_rng(seed).normal(size=len(z))
    x = offset + lean * z + bow * 4 * (z / 40) * (1 - z / 40) + r * np.cos(angle)
    points = np.column_stack([x, r * np.sin(angle), z])
    axis = np.array([lean, 0.0, 1.0]) / np.hypot(1.0, lean)
    measured = Cylinder((offset, 0.0, 0.0), tuple(axis), radius)
    spec = FeatureSpec("shaft", "cylinder", Cylinder((0.0, 0.0, 0.0), UP, 10.0), span=(0.0, 40.0))
    return FoundFeature(spec, measured, points=points, coverage=1.0)


def face(slope=0.0, dish=0.0):
    """A face at z = 50 about the axis, radius 2 to 20."""
    angle, r = np.meshgrid(np.arange(180) * 2 * np.pi / 180, np.linspace(2.0, 20.0, 73))
    x, y = (r * np.cos(angle)).ravel(), (r * np.sin(angle)).ravel()
    points = np.column_stack([x, y, 50.0 + slope * x + dish * (np.hypot(x, y) / 20.0) ** 2])
    normal = np.array([-slope, 0.0, 1.0]) / np.hypot(1.0, slope)
    spec = FeatureSpec("face", "plane", Plane((0.0, 0.0, 50.0), UP))
    return FoundFeature(spec, Plane((0.0, 0.0, 50.0), tuple(normal)), points=points, coverage=1.0)


def test_an_eccentric_shaft_runs_out_by_twice_its_eccentricity():
    # workshop fact: the indicator shows TIR = 2 e; coaxiality, a diameter, is 2 e as well
    e = 0.05
    there = context(shaft(offset=e))
    circular = runout.circular(char("circular runout", "shaft"), there)[0]
    total = runout.total(char("total runout", "shaft"), there)[0]
    assert circular.value == pytest.approx(2 * e, abs=2e-5)
    assert total.value == pytest.approx(2 * e, abs=2e-5)
    assert coaxial.coaxiality(char("coaxiality", "shaft"), there)[0].value == pytest.approx(2 * e, abs=1e-12)
    assert not circular.blocked


def test_a_leaning_shaft():
    # off by 0.002 x 40 = 0.08 at its far end: coaxiality 0.16, total runout from -0.08 to 0.08
    there = context(shaft(lean=0.002))
    assert coaxial.coaxiality(char("coaxiality", "shaft"), there)[0].value == pytest.approx(0.16, abs=1e-6)
    assert runout.total(char("total runout", "shaft"), there)[0].value == pytest.approx(0.16, abs=1e-3)


def test_a_wobbling_face_runs_out_by_twice_radius_times_slope():
    slope = 0.002
    there = context(face(slope))
    total = runout.total(char("total runout", "face"), there)[0]
    circular = runout.circular(char("circular runout", "face", step=0.25), there)[0]
    assert total.value == pytest.approx(2 * 20.0 * slope, abs=1e-9)
    assert circular.value == pytest.approx(2 * 20.0 * slope, rel=0.02)


def test_a_dished_face_has_total_but_hardly_circular_runout():
    there = context(face(dish=0.1))
    assert runout.total(char("total runout", "face"), there)[0].value == pytest.approx(0.1 * (1 - 0.01), abs=1e-9)
    assert runout.circular(char("circular runout", "face", step=0.25), there)[0].value < 1e-6


@settings(max_examples=25, deadline=None)
@given(st.floats(0.0, 0.2), st.floats(-0.003, 0.003), st.floats(0.0, 0.05), st.integers(0, 99))
def test_total_runout_is_no_less_than_circular(offset, lean, lobes, seed):
    there = context(shaft(offset, lean, lobes=lobes, noise=0.01, seed=seed))
    circular = runout.circular(char("circular runout", "shaft"), there)[0].value
    assert runout.total(char("total runout", "shaft"), there)[0].value >= circular - 1e-12


@settings(max_examples=10, deadline=None)
@given(st.floats(0.0, 0.05), st.floats(0.0, 0.1), st.integers(0, 99))
def test_cylindricity_is_no_less_than_roundness(lobes, bow, seed):
    there = context(shaft(lobes=lobes, bow=bow, noise=0.005, seed=seed))
    round_ = form.roundness(char("roundness", "shaft"), there)[0].value
    # sections lie across the least-squares axis: one that leans by t otherwise cuts ovals of R t^2 / 2, here < 1e-6
    assert form.cylindricity(char("cylindricity", "shaft"), there)[0].value >= round_ - 1e-6


def test_half_a_shaft_can_not_conform():
    whole = shaft(offset=0.01)
    half = FoundFeature(whole.spec, whole.shape, points=whole.points[whole.points[:, 1] > 0], coverage=0.5)
    assert "of the turn" in runout.circular(char("circular runout", "shaft"), context(half))[0].blocked


def test_what_runout_and_coaxiality_refuse():
    there = context(shaft())
    assert "hold the axis" in runout.total(char("total runout", "shaft"), context(shaft(), free=np.eye(6)))[0].reason
    sphere = FoundFeature(FeatureSpec("ball", "sphere", Sphere((0, 0, 0), 5.0)), Sphere((0, 0, 0), 5.0))
    assert "not of a sphere" in runout.total(char("total runout", "ball"), context(sphere))[0].reason
    assert "needs a datum" in runout.total(char("total runout", "shaft", datum_system=None), there)[0].reason
    aside = shaft()
    spec = FeatureSpec("shaft", "cylinder", Cylinder((1.0, 0.0, 0.0), UP, 10.0), span=(0.0, 40.0))
    aside = FoundFeature(spec, aside.shape, points=aside.points)
    assert "no datum gives an axis" in runout.circular(char("circular runout", "shaft"), context(aside))[0].reason
    assert "ask for position" in coaxial.coaxiality(char("coaxiality", "shaft"), context(aside))[0].reason
    asme = context(shaft(), standard="ASME Y14.5")
    assert "withdrawn" in coaxial.coaxiality(char("coaxiality", "shaft"), asme)[0].reason


def test_straightness_of_a_bowed_shaft():
    # the axis bows by 0.06 over its length; the outermost generators bow as much
    there = context(shaft(bow=0.06, along=81))
    axis = straightness.evaluate(char("straightness", "shaft", quantity="axis", step=0.5), there)[0]
    generators = straightness.evaluate(char("straightness", "shaft", quantity="generators"), there)[0]
    assert axis.value == pytest.approx(0.06, abs=1e-3)
    assert generators.value == pytest.approx(0.06, abs=1e-3)


def test_straightness_of_a_hollow_face_along_and_across():
    x, y = (v.ravel() for v in np.meshgrid(np.linspace(-30, 30, 121), np.linspace(-20, 20, 81)))
    points = np.column_stack([x, y, 0.04 * (x / 30) ** 2])
    spec = FeatureSpec("face", "plane", Plane((0.0, 0.0, 0.0), UP))
    there = context(FoundFeature(spec, Plane((0.0, 0.0, 0.0), UP), points=points))
    along = char("straightness", "face", quantity="along", direction=(1.0, 0.0, 0.0))
    across = char("straightness", "face", quantity="along", direction=(0.0, 1.0, 0.0), step=0.5)
    assert straightness.evaluate(along, there)[0].value == pytest.approx(0.04, abs=1e-9)
    assert straightness.evaluate(across, there)[0].value < 1e-3
    none = straightness.evaluate(char("straightness", "face", quantity="along"), there)[0]
    assert isinstance(none, Missing) and "direction" in none.reason


def test_roundness_of_a_cone_and_a_sphere():
    half = np.radians(30.0)
    angle, h = (v.ravel() for v in np.meshgrid(np.arange(180) * np.pi / 90, np.linspace(10.0, 20.0, 60)))
    # radius in the section: three lobes of 0.02 either way, roundness 0.04
    r = h * np.tan(half) + 0.02 * np.cos(3 * angle)
    points = np.column_stack([r * np.cos(angle), r * np.sin(angle), h])
    spec = FeatureSpec("cone", "cone", Cone((0.0, 0.0, 0.0), UP, half))
    there = context(FoundFeature(spec, spec.shape, points=points))
    assert form.roundness(char("roundness", "cone"), there)[0].value == pytest.approx(0.04, abs=1e-4)
    z = np.random.default_rng(0).uniform(-1, 1, 4000)
    angle = np.random.default_rng(1).uniform(0, 2 * np.pi, 4000)
    r = 5.0 + 0.01 * np.where(np.arange(4000) % 2, 1.0, -1.0)
    flat = np.sqrt(1 - z**2)
    ball = r[:, None] * np.column_stack([flat * np.cos(angle), flat * np.sin(angle), z])
    spec = FeatureSpec("ball", "sphere", Sphere((0.0, 0.0, 0.0), 5.0))
    there = context(FoundFeature(spec, spec.shape, points=ball))
    assert form.roundness(char("roundness", "ball"), there)[0].value == pytest.approx(0.02, abs=2e-4)


def test_a_perfect_noisy_face_is_nearly_all_noise_and_says_so():
    rng = np.random.default_rng(5)
    points = np.column_stack([rng.uniform(0, 100, (40_000, 2)), 0.02 * rng.normal(size=40_000)])
    spec = FeatureSpec("face", "plane", Plane((0.0, 0.0, 0.0), UP))
    there = context(FoundFeature(spec, Plane((0.0, 0.0, 0.0), UP), points=points))
    plain = form.flatness(char("flatness", "face"), there)[0]
    assert plain.value > 8 * 0.02
    assert plain.details["noise of a point"] == pytest.approx(0.02, rel=0.05)
    assert plain.details["corrected for noise"] < 0.15 * plain.value
    assert plain.details["corrected, at least"] == 0.0
    judged = form.flatness(char("flatness", "face", judge=FormFilter("gaussian", 8.0)), there)[0]
    assert judged.details["plain zone"] == pytest.approx(plain.value, rel=0.02)
    assert judged.value < 0.2 * plain.value
