"""Characteristics whose truth follows by hand, and inequalities between them that hold by definition."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.geometry.frames import invert, move_points, rigid, rotation_from_vector
from runner.geometry.shapes import Circle, Cone, Cylinder, Plane, Slot, Sphere, moved, vector
from runner.measure.characteristics import coaxial, form, orientation, position, runout, straightness, symmetry
from runner.measure.characteristics.common import Missing
from runner.measure.datums import Established, establish
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec, FeatureSpec, FormFilter

UP, ALONG = (0.0, 0.0, 1.0), (1.0, 0.0, 0.0)
HELD = np.zeros((6, 0))


def context(features, base, *, free=HELD, standard="ISO GPS"):
    """Features measured in a frame that the nominal datum feature gives."""
    known = {f.spec.name: f.spec for f in features} | {base.name: base}
    return SimpleNamespace(
        plan=SimpleNamespace(
            standard=standard,
            characteristics=(),
            datum_systems=(DatumSystemSpec("A", (DatumSpec("A", (base.name,)),)),),
        ),
        nominal=SimpleNamespace(bounds=(np.full(3, -50.0), np.full(3, 50.0))),
        specs=known,
        features={f.spec.name: f for f in features},
        systems={"A": Established("A", np.eye(4), free, np.zeros(3))},
    )


def char(kind, *features, **more):
    return CharacteristicSpec("1", kind, features, "t", datum_system=more.pop("datum_system", "A"), zone=0.1, **more)


MIDDLE = FeatureSpec("middle", "symmetry plane", Plane((0, 0, 0), ALONG), source="constructed")


def test_symmetry_of_a_slot_an_axis_and_a_median_plane():
    slot = FoundFeature(
        FeatureSpec("slot", "slot", Slot((0, 10.0, 0), UP, (0, 1.0, 0), 20.0, 8.0)),
        Slot((0.02, 10.3, 0.1), UP, (0.002, 1.0, 0), 20.0, 8.0),
    )
    lean = np.array([0.001, 0.004, 1.0])
    bore = FoundFeature(
        FeatureSpec("bore", "cylinder", Cylinder((0, 0, 0), UP, 5.0), span=(0.0, 30.0)),
        Cylinder((0.01, 0.2, 0), tuple(lean / np.linalg.norm(lean)), 5.0),
    )
    plane = FoundFeature(
        FeatureSpec("plane", "symmetry plane", Plane((0, 0, 5.0), ALONG), source="constructed"),
        Plane((0.03, 0, 5.0), ALONG),
    )
    there = context([slot, bore, plane], MIDDLE)
    # 2 x (0.02 + 6 x 0.002): its straight walls reach 6 mm from its middle; what lies along the datum doesn't count
    got = symmetry.evaluate(char("symmetry", "slot", "bore", "plane"), there)
    assert got[0].value == pytest.approx(2 * (0.02 + 6 * 0.002), abs=1e-6)
    # its far end lies 0.01 + 30 x 0.001 off, whatever it does along the datum plane
    assert got[1].value == pytest.approx(2 * 0.04, abs=1e-6)
    assert got[2].value == pytest.approx(0.06, abs=1e-12)


def test_what_symmetry_refuses():
    slot = FoundFeature(
        FeatureSpec("slot", "slot", Slot((1.0, 0, 0), UP, (0, 1.0, 0), 20.0, 8.0)),
        Slot((1.0, 0, 0), UP, (0, 1.0, 0), 20.0, 8.0),
    )
    there = context([slot], MIDDLE)
    assert "ask for position" in symmetry.evaluate(char("symmetry", "slot"), there)[0].reason
    assert "needs a datum" in symmetry.evaluate(char("symmetry", "slot", datum_system=None), there)[0].reason
    asme = context([slot], MIDDLE, standard="ASME Y14.5")
    assert "withdrawn" in symmetry.evaluate(char("symmetry", "slot"), asme)[0].reason


def test_concentricity_is_twice_the_distance_from_the_axis():
    axis = FeatureSpec("axis", "cylinder", Cylinder((0, 0, 0), UP, 8.0))
    hole = FoundFeature(FeatureSpec("hole", "circle", Circle((0, 0, 5.0), UP, 6.0)), Circle((0.03, 0.04, 5.2), UP, 6.0))
    ball = FoundFeature(FeatureSpec("ball", "sphere", Sphere((0, 0, 9.0), 6.0)), Sphere((0.03, 0.04, 9.7), 6.0))
    for one in (hole, ball):
        # 3-4-5; along the axis it may lie anywhere
        got = coaxial.concentricity(char("concentricity", one.spec.name), context([one], axis))[0]
        assert got.value == pytest.approx(0.1, abs=1e-12)
    # about a point every direction counts: root of 9 + 16 + 144 is 13
    middle = FeatureSpec("middle", "sphere", Sphere((0, 0, 9.0), 2.0))
    near = FoundFeature(ball.spec, Sphere((0.03, 0.04, 9.12), 6.0))
    got = coaxial.concentricity(char("concentricity", "ball"), context([near], middle))[0]
    assert got.value == pytest.approx(0.26, abs=1e-12)
    aside = FoundFeature(FeatureSpec("ball", "sphere", Sphere((1.0, 0, 9.0), 6.0)), Sphere((1.0, 0, 9.0), 6.0))
    assert "ask for position" in coaxial.concentricity(char("concentricity", "ball"), context([aside], axis))[0].reason


def cone(offset=0.0, half=np.pi / 6, wave=0.0):
    angle, h = (v.ravel() for v in np.meshgrid(np.arange(240) * np.pi / 120, np.linspace(10.0, 20.0, 91)))
    # the wave stands square to the surface
    r = h * np.tan(half) + wave * np.cos(4 * angle) / np.cos(half)
    points = np.column_stack([offset + r * np.cos(angle), r * np.sin(angle), h])
    spec = FeatureSpec("cone", "cone", Cone((0, 0, 0), UP, half))
    return FoundFeature(spec, Cone((offset, 0, 0), UP, half), points=points, coverage=1.0)


@pytest.mark.parametrize("degrees", [10.0, 30.0, 60.0])
def test_runout_of_a_cone_is_read_square_to_its_surface(degrees):
    axis = FeatureSpec("axis", "cylinder", Cylinder((0, 0, 0), UP, 8.0))
    half, e = np.radians(degrees), 0.02
    got = runout.circular(char("circular runout", "cone", step=0.1), context([cone(e, half)], axis))[0]
    # the surface moves by e cos(half) either way under an indicator that stands square to it
    assert got.value == pytest.approx(2 * e * np.cos(half), rel=2e-3)
    got = runout.circular(char("circular runout", "cone", step=0.1), context([cone(0.0, half, 0.015)], axis))[0]
    assert got.value == pytest.approx(2 * 0.015, rel=2e-3)
    refused = runout.total(char("total runout", "cone"), context([cone()], axis))[0]
    assert isinstance(refused, Missing) and "not of a cone" in refused.reason


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.floats(-0.01, 0.01), st.floats(-0.01, 0.01), st.floats(0.0, 0.1))
def test_straightness_flatness_and_parallelism_stand_in_their_order(seed, slope, across, bow):
    rng = np.random.default_rng(seed)
    x, y = (v.ravel() for v in np.meshgrid(np.linspace(-30, 30, 25), np.linspace(-20, 20, 17)))
    z = slope * x + across * y + bow * (x / 30) ** 2 + 0.005 * rng.normal(size=len(x))
    normal = np.array([-slope, -across, 1.0])
    spec = FeatureSpec("face", "plane", Plane((0, 0, 0), UP))
    found = FoundFeature(
        spec, Plane((0, 0, 0), tuple(normal / np.linalg.norm(normal))), points=np.column_stack([x, y, z]), coverage=1.0
    )
    there = context([found], FeatureSpec("base", "plane", Plane((0, 0, 0), UP)))
    parallel = orientation.evaluate(char("parallelism", "face"), there)[0].value
    flat = form.flatness(char("flatness", "face"), there)[0].value
    line = straightness.evaluate(char("straightness", "face", quantity="along", direction=ALONG), there)[0].value
    assert flat <= parallel + 1e-12
    # a line lies between the planes that hold its face, cut square to the face up to squares of the slopes
    assert line <= flat * (1 + 3e-4) + 1e-9
    assert parallel == pytest.approx(np.ptp(z), abs=1e-12)


def piece(seed=3):
    """A base, a bore, a shaft, a cone and a side wall, each with form and out of place; specs and points by name."""
    rng = np.random.default_rng(seed)
    u, v = (w.ravel() for w in np.meshgrid(np.linspace(0, 60, 31), np.linspace(0, 40, 21)))
    base = np.column_stack([u, v, 0.01 * np.sin(u / 9) * np.cos(v / 7) + 0.0005 * u])
    wall = np.column_stack([0.02 * np.sin(v[: len(v) // 2] / 5), u[: len(v) // 2] / 1.5, v[: len(v) // 2]])
    a, z = (w.ravel() for w in np.meshgrid(np.arange(90) * np.pi / 45, np.linspace(0, 30, 61)))

    def around(at, r):
        return np.column_stack([at[0] + r * np.cos(a), at[1] + r * np.sin(a), z])

    bore = around((20.03, 20.01), 6 + 0.01 * np.cos(3 * a)) + 0.001 * z[:, None] * ALONG
    pin = around((44.96, 20.02), 8 + 0.008 * np.cos(2 * a + 1)) - 0.0007 * z[:, None] * np.array((0, 1.0, 0))
    points = {"base": base, "wall": wall, "bore": bore, "pin": pin}
    shapes = {
        "base": Plane((30.0, 20.0, 0), (0, 0, -1.0)),
        "wall": Plane((0, 20.0, 15.0), (-1.0, 0, 0)),
        "bore": Cylinder((20.0, 20.0, 0), UP, 6.0),
        "pin": Cylinder((45.0, 20.0, 0), UP, 8.0),
    }
    noise = {name: 0.002 * rng.normal(size=p.shape) for name, p in points.items()}
    return {name: (shapes[name], p + noise[name]) for name, p in points.items()}


def datum(label, name):
    """A datum that touches every point: cells of means would lie differently in each frame."""
    return DatumSpec(label, (name,), filter=FormFilter("none"))


SYSTEM = DatumSystemSpec("A", (datum("A", "base"), datum("B", "bore"), datum("C", "wall")))
ONLY = DatumSystemSpec("B", (datum("B", "bore"),))
FIRST = DatumSystemSpec("F", (datum("A", "base"),))


def every_value(movement):
    """All values of the piece, its drawing and scan moved together by a rigid movement."""
    from runner.geometry.fits import fit_cylinder, fit_plane

    features, specs = {}, {}
    for name, (shape, points) in piece().items():
        nominal, seen = moved(shape, movement), move_points(movement, points)
        kind = "plane" if isinstance(shape, Plane) else "cylinder"
        spec = FeatureSpec(name, kind, nominal, span=(0.0, 30.0) if kind == "cylinder" else None)
        fit = (fit_plane if kind == "plane" else fit_cylinder)(seen, nominal)
        specs[name], features[name] = spec, FoundFeature(spec, fit.shape, points=seen, fit=fit, coverage=1.0)
    centre = move_points(movement, np.array([[30.0, 20.0, 10.0]]))[0]
    systems = {s.name: establish(s, features, specs, centre) for s in (SYSTEM, ONLY, FIRST)}
    assert all(s.drawing_from_fit is not None for s in systems.values())
    there = SimpleNamespace(
        plan=SimpleNamespace(standard="ISO GPS", characteristics=(), datum_systems=(SYSTEM, ONLY, FIRST)),
        nominal=SimpleNamespace(bounds=(centre - 40, centre + 40)),
        specs=specs,
        features=features,
        systems=systems,
    )
    way = vector(movement[:3, :3] @ np.array(ALONG))
    asked = [
        (form.flatness, char("flatness", "base", "wall")),
        (form.roundness, char("roundness", "bore", "pin")),
        (form.cylindricity, char("cylindricity", "bore", "pin")),
        (straightness.evaluate, char("straightness", "bore", "pin", quantity="axis")),
        (orientation.evaluate, char("perpendicularity", "bore", "wall", "pin", datum_system="F")),
        (orientation.evaluate, char("parallelism", "pin", datum_system="B", zone_shape="diametral")),
        (orientation.evaluate, char("perpendicularity", "pin", direction=way)),
        (position.evaluate, char("position", "bore", "pin", "wall", zone_shape="diametral")),
        (position.evaluate, char("position", "bore", "pin", zone_shape="diametral", datum_system="F", combined=True)),
        (position.evaluate, char("position", "pin", direction=way)),
        (runout.total, char("total runout", "bore")),
        (runout.circular, char("circular runout", "bore")),
    ]
    values = [finding.value for evaluate, spec in asked for finding in evaluate(spec, there)]
    turned = [invert(movement) @ systems[n].drawing_from_fit @ movement for n in ("A",)]
    return np.array(values), turned[0]


def test_nothing_depends_on_where_the_part_lies():
    rng = np.random.default_rng(8)
    here, frame = every_value(np.eye(4))
    assert len(here) == 21 and here.min() > 1e-4
    for far in (0.0, 100.0, 10_000.0):
        movement = rigid(rotation_from_vector(rng.normal(size=3)), far * rng.uniform(-1, 1, 3))
        there, again = every_value(movement)
        # 10 m away doubles hold places to 2e-12 mm, and slopes carry that over the part
        assert there == pytest.approx(here, abs=1e-7)
        assert again == pytest.approx(frame, abs=1e-6)


def walls(name, at, radius):
    a, z = (w.ravel() for w in np.meshgrid(np.arange(180) * np.pi / 90, np.linspace(0, 10, 21)))
    points = np.column_stack([at[0] + radius * np.cos(a), at[1] + radius * np.sin(a), z])
    spec = FeatureSpec(name, "cylinder", Cylinder((round(at[0]), 0.0, 0.0), UP, 5.0), span=(0.0, 10.0))
    return FoundFeature(spec, Cylinder((*at, 0.0), UP, radius), points=points, coverage=1.0)


@pytest.mark.parametrize(("condition", "sizes"), [("maximum", (10.1, 10.0)), ("least", (10.1, 10.2))])
def test_a_bonus_weighs_in_combined_zones(condition, sizes):
    # holes 0.1 off either way; one has a bonus of 0.1 over the zone of 0.1, the other none. Moved together by d, the
    # shares of both zones are alike: (0.1 + d) / 0.1 = (0.1 - d) / 0.05, so d = 1/30 (by hand)
    pair = [walls("one", (0.1, 0.0), sizes[0] / 2), walls("two", (49.9, 0.0), sizes[1] / 2)]
    shift = np.zeros((6, 1))
    shift[3, 0] = 1.0
    there = context(pair, FeatureSpec("base", "plane", Plane((0, 0, 0), UP)), free=shift)
    spec = char(
        "position", "one", "two", zone_shape="diametral", combined=True, material_condition=condition,
        size_limits=(10.0, 10.2),
    )  # fmt: skip
    one, two = position.evaluate(spec, there)
    assert (one.upper, two.upper) == pytest.approx((0.2, 0.1), abs=1e-6)
    assert one.value == pytest.approx(2 * (0.1 + 1 / 30), abs=2e-6)
    assert two.value == pytest.approx(2 * (0.1 - 1 / 30), abs=2e-6)
    # each by itself lies in the middle of its own zone
    apart = position.evaluate(replace(spec, combined=False), there)
    assert [f.value for f in apart] == pytest.approx([0.0, 0.0], abs=1e-8)
