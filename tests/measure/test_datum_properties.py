"""Datum systems on surfaces with form: what holds for every one of them; boundaries of bores, shafts, slots."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.geometry.fits import fit_cylinder, fit_plane
from runner.geometry.frames import move_points, rigid, rotation_from_vector
from runner.geometry.shapes import Cylinder, Plane, Slot, moved
from runner.measure.datums import establish
from runner.measure.found import FoundFeature
from runner.measure.specs import DatumSpec, DatumSystemSpec, FeatureSpec, FormFilter

UP = (0.0, 0.0, 1.0)
CENTRE = np.array([30.0, 20.0, 10.0])
NONE = FormFilter("none")
SHAPES = {
    "base": Plane((30.0, 20.0, 0), (0, 0, -1.0)),
    "front": Plane((30.0, 0, 10.0), (0, -1.0, 0)),
    "wall": Plane((0, 20.0, 10.0), (-1.0, 0, 0)),
    "bore": Cylinder((20.0, 20.0, 0), UP, 6.0),
}
SPECS = {
    name: FeatureSpec(name, "plane" if isinstance(shape, Plane) else "cylinder", shape, span=(0.0, 20.0))
    for name, shape in SHAPES.items()
}


def surfaces(seed, rough):
    """Points (n, 3) of each surface with random form of some height, out of the material and into it."""
    rng = np.random.default_rng(seed)
    u, v = rng.uniform(0, 60, 60), rng.uniform(0, 40, 60)
    form = rough * rng.normal(size=(4, 60))
    angle = np.arange(60) * 2 * np.pi * 7 / 60
    r = 6.0 + form[3]
    return {
        "base": np.column_stack([u, v, form[0]]),
        "front": np.column_stack([u, form[1], v / 2]),
        "wall": np.column_stack([form[2], v, u / 3]),
        "bore": np.column_stack([20 + r * np.cos(angle), 20 + r * np.sin(angle), u / 3]),
    }


def found(points, movement):
    features = {}
    for name, shape in SHAPES.items():
        seen = move_points(movement, points[name])
        fit = fit_plane if isinstance(shape, Plane) else fit_cylinder
        features[name] = FoundFeature(SPECS[name], fit(seen, moved(shape, movement)).shape, points=seen)
    return features


def system(*names):
    return DatumSystemSpec("s", tuple(DatumSpec(chr(65 + k), (n,), filter=NONE) for k, n in enumerate(names)))


PLACED = st.tuples(
    st.lists(st.floats(-0.01, 0.01), min_size=3, max_size=3), st.lists(st.floats(-0.5, 0.5), min_size=3, max_size=3)
)


def away(placed):
    turn = rotation_from_vector(np.array(placed[0]))
    return rigid(turn, CENTRE - turn @ CENTRE + np.array(placed[1]))


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.0, 0.05), PLACED, st.sampled_from(["ISO GPS", "ASME Y14.5"]))
def test_three_planes_touch_from_outside_wherever_the_part_lies(seed, rough, placed, standard):
    points, movement = surfaces(seed, rough), away(placed)
    made = establish(system("base", "front", "wall"), found(points, movement), SPECS, CENTRE, standard=standard)
    assert made.free.shape[1] == 0
    seated = {name: move_points(made.drawing_from_fit @ movement, p) for name, p in points.items()}
    # ISO 5459: the datum plane lies outside the material and touches it. Of the planes that do, the one from which the
    # farthest point is nearest: as many points hold it, out and in, as it had freedoms left, and one more
    for name, axis, held in (("base", 2, 4), ("front", 1, 3), ("wall", 0, 2)):
        inside = seated[name][:, axis]
        assert inside.min() == pytest.approx(0.0, abs=1e-6), name
        if standard == "ISO GPS":
            assert np.sum(inside < 1e-6) + np.sum(inside > inside.max() - 1e-6) >= held, name


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.0, 0.05), PLACED)
def test_the_frame_does_not_depend_on_the_fitted_pose_and_stands(seed, rough, placed):
    points, movement, named = surfaces(seed, rough), away(placed), system("base", "bore", "wall")
    here = establish(named, found(points, np.eye(4)), SPECS, CENTRE).drawing_from_fit
    there = establish(named, found(points, movement), SPECS, CENTRE).drawing_from_fit
    assert there @ movement == pytest.approx(here, abs=1e-5)
    # seated once more, it stays
    again = establish(named, found(points, here), SPECS, CENTRE).drawing_from_fit
    assert again == pytest.approx(np.eye(4), abs=1e-5)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), PLACED)
def test_a_lower_datum_never_disturbs_a_higher_one(seed, placed):
    points, movement = surfaces(seed, 0.02), away(placed)
    features = found(points, movement)
    short = establish(system("base"), features, SPECS, CENTRE).drawing_from_fit @ movement
    long = establish(system("base", "bore", "front"), features, SPECS, CENTRE).drawing_from_fit @ movement
    heights = [move_points(move, points["base"])[:, 2] for move in (short, long)]
    assert heights[1] == pytest.approx(heights[0], abs=1e-6)


A = DatumSpec("A", ("base",), "least squares")


def round_face(radius, outward):
    a, z = (w.ravel() for w in np.meshgrid(np.arange(180) * np.pi / 90, np.linspace(0, 20, 41)))
    points = np.column_stack([20 + radius * np.cos(a), 20 + radius * np.sin(a), z])
    spec = FeatureSpec("round", "cylinder", Cylinder((20.0, 20.0, 0), UP, 6.0), span=(0.0, 20.0))
    # a patch knows only which side the material lies on and how far it reaches
    from types import SimpleNamespace

    patch = SimpleNamespace(outward=outward, axial=(0.0, 20.0), samples=points[::50], area=100.0, swept=None)
    return FoundFeature(spec, Cylinder((20.0, 20.0, 0), UP, radius), points=points, patch=patch)


@pytest.mark.parametrize(
    ("radius", "outward", "size", "room"),
    [(6.1, -1, 12.0, 0.1), (5.9, 1, 12.0, 0.1), (6.1, -1, 12.2, 0.0), (5.9, 1, 11.9, 0.05)],
    ids=["bore", "shaft", "bore at its limit", "shaft, smaller boundary"],
)
def test_clearance_of_round_surfaces_at_maximum_material(radius, outward, size, room):
    base = FoundFeature(SPECS["base"], SHAPES["base"])
    face = round_face(radius, outward)
    known = {"base": SPECS["base"], "round": face.spec}
    datum = DatumSpec("B", ("round",), material="maximum", virtual_size=size, filter=NONE)
    made = establish(DatumSystemSpec("s", (A, datum)), {"base": base, "round": face}, known, CENTRE)
    if room:
        # half the difference of the diameters, all round (by hand)
        assert made.allowances[0].least() == pytest.approx(room, abs=1e-6)
        assert made.shift.shape[1] == 2
        there, beyond = np.eye(4), np.eye(4)
        there[0, 3], beyond[0, 3] = room - 1e-6, room + 1e-4
        # on a circle of 180 points one lies in the way
        assert made.allowances[0].least(there) >= 0 > made.allowances[0].least(beyond)
    else:
        assert made.allowances == () and "no shift" in " ".join(made.notes)


def test_clearance_of_a_slot_at_maximum_material():
    # walls 8.1 apart over a boundary of 8.0: 0.05 to either side, and nothing along it
    x, z = (w.ravel() for w in np.meshgrid(np.linspace(-6, 6, 49), np.linspace(0, 10, 21)))
    points = np.vstack([np.column_stack([40 + x, 20 + side * 4.05 + 0 * x, z]) for side in (1.0, -1.0)])
    spec = FeatureSpec("slot", "slot", Slot((40.0, 20.0, 5.0), UP, (1.0, 0, 0), 20.0, 8.0))
    slot = FoundFeature(spec, Slot((40.0, 20.0, 5.0), UP, (1.0, 0, 0), 20.1, 8.1), points=points)
    base = FoundFeature(SPECS["base"], SHAPES["base"])
    datum = DatumSpec("B", ("slot",), material="maximum", virtual_size=8.0, filter=NONE)
    known = {"base": SPECS["base"], "slot": spec}
    made = establish(DatumSystemSpec("s", (A, datum)), {"base": base, "slot": slot}, known, CENTRE)
    assert len(made.allowances) == 2
    assert min(a.least() for a in made.allowances) == pytest.approx(0.05, abs=1e-9)
    aside, along, turned = np.eye(4), np.eye(4), away([[0, 0, 0.05 / 6], [0, 0, 0]])
    aside[1, 3], along[0, 3] = 0.05, 3.0
    assert min(a.least(aside) for a in made.allowances) == pytest.approx(0.0, abs=1e-9)
    assert min(a.least(along) for a in made.allowances) == pytest.approx(0.05, abs=1e-9)
    # turned about a far place the walls cross their boundary
    assert min(a.least(turned) for a in made.allowances) < 0
