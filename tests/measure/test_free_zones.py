"""Zones that their datums leave free to move are taken where they need least; unexplained material near a surface."""

import numpy as np
import pytest
from scipy.optimize import minimize

from runner.geometry.frames import rotation_from_vector
from runner.geometry.mesh import CLUTTER
from runner.geometry.shapes import Plane
from runner.measure.characteristics.turning import free_axis, least_spread
from runner.measure.minimax import least_largest
from runner.measure.run import measure
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec, FeatureSpec
from runner.records import Verdict

UP = (0.0, 0.0, 1.0)
A = DatumSystemSpec("A", (DatumSpec("A", ("bottom",)),))
MAIN = DatumSystemSpec("main", (DatumSpec("A", ("bottom",)), DatumSpec("B", ("left",)), DatumSpec("C", ("front",))))


def char(kind, *features, **more):
    return CharacteristicSpec("1", kind, features, "title", **more)


@pytest.mark.parametrize("degrees", [0.0, 1.0, 5.0, -5.0])
@pytest.mark.parametrize("lean", [0.0, 0.004])
def test_perpendicularity_does_not_feel_a_turn_about_the_datums_normal(
    plate, plate_index, make_scene, make_plan, plate_sample, plate_part, degrees, lean
):
    points, normals = plate_sample(plate_part())
    wall = np.flatnonzero(np.abs(normals[:, 0] + 1.0) < 1e-9)
    turn = rotation_from_vector(np.array([0.0, 0.0, np.radians(degrees)]))
    middle = np.array([0.0, 40.0, 0.0])
    # the wall leans by `lean` over its height, then the whole wall is turned about the datum's normal
    leaning = points[wall] + np.outer(points[wall, 2] * lean, [1.0, 0.0, 0.0])
    points[wall] = (leaning - middle) @ turn.T + middle
    normals[wall] = normals[wall] @ turn.T
    features = [
        FeatureSpec("bottom", "plane", Plane((5.0, 5.0, 0.0), (0.0, 0.0, -1.0))),
        FeatureSpec("left", "plane", Plane((0.0, 40.0, 10.0), (-1.0, 0.0, 0.0)), search=5.0),
    ]
    spec = char("perpendicularity", "left", zone=0.2, datum_system="A")
    to = char("perpendicularity", "left", zone=0.2, reference=("bottom",))
    plan = make_plan(features, [spec, to], [A])
    measured = measure(plan, plate, plate_index, make_scene(points, normals))
    wide = np.ptp(points[measured.found["left"].rows][:, 2]) * lean
    for result in measured.results:
        # a wall that leans and turns lets the best zone lean a few 0.1 % of it less
        assert result.value == pytest.approx(wide, rel=2e-3, abs=1e-5)
        assert result.details["zone turned by, deg"] == pytest.approx(degrees, abs=0.01)
        assert "needs least" in result.details["definition"]


def test_with_the_turn_held_by_a_second_datum_it_counts(plate, plate_index, make_scene, make_plan, plate_sample):
    from tests.measure.conftest import Part

    points, normals = plate_sample(Part())
    wall = np.flatnonzero(np.abs(normals[:, 0] + 1.0) < 1e-9)
    points[wall, 0] += 0.01 * (points[wall, 1] - 40.0)
    specs = {
        "bottom": FeatureSpec("bottom", "plane", Plane((5.0, 5.0, 0.0), (0.0, 0.0, -1.0))),
        "left": FeatureSpec("left", "plane", Plane((0.0, 40.0, 10.0), (-1.0, 0.0, 0.0))),
        "front": FeatureSpec("front", "plane", Plane((60.0, 0.0, 10.0), (0.0, -1.0, 0.0))),
    }
    system = DatumSystemSpec("AB", (DatumSpec("A", ("bottom",)), DatumSpec("B", ("front",))))
    plan = make_plan(specs.values(), [char("perpendicularity", "left", zone=0.2, datum_system="AB")], [system])
    measured = measure(plan, plate, plate_index, make_scene(points, normals))
    seen = points[measured.found["left"].rows]
    assert measured.results[0].value == pytest.approx(float(np.ptp(seen[:, 0])), abs=1e-4)


def test_least_spread_equals_a_general_minimiser():
    rng = np.random.default_rng(0)
    points = np.column_stack([0.05 * rng.normal(size=500), rng.uniform(0, 40, 500), rng.uniform(0, 20, 500)])
    points = points @ rotation_from_vector(np.array([0.02, 0.0, 0.06])).T
    axis, normal = np.array([0.0, 0.0, 1.0]), np.array([-1.0, 0.0, 0.0])
    width, angle = least_spread(points, normal, axis, 0.0)
    found = min(
        (
            float(np.ptp(points @ np.array([-np.cos(t), -np.sin(t), 0.0]))), t
        )
        for t in np.linspace(0.05, 0.07, 20_001)
    )  # fmt: skip
    assert width == pytest.approx(found[0], abs=1e-5)
    assert width <= found[0] + 1e-12
    assert angle == pytest.approx(found[1], abs=2e-6)


