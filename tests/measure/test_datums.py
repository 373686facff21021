"""Datum systems: constraint by constraint, against movements that the test itself made."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.geometry.frames import invert, rigid, rotation_from_vector
from runner.geometry.shapes import Circle, Cylinder, Plane, Slot, Sphere, moved
from runner.measure.datums import establish, free_movements
from runner.measure.found import FoundFeature
from runner.measure.specs import DatumSpec, DatumSystemSpec, FeatureSpec
from runner.measure.twists import as_rigid, named

UP = (0.0, 0.0, 1.0)
CENTRE = np.array([60.0, 40.0, 10.0])
SPECS = {
    "base": FeatureSpec("base", "plane", Plane((10, 10, 0), (0, 0, -1.0))),
    "side": FeatureSpec("side", "plane", Plane((0, 40, 10), (-1.0, 0, 0))),
    "front": FeatureSpec("front", "plane", Plane((60, 0, 10), (0, -1.0, 0))),
    "bore": FeatureSpec("bore", "cylinder", Cylinder((30, 40, 0), UP, 6.0)),
    "hole": FeatureSpec("hole", "circle", Circle((30, 40, 0), (0, 0, -1.0), 6.0), source="edges"),
    "hole 2": FeatureSpec("hole 2", "circle", Circle((90, 30, 0), (0, 0, -1.0), 4.0), source="edges"),
    "slot": FeatureSpec("slot", "slot", Slot((90, 40, 0), (0, 0, -1.0), (1.0, 0, 0), 16.0, 8.0), source="edges"),
    "ball": FeatureSpec("ball", "sphere", Sphere((90, 60, 20), 5.0)),
    "shaft a": FeatureSpec("shaft a", "cylinder", Cylinder((0, 40, 10), (1.0, 0, 0), 5.0)),
    "shaft b": FeatureSpec("shaft b", "cylinder", Cylinder((100, 40, 10), (1.0, 0, 0), 7.0)),
}


def system(*datums, associate="least squares"):
    specs = tuple(
        DatumSpec(chr(65 + k), (d,) if isinstance(d, str) else tuple(d), associate) for k, d in enumerate(datums)
    )
    return DatumSystemSpec("s", specs)


def as_found(movement, names=SPECS):
    """Features of a part that was moved as a whole: what a fit would find without error."""
    return {n: FoundFeature(SPECS[n], moved(SPECS[n].shape, movement)) for n in names}


def small(rng, turn=0.01, shift=0.5):
    rotation = rotation_from_vector(rng.normal(size=3) * turn)
    return rigid(rotation, CENTRE - rotation @ CENTRE + rng.normal(size=3) * shift)


FULL = [
    ("base", "side", "front"),
    ("base", "hole", "slot"),
    ("base", "bore", "hole 2"),
    ("base", "hole", "side"),
    ("side", "base", "ball"),
    ("bore", "base", "slot"),
    ("base", ("hole", "hole 2")),
    (("shaft a", "shaft b"), "side", "ball"),
]


@pytest.mark.parametrize("datums", FULL, ids=str)
def test_a_moved_part_is_brought_back_exactly(datums):
    for seed in range(5):
        away = small(np.random.default_rng(seed))
        made = establish(system(*datums), as_found(away), SPECS, CENTRE)
        assert made.reason == ""
        assert made.drawing_from_fit == pytest.approx(invert(away), abs=1e-8)
        assert named(made.free) == ()


@pytest.mark.parametrize(
    ("datums", "free"),
    [
        (("base",), ("x", "y", "rz")),
        (("base", "side"), ("y",)),
        (("base", "hole"), ("rz",)),
        (("bore",), ("z", "rz")),
        (("bore", "base"), ("rz",)),
        (("ball",), ("rx", "ry", "rz")),
        (("side", "base"), ("y",)),
        ((("shaft a", "shaft b"),), ("x", "rx")),
        (("base", "hole", "slot"), ()),
        ((), ("x", "y", "z", "rx", "ry", "rz")),
    ],
    ids=str,
)
def test_degrees_that_stay_free(datums, free):
    # ISO 5459:2011, invariance classes: a plane leaves 2 shifts and 1 turn, an axis 1 and 1, a point 0 and 3
    assert named(free_movements(system(*datums), SPECS, CENTRE)) == free


def test_a_higher_datum_is_never_disturbed_by_a_lower_one():
    # the front leans by 5 mrad against the base: the base stays seated, the front is met only as far as it can be
    rng = np.random.default_rng(1)
    away = small(rng)
    found = as_found(away)
    lean = rotation_from_vector(np.array([0.005, 0.0, 0.0]))
    leaning = moved(SPECS["front"].shape, rigid(lean, CENTRE - lean @ CENTRE))
    found["front"] = FoundFeature(SPECS["front"], moved(leaning, away))
    made = establish(system("base", "side", "front"), found, SPECS, CENTRE)
    base = moved(found["base"].shape, made.drawing_from_fit)
    assert base.normal == pytest.approx((0, 0, -1.0), abs=1e-10)
    assert base.point[2] == pytest.approx(base.normal[0] * 0, abs=1e-8)
    side = moved(found["side"].shape, made.drawing_from_fit)
    assert side.normal == pytest.approx((-1.0, 0, 0), abs=1e-10)


def test_what_no_datum_holds_stays_as_fitted():
    made = establish(system("base"), as_found(rigid(np.eye(3), np.array([0.3, -0.2, 0.1]))), SPECS, CENTRE)
    assert made.drawing_from_fit == pytest.approx(rigid(np.eye(3), np.array([0, 0, -0.1])), abs=1e-12)


def test_a_datum_that_adds_nothing_is_noted():
    made = establish(system("base", "base"), as_found(np.eye(4)), SPECS, CENTRE)
    assert any("holds nothing" in note for note in made.notes)


def test_far_slot_sets_the_turn_by_its_place_and_a_near_side_by_its_direction():
    # the slot's own direction is off by 0.02 rad, its place is right: over a lever of 60 mm its place decides
    found = as_found(np.eye(4))
    slot = SPECS["slot"].shape
    found["slot"] = FoundFeature(
        SPECS["slot"], Slot(slot.centre, slot.axis, (np.cos(0.02), np.sin(0.02), 0.0), slot.length, slot.width)
    )
    made = establish(system("base", "hole", "slot"), found, SPECS, CENTRE)
    assert made.drawing_from_fit == pytest.approx(np.eye(4), abs=1e-9)


def test_outside_material_rests_on_the_high_points_and_least_squares_does_not():
    # a base bowed by 0.1 mm along x, convex: high points in the middle (downwards, the base looks down)
    x, y = np.meshgrid(np.linspace(0, 120, 121), np.linspace(0, 80, 81), indexing="ij")
    bow = 0.1 * 4 * (x / 120) * (1 - x / 120)
    points = np.column_stack([x.ravel(), y.ravel(), -bow.ravel()])
    mean = float(points[:, 2].mean())
    found = {"base": FoundFeature(SPECS["base"], Plane((10, 10, mean), (0, 0, -1.0)), points=points)}
    squares = establish(system("base"), found, SPECS, CENTRE)
    outside = establish(system("base", associate="outside material"), found, SPECS, CENTRE)
    assert squares.drawing_from_fit[2, 3] == pytest.approx(-mean, abs=1e-6)
    # touched at the lowest point, but for the averaging over small cells
    middle = outside.drawing_from_fit @ np.array([60.0, 40.0, 0.0, 1.0])
    assert middle[2] == pytest.approx(0.1, abs=0.002)
    assert any("outside the material" in note for note in outside.notes)


def test_outside_material_does_not_stand_on_noise():
    rng = np.random.default_rng(0)
    points = np.column_stack([rng.uniform(0, 120, 40_000), rng.uniform(0, 80, 40_000), rng.normal(0, 0.02, 40_000)])
    found = {"base": FoundFeature(SPECS["base"], Plane((10, 10, 0), (0, 0, -1.0)), points=points)}
    made = establish(system("base", associate="outside material"), found, SPECS, CENTRE)
    # the outermost of 40,000 points stands 4 sigma = 0.085 mm out
    assert abs(made.drawing_from_fit[2, 3]) < 0.001


def test_not_a_datum():
    with pytest.raises(ValueError, match="can't be a datum"):
        skin = {"skin": FeatureSpec("skin", "surface", None)}
        free_movements(system("skin"), skin, CENTRE)
    with pytest.raises(ValueError, match="no feature"):
        free_movements(system("nowhere"), SPECS, CENTRE)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-0.2, 0.2), min_size=3, max_size=3), st.lists(st.floats(-5, 5), min_size=3, max_size=3))
def test_a_twist_is_a_rigid_movement_and_its_negative_undoes_it(turn, shift):
    twist = np.array([*turn, *shift])
    there, back = as_rigid(twist, CENTRE), as_rigid(-twist, CENTRE)
    assert there @ back == pytest.approx(np.eye(4), abs=1e-9)
    assert there[:3, :3] @ there[:3, :3].T == pytest.approx(np.eye(3), abs=1e-12)
