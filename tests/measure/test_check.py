"""What ``runner check`` can say about a plan before any part is scanned."""

import numpy as np
import pytest

from runner.geometry.shapes import Circle, Cylinder, Plane, Sphere
from runner.measure.check import check_datum_systems, check_features, check_form_noise, needs
from runner.measure.kinds import FEATURE_KINDS, KINDS
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec, FeatureSpec, FormFilter

UP = (0.0, 0.0, 1.0)


def char(kind, *features, **more):
    return CharacteristicSpec("1", kind, features, "t", **more)


def systems(*names):
    return [DatumSystemSpec("s", tuple(DatumSpec(chr(65 + k), (n,)) for k, n in enumerate(names)))]


def test_sound_features_give_no_trouble(plate, plate_specs, make_plan):
    assert check_features(make_plan(plate_specs.values()), plate) == []


@pytest.mark.parametrize(
    ("shape", "kind", "text"),
    [
        (Cylinder((90.0, 40.0, 0.0), UP, 10.05), "cylinder", "radius 10.0000 instead of 10.0500"),
        (Cylinder((90.3, 40.4, 0.0), UP, 10.0), "cylinder", "axis 0.5000 mm away, at (90.000, 40.000"),
        (Plane((5.0, 5.0, 20.5), UP), "plane", "0.5000 mm away"),
        (Plane((5.0, 5.0, 20.0), (0.0, 0.0, -1.0)), "plane", "facing the other way"),
        (Circle((30.0, 40.0, 10.0), UP, 7.0), "circle", "radius 6.0000 instead of 7.0000"),
    ],
)
def test_a_feature_beside_the_nominal_is_named_with_what_is_there(plate, make_plan, shape, kind, text):
    troubles = check_features(make_plan([FeatureSpec("bad", kind, shape)]), plate)
    assert [name for name, _ in troubles] == ["bad"]
    assert text in troubles[0][1]


@pytest.mark.parametrize(
    ("datums", "spec", "named"),
    [
        (("bottom",), char("position", "bore a", zone=0.1, zone_shape="diametral", datum_system="s"), "on x, y, left"),
        (("bottom", "left"), char("position", "bore a", zone=0.1, zone_shape="diametral", datum_system="s"), "y"),
        (("bottom", "bore b"), char("position", "bore a", zone=0.1, zone_shape="diametral", datum_system="s"), "rz"),
        (("pin foot",), char("perpendicularity", "left", zone=0.1, datum_system="s"), "rx, ry, rz"),
        (
            ("bottom",),
            char("position", "bore a", zone=0.1, zone_shape="two planes", direction=(1.0, 0, 0), datum_system="s"),
            "x",
        ),
        (("bottom",), char("distance", "bore a", "bore b", datum_system="s", direction=(1.0, 0.0, 0.0)), "rz"),
    ],
)  # fmt: skip
def test_a_value_that_depends_on_a_free_degree_is_an_error(plate, plate_specs, make_plan, datums, spec, named):
    ball = FeatureSpec("pin foot", "sphere", Sphere((0.0, 0.0, 0.0), 5.0))
    plan = make_plan([*plate_specs.values(), ball], [spec], systems(*datums))
    troubles = check_datum_systems(plan, plate)
    assert len(troubles) == 1
    assert named in troubles[0][1]
    assert "left free" in troubles[0][1]


@pytest.mark.parametrize(
    ("datums", "spec"),
    [
        (("bottom", "left", "front"), char("position", "bore a", zone=0.1, zone_shape="diametral", datum_system="s")),
        (("bottom", "left", "front"), char("profile", "skin", zone=0.1, datum_system="s")),
        # a bore's coaxiality with its own datum axis needs no clocking
        (("bottom", "bore a"), char("position", "bore a", zone=0.1, zone_shape="diametral", datum_system="s")),
        (("bottom",), char("perpendicularity", "bore a", zone=0.1, datum_system="s")),
        (("bottom",), char("parallelism", "top", zone=0.1, datum_system="s")),
        (("bottom",), char("profile", "top", zone=0.1, datum_system="s")),
        (("bottom",), char("position", "top", zone=0.1, datum_system="s")),
        (("bore a",), char("parallelism", "bore b", zone=0.1, datum_system="s")),
        # zones that take the free movements themselves, where they need least
        (("bottom",), char("perpendicularity", "left", zone=0.1, datum_system="s")),
        (("bore a",), char("parallelism", "left", zone=0.1, datum_system="s")),
        (("bottom",), char("profile", "skin", zone=0.1, datum_system="s")),
    ],
)
def test_a_value_that_needs_no_free_degree_is_fine(plate, plate_specs, make_plan, datums, spec):
    assert check_datum_systems(make_plan(plate_specs.values(), [spec], systems(*datums)), plate) == []


def test_a_surface_of_revolution_does_not_feel_the_turn_about_its_axis(plate, plate_specs):
    # by its face: the facets of its mesh would feel it
    pin = plate_specs["pin"]
    spec = char("profile", "pin", zone=0.1, datum_system="s")
    axis_point = np.array([pin.shape.point[0], pin.shape.point[1], 5.0])
    rows = needs(spec, plate_specs, plate, axis_point, 0.5)
    assert len(rows) > 10
    assert np.abs(rows[:, 2]).max() < 1e-9
    assert np.abs(rows[:, 0]).max() > 1.0


def test_an_unknown_datum_system_and_a_surface_as_datum(plate, plate_specs, make_plan):
    spec = char("position", "bore a", zone=0.1, datum_system="other")
    assert "no datum system" in check_datum_systems(make_plan(plate_specs.values(), [spec]), plate)[0][1]
    spec = char("position", "bore a", zone=0.1, datum_system="s")
    plan = make_plan(plate_specs.values(), [spec], systems("skin"))
    assert "can't be a datum" in check_datum_systems(plan, plate)[0][1]


def test_noise_against_form_tolerances(plate, plate_specs, make_plan):
    plain = char("flatness", "top", zone=0.3)
    filtered = char("flatness", "top", zone=0.3, judge=FormFilter("gaussian", 5.0))
    wide = char("flatness", "top", zone=1.0)
    for spec, bad in ((plain, True), (filtered, False), (wide, False)):
        troubles = check_form_noise(make_plan(plate_specs.values(), [spec], noise=0.02, spacing=0.2), plate)
        assert bool(troubles) is bad
    # 20 micrometre noise of 2e5 points spans about 9 sigma (design: 8.9 sigma for 1e5)
    troubles = check_form_noise(make_plan(plate_specs.values(), [plain], noise=0.02, spacing=0.2), plate)
    assert "0.18" in troubles[0][1]


def test_the_table_of_kinds_is_complete_and_its_functions_exist():
    for kind in KINDS.values():
        assert callable(kind.evaluate)
        assert kind.sentence and kind.formula and kind.iso and kind.asme
        assert set(kind.features) <= set(FEATURE_KINDS)
    assert np.all([name == kind.name for name, kind in KINDS.items()])