def test_least_largest_equals_a_general_minimiser():
    rng = np.random.default_rng(1)
    rows, values = rng.normal(size=(400, 2)), rng.normal(size=400)
    step, width = least_largest(rows, values)
    assert np.abs(values + rows @ step).max() == pytest.approx(width, abs=1e-12)
    found = minimize(
        lambda q: np.abs(values + rows @ q).max(), step + 0.05, method="Nelder-Mead", options={"xatol": 1e-9}
    )
    assert width <= found.fun + 1e-9
    assert least_largest(np.zeros((0, 2)), np.zeros(0)) is None


def test_free_axis_of_datum_systems():
    assert free_axis(np.zeros((6, 0))) is None
    assert free_axis(np.eye(6)) is None
    only = np.zeros((6, 3))
    only[2, 0] = only[3, 1] = only[4, 2] = 1.0
    assert np.allclose(free_axis(only), [0.0, 0.0, 1.0])


def test_profile_without_datums_takes_the_place_that_needs_least(
    plate, plate_index, plate_specs, make_scene, make_plan, plate_sample, plate_part
):
    # the whole part 0.3 mm and 0.1 degrees away from where it should be, and its top 0.2 mm too high
    points, normals = plate_sample(plate_part(top_shift=0.2), step=1.2)
    turn = rotation_from_vector(np.radians([0.05, -0.03, 0.08]))
    points, normals = points @ turn.T + np.array([0.2, -0.1, 0.15]), normals @ turn.T
    free = char("profile", "skin", zone=1.0)
    held = char("profile", "skin", zone=1.0, datum_system="main")
    plan = make_plan(plate_specs.values(), [free, held], [MAIN])
    got, fixed = measure(plan, plate, plate_index, make_scene(points, normals)).results
    # middle of both: half of it on each side (the sides and bores pin the rest)
    assert got.value == pytest.approx(0.2, abs=5e-3)
    assert "need least" in got.details["zone"]
    assert fixed.value == pytest.approx(0.4, abs=2e-3)
    assert "zone" not in fixed.details


def test_profile_takes_only_the_free_turn(
    plate, plate_index, plate_specs, make_scene, make_plan, plate_sample, plate_part
):
    # A and a hole hold all but the turn about the hole, which the scan has wrong by a fifth of a degree
    points, normals = plate_sample(plate_part(), step=1.2)
    turn = rotation_from_vector(np.array([0.0, 0.0, np.radians(0.2)]))
    centre = np.array([30.0, 40.0, 0.0])
    points, normals = (points - centre) @ turn.T + centre, normals @ turn.T
    system = DatumSystemSpec("s", (DatumSpec("A", ("bottom",)), DatumSpec("B", ("bore a",), "least squares")))
    plan = make_plan(plate_specs.values(), [char("profile", "skin", zone=1.0, datum_system="s")], [system])
    result = measure(plan, plate, plate_index, make_scene(points, normals)).results[0]
    assert result.value < 2e-3
    assert "rz" in result.details["zone"]


def test_an_unequal_zone_states_its_shift(
    plate, plate_index, plate_specs, make_scene, make_plan, plate_sample, plate_part
):
    points, normals = plate_sample(plate_part(top_shift=0.2))
    spec = char("profile", "skin", zone=0.6, unequal=0.1, datum_system="main")
    inch = char("profile", "skin", zone=0.6, unequal=0.1, datum_system="main", unit="in")
    plan = make_plan(plate_specs.values(), [spec, inch], [MAIN])
    results = measure(plan, plate, plate_index, make_scene(points, normals)).results
    assert results[0].details["unequal"] == pytest.approx(0.1)
    assert results[1].details["unequal"] == pytest.approx(0.1 / 25.4)
    assert results[0].value == pytest.approx(0.2, abs=2e-3)


def removed_over_the_top(points, normals, *, look=1.0, under=True):
    """A disc of removed points 1 mm over the top; ``under``: whether the top itself was seen there."""
    top = (normals[:, 2] > 0.5) & (np.hypot(points[:, 0] - 100.0, points[:, 1] - 20.0) < 4.0) & (points[:, 2] < 20.5)
    disc = points[top] + np.array([0.0, 0.0, 1.0])
    kept = np.ones(len(points), dtype=bool) if under else ~top
    every = np.vstack([points[kept], disc])
    directions = np.vstack([normals[kept], look * normals[top]])
    labels = np.concatenate([np.zeros(kept.sum(), np.uint8), np.full(len(disc), CLUTTER, np.uint8)])
    return every, directions, labels


