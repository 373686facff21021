"""Distances between features of every kind, against coordinates and hand-worked figures."""

import numpy as np
import pytest

from runner.geometry.shapes import Circle, Line, Plane, Point, Slot, Sphere
from runner.measure.characteristics import distance
from runner.measure.characteristics.common import Missing
from runner.measure.found import FoundFeature
from runner.measure.specs import FeatureSpec
from tests.measure.details import POSES, char, constructed, context, flat_face, pose, round_face


def ask(a, b, **more):
    return distance.evaluate(char("distance", a.spec.name, b.spec.name, **more), context(a, b))[0]


def edge(name, centre, radius, growth=0.0, shift=(0.0, 0.0, 0.0)):
    nominal = Circle(tuple(centre), (0.0, 0.0, 1.0), radius)
    measured = Circle(tuple(np.add(centre, shift)), (0.0, 0.0, 1.0), radius + growth)
    return FoundFeature(FeatureSpec(name, "circle", nominal, source="edges"), measured, coverage=0.9)


def test_web_between_two_holes():
    """Centres 30.2 apart, diameters 10.1 and 6: web 30.2 - 5.05 - 3 = 22.15, over all 38.25."""
    a, b = edge("a", (0, 0, 0), 5.0, 0.05), edge("b", (30, 0, 0), 3.0, shift=(0.2, 0, 0))
    assert ask(a, b).value == pytest.approx(30.2)
    assert ask(a, b, quantity="nearest").value == pytest.approx(22.15)
    assert ask(a, b, quantity="farthest").value == pytest.approx(38.25)
    along = {"direction": (1.0, 0.0, 0.0)}
    assert ask(a, b, quantity="nearest", **along).value == pytest.approx(22.15)
    assert ask(b, a, quantity="farthest", **along).value == pytest.approx(38.25)
    # along 60 deg: the circles' half extents stay, the way between the centres is halved
    slanted = {"direction": (0.5, np.sqrt(0.75), 0.0)}
    assert ask(a, b, quantity="nearest", **slanted).value == pytest.approx(15.1 - 8.05)


def test_one_inside_the_other_and_crossing():
    """A ring of radii 10 and 6, centres 1 apart: thinnest wall 3. Circles that cross are 0 apart."""
    assert ask(edge("a", (0, 0, 0), 10.0), edge("b", (1, 0, 0), 6.0), quantity="nearest").value == pytest.approx(3.0)
    assert ask(edge("a", (0, 0, 0), 5.0), edge("b", (7, 0, 0), 6.0), quantity="nearest").value == 0.0


def test_edge_of_a_face_to_a_slot():
    """Slot 20 x 8 lying along x at x = 30: its end is 20 from the face x = 0, its straight side 26 of 30 along y."""
    slot = Slot((30.0, 30.0, 0.0), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0), 20.0, 8.0)
    s = FoundFeature(FeatureSpec("slot", "slot", slot), slot)
    x = flat_face("x", [0, 0, 0], [-1, 0, 0])
    y = flat_face("y", [0, 0, 0], [0, -1, 0])
    assert ask(x, s, quantity="nearest", direction=(1.0, 0.0, 0.0)).value == pytest.approx(20.0)
    assert ask(y, s, quantity="nearest", direction=(0.0, 1.0, 0.0)).value == pytest.approx(26.0)
    assert isinstance(ask(x, s, quantity="nearest"), Missing)
    slanted = flat_face("x", [0, 0, 0], [-1, -1, 0])
    assert "not square" in ask(slanted, s, quantity="nearest", direction=(1.0, 0.0, 0.0)).reason


@pytest.mark.parametrize("seed", POSES)
def test_faces_that_are_not_quite_parallel(seed):
    """20 apart, one turned by 0.01 about y over 20 mm of length: 20 -+ 0.1 at its ends."""
    move = pose(seed)
    a = flat_face("a", [0, 0, 0], [0, 0, -1], along=[1, 0, 0], move=move)
    b = flat_face("b", [0, 0, 20], [0, 0, 1], along=[1, 0, 0], tilt=[0, 0.01, 0], move=move)
    half = 0.01 * np.ptp(np.linalg.solve(move, np.c_[b.patch.samples, np.ones(len(b.patch.samples))].T)[0]) / 2
    assert ask(a, b).value == pytest.approx(20.0, abs=2e-3)
    assert ask(a, b, quantity="nearest").value == pytest.approx(20.0 - half, abs=5e-3)
    assert ask(a, b, quantity="farthest").value == pytest.approx(20.0 + half, abs=5e-3)


@pytest.mark.parametrize("seed", POSES)
def test_pin_to_face(seed):
    """Pin of radius 5.02 standing 40.1 before a face: nearest 35.08, farthest 45.12."""
    move = pose(seed)
    pin = round_face("pin", [40, 0, 0], [0, 0, 1], 5.0, (0, 20), real=5.02, shift=[0.1, 0, 0], move=move)
    face = flat_face("face", [0, 0, 10], [-1, 0, 0], move=move)
    assert ask(pin, face).value == pytest.approx(40.1, abs=1e-6)
    assert ask(pin, face, quantity="nearest").value == pytest.approx(35.08, abs=1e-6)
    assert ask(face, pin, quantity="farthest").value == pytest.approx(45.12, abs=1e-6)
    standing = flat_face("standing", [0, 0, -30], [0, 0, -1], move=move)
    assert "not parallel to the plane" in ask(pin, standing, quantity="nearest").reason


def test_constructed_elements():
    """Virtual intersections: corners (0, 0, 0) and (30, 40, 0), really (0, 0.1, 0) and (30, 40.1, 0.3)."""
    a = constructed("a", "intersection", Point((0.0, 0.0, 0.0)), Point((0.0, 0.1, 0.0)))
    b = constructed("b", "intersection", Point((30.0, 40.0, 0.0)), Point((30.0, 40.1, 0.3)))
    assert ask(a, b).value == pytest.approx(np.sqrt(2500 + 0.09))
    assert ask(b, a, direction=(1.0, 0.0, 0.0)).value == pytest.approx(30.0)
    mid = constructed("mid", "symmetry plane", Plane((5.0, 0, 0), (1.0, 0, 0)), Plane((5.1, 0, 0), (1.0, 0, 0)))
    assert ask(a, mid).value == pytest.approx(5.1)
    axis = constructed("axis", "axis", Line((0.0, 0, 10), (0, 1.0, 0)), Line((0.0, 0, 10.2), (0, 1.0, 0)))
    assert ask(b, axis).value == pytest.approx(np.hypot(30.0, 9.9))
    bolts = constructed(
        "bolts", "centre circle", Circle((3.0, 4, 0), (0, 0, 1.0), 20), Circle((3.0, 4.1, 0), (0, 0, 1.0), 20)
    )
    assert ask(a, bolts).value == pytest.approx(5.0)
    ball = constructed("ball", "centre", Sphere((0, 0, 50.0), 5), Sphere((0, 0.1, 50.0), 5))
    assert ask(a, ball, quantity="nearest").value == pytest.approx(45.0)


def test_unknown_words_and_counts():
    a = edge("a", (0, 0, 0), 5.0)
    assert "middles, nearest or farthest" in ask(a, edge("b", (9, 0, 0), 1.0), quantity="shortest").reason
    assert "needs two" in distance.evaluate(char("distance", "a"), context(a))[0].reason
