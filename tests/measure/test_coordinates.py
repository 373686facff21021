"""Coordinates of features, against where the test put them."""

import numpy as np
import pytest

from runner.geometry.frames import invert, rigid, rotation_from_vector
from runner.geometry.shapes import Cone, Cylinder, Line, Point, Sphere
from runner.measure.characteristics import coordinates
from runner.measure.characteristics.common import Missing
from runner.measure.datums import Established
from runner.measure.found import FoundFeature
from runner.measure.specs import FeatureSpec
from tests.measure.details import char, constructed, context, flat_face, patch_of, round_face


def ask(feature, axis, **more):
    systems = more.pop("systems", {})
    spec = char("coordinates", feature.spec.name, quantity=axis, **more)
    return coordinates.evaluate(spec, context(feature, systems=systems))[0]


def system(move, free=None):
    free = np.zeros((6, 0)) if free is None else free
    return {"main": Established("main", move, free, np.zeros(3))}


def test_axis_point_plane_and_apex():
    bore = round_face("bore", [30, 40, 0], [0, 0, 1], 6.0, (0, 20), shift=[0.1, -0.2, 0])
    assert ask(bore, "x").value == pytest.approx(30.1, abs=1e-6)
    assert ask(bore, "y").value == pytest.approx(39.8, abs=1e-6)
    assert "runs along that direction" in ask(bore, "z").reason
    top = flat_face("top", [5, 5, 20], [0, 0, 1], shift=0.05)
    assert ask(top, "z").value == pytest.approx(20.05, abs=1e-6)
    assert "runs along that direction" in ask(top, "x").reason
    point = constructed("p", "intersection", Point((1.0, 2, 3)), Point((1.1, 2.2, 3.3)))
    assert [ask(point, a).value for a in "xyz"] == pytest.approx([1.1, 2.2, 3.3])
    ball = FoundFeature(FeatureSpec("ball", "sphere", Sphere((0.0, 0, 0), 5)), Sphere((0.1, 0.2, 0.3), 5))
    assert ask(ball, "y").value == pytest.approx(0.2)
    cone = FoundFeature(
        FeatureSpec("cone", "cone", Cone((0, 0, -6.0), (0, 0, 1.0), 0.7)), Cone((0, 0, -6.1), (0, 0, 1.0), 0.7)
    )
    assert ask(cone, "z").value == pytest.approx(-6.1)


def test_a_leaning_axis_is_taken_at_the_middle_of_its_extent():
    """Lean 0.01 over z, extent 0 to 20: at z = 10 the axis is off by 0.1, whatever point the fit gave."""
    nominal = Cylinder((30.0, 40.0, 0.0), (0.0, 0.0, 1.0), 6.0)
    way = np.array([0.01, 0.0, 1.0]) / np.hypot(0.01, 1.0)
    for slide in (-300.0, 0.0, 55.0):
        at = np.array([30.0, 40.0, 0.0]) + slide * way
        measured = Cylinder(tuple(at), tuple(way), 6.0)
        bore = FoundFeature(
            FeatureSpec("bore", "cylinder", nominal), measured, patch=patch_of(np.zeros((1, 3)), (0.0, 20.0))
        )
        assert ask(bore, "x").value == pytest.approx(30.1, abs=1e-9)


def test_an_inclined_face_is_taken_where_the_line_through_its_middle_meets_it():
    """Face at 45 deg raised by 0.1 along its normal: 0.1 sqrt 2 along z at its middle."""
    face = flat_face("face", [10, 0, 30], [1, 0, 1], shift=0.1)
    centre = face.patch.samples.mean(axis=0)
    expected = 30 - (centre[0] - 10) + 0.1 * np.sqrt(2)
    assert ask(face, "z").value == pytest.approx(expected, abs=1e-6)


def test_in_a_datum_frame():
    """The part lies displaced in the fitted frame; seated on its datums it has the coordinates it was made with."""
    away = rigid(rotation_from_vector(np.array([0.02, -0.01, 0.03])), np.array([0.4, -0.3, 0.2]))
    bore = round_face("bore", [30, 40, 0], [0, 0, 1], 6.0, (0, 20), shift=[0.1, 0, 0], noise=0.0)
    spot = away @ np.array([30.1, 40, 0, 1])
    way = away[:3, :3] @ [0, 0, 1.0]
    moved = FoundFeature(bore.spec, Cylinder(tuple(spot[:3]), tuple(way), 6.0), patch=bore.patch)
    got = ask(moved, "x", datum_system="main", systems=system(invert(away)))
    assert got.value == pytest.approx(30.1, abs=1e-9)
    assert got.details["frame"] == "main"


def test_a_coordinate_that_the_datums_leave_free_is_refused():
    bore = round_face("bore", [30, 40, 0], [0, 0, 1], 6.0, (0, 20))
    free = np.zeros((6, 1))
    free[3] = 1.0
    assert "x depends on x" in ask(bore, "x", datum_system="main", systems=system(np.eye(4), free)).reason
    assert ask(bore, "y", datum_system="main", systems=system(np.eye(4), free)).value == pytest.approx(40.0)
    top = flat_face("top", [5, 5, 20], [0, 0, 1])
    assert ask(top, "z", datum_system="main", systems=system(np.eye(4), free)).value == pytest.approx(20.0)


def test_words_and_lines():
    line = constructed("axis", "axis", Line((0.0, 7, 0), (1.0, 0, 0)), Line((5.0, 7.1, 0), (1.0, 0, 0)))
    assert ask(line, "y").value == pytest.approx(7.1)
    assert isinstance(ask(line, "x"), Missing)
    assert "x, y or z" in ask(line, "r").reason
    system_missing = coordinates.evaluate(
        char("coordinates", "axis", quantity="x", datum_system="none"), context(line)
    )[0]
    assert "no datum system" in system_missing.reason


def test_check_knows_what_a_coordinate_depends_on():
    """A bore's x feels x and the turn about z (by its y), its own height not at all."""
    from runner.measure.check import coordinate_rows

    spec = FeatureSpec("bore", "cylinder", Cylinder((30.0, 40.0, 0.0), (0.0, 0.0, 1.0), 6.0))
    rows = coordinate_rows(char("coordinates", "bore", quantity="x"), spec, np.zeros(3))
    assert rows[0] == pytest.approx([0, 0, -40, 1, 0, 0])
    assert len(coordinate_rows(char("coordinates", "bore", quantity="z"), spec, np.zeros(3))) == 0