@pytest.mark.parametrize(
    ("look", "under", "verdict"),
    [(1.0, False, Verdict.UNDECIDED), (1.0, True, Verdict.CONFORMS), (-1.0, True, Verdict.CONFORMS)],
)
def test_removed_material_blocks_only_where_the_surface_under_it_was_not_seen(
    plate, plate_index, plate_specs, make_scene, make_plan, plate_sample, plate_part, look, under, verdict
):
    points, normals, labels = removed_over_the_top(*plate_sample(plate_part()), look=look, under=under)
    spec = char("profile", "skin", zone=1.0, datum_system="main")
    plan = make_plan(plate_specs.values(), [spec], [MAIN])
    result = measure(plan, plate, plate_index, make_scene(points, normals, removed=labels)).results[0]
    assert result.verdict is verdict
    assert ("removed" in result.reason) is (verdict is Verdict.UNDECIDED)


def test_removed_material_beside_a_rim_says_nothing(
    plate, plate_index, plate_specs, make_scene, make_plan, plate_sample, plate_part
):
    points, normals = plate_sample(plate_part())
    # a table flush with the bottom, all round the part, from 1 to 3 mm beside it
    rng = np.random.default_rng(4)
    table = np.column_stack([rng.uniform(-3, 123, (4000, 2)), np.zeros(4000)])
    table = table[(table[:, 0] < -1) | (table[:, 0] > 121)]
    every = np.vstack([points, table])
    directions = np.vstack([normals, np.tile([0.0, 0.0, -1.0], (len(table), 1))])
    labels = np.concatenate([np.zeros(len(points), np.uint8), np.full(len(table), CLUTTER, np.uint8)])
    spec = char("profile", "skin", zone=1.0, datum_system="main")
    plan = make_plan(plate_specs.values(), [spec], [MAIN])
    result = measure(plan, plate, plate_index, make_scene(every, directions, removed=labels)).results[0]
    assert result.verdict is Verdict.CONFORMS


def test_a_table_flush_with_the_lower_side_of_a_sheet_does_not_stand_over_its_upper_side(bracket, make_plan):
    from runner.geometry.distance import SurfaceIndex
    from runner.measure.scene import AlignedScan, build_scene
    from tests.measure.test_following import SKIN, bracket_scan

    points, normals = bracket_scan(0.0)
    rng = np.random.default_rng(5)
    # the table looks up, as the sheet's upper side does, 1.5 mm under it and up to 1 mm beside its outline
    table = np.column_stack([rng.uniform(-1.0, -0.1, 2000), rng.uniform(0, 60, 2000), np.zeros(2000)])
    every, directions = np.vstack([points, table]), np.vstack([normals, np.tile(UP, (2000, 1))])
    labels = np.concatenate([np.zeros(len(points), np.uint8), np.full(2000, CLUTTER, np.uint8)])
    scan = AlignedScan(every, directions, normals_signed=True, removed=labels)
    index = SurfaceIndex.build(bracket)
    scene = build_scene([scan], bracket, index, 5.0)
    spec = CharacteristicSpec("1", "profile", ("skin",), "t", zone=1.0, reach=3.0)
    result = measure(make_plan([SKIN], [spec]), bracket, index, scene).results[0]
    assert result.verdict is Verdict.CONFORMS


def test_a_point_whose_normal_is_no_surfaces_is_a_speck(bracket, make_plan):
    from runner.geometry.distance import SurfaceIndex
    from runner.measure.scene import AlignedScan, build_scene
    from tests.measure.test_following import SKIN, bracket_scan

    points, normals = bracket_scan(0.0)
    # on the inner side of the flange, looking the other way: it would be 1.5 mm off the outer side
    every = np.vstack([points, [[78.52, 30.0, 15.0]]])
    scan = AlignedScan(every, np.vstack([normals, [[1.0, 0.0, 0.0]]]), normals_signed=True)
    index = SurfaceIndex.build(bracket)
    scene = build_scene([scan], bracket, index, 5.0)
    assert scene.specks[-1] and scene.specks.sum() == 1
    spec = CharacteristicSpec("1", "profile", ("skin",), "t", zone=1.0)
    assert measure(make_plan([SKIN], [spec]), bracket, index, scene).results[0].value < 0.01


def test_specks_are_left_out_of_a_profile_and_shown(
    plate, plate_index, plate_specs, make_scene, make_plan, plate_sample, plate_part
):
    points, normals = plate_sample(plate_part())
    specks = np.array([[80.0, 20.0, 22.5], [80.4, 20.0, 22.5], [80.0, 20.4, 22.5]])
    every, directions = np.vstack([points, specks]), np.vstack([normals, np.tile(UP, (3, 1))])
    spec = char("profile", "skin", zone=1.0, datum_system="main")
    plan = make_plan(plate_specs.values(), [spec], [MAIN])
    result = measure(plan, plate, plate_index, make_scene(every, directions)).results[0]
    assert result.value < 2e-3
    assert result.details["isolated points left out"] == 3
    assert result.details["largest deviation left out"] == pytest.approx(2.5, abs=1e-3)
