"""Surface features, datums and characteristics on a plate whose truth is in the test's own parameters."""

import csv
from pathlib import Path

import numpy as np
import pytest

from runner.measure.characteristics.position import material_bonus
from runner.measure.characteristics.profile import largest_gap, profile_value
from runner.measure.run import measure, not_measured
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec, FormFilter
from runner.records import Verdict

REFERENCE = Path(__file__).parent.parent / "reference"
MAIN = DatumSystemSpec("main", (DatumSpec("A", ("bottom",)), DatumSpec("B", ("left",)), DatumSpec("C", ("front",))))


def char(kind, *features, **more):
    return CharacteristicSpec("1", kind, features, "title", **more)


@pytest.fixture()
def run(plate, plate_index, plate_specs, make_scene, make_plan, plate_sample):
    """Measure characteristics on a sampled part."""

    def go(part, characteristics, *, systems=(MAIN,), features=None, normals=True, seed=0, mask=None, **more):
        points, directions = plate_sample(part, seed=seed)
        if mask is not None:
            kept = mask(points, directions)
            points, directions = points[kept], directions[kept]
        scene = make_scene(points, directions if normals else None, **more)
        wanted = {n for c in characteristics for n in (*c.features, *c.reference)}
        wanted |= {n for system in systems for datum in system.datums for n in datum.features}
        specs = features or {name: spec for name, spec in plate_specs.items() if name in wanted}
        plan = make_plan(specs.values(), characteristics, systems)
        return measure(plan, plate, plate_index, scene)

    return go


@pytest.mark.parametrize("definition", ["two-point", "GG", "GX", "envelope"])
def test_size_of_a_bore(run, plate_part, definition):
    part = plate_part(noise=0.02, bore_growth={"bore b": -0.02})
    spec = char("size", "bore b", nominal=20.0, lower=19.9, upper=20.1, size_definition=definition)
    result = run(part, [spec]).results[0]
    assert result.verdict is Verdict.CONFORMS
    assert result.value == pytest.approx(19.96, abs=0.004)


def test_size_of_a_pin_circumscribed(run, plate_part):
    spec = char("size", "pin", nominal=10.0, lower=9.9, upper=10.1, size_definition="GN")
    assert run(plate_part(pin_growth=0.015, noise=0.01), [spec]).results[0].value == pytest.approx(10.03, abs=0.004)


def test_two_point_size_sees_an_oval_bore_and_least_squares_does_not(run, plate_part):
    part = plate_part(noise=0.01, bore_lobes={"bore b": (2, 0.06)})
    limits = {"nominal": 20.0, "lower": 19.9, "upper": 20.1}
    two_point, least_squares = (
        run(part, [char("size", "bore b", size_definition=d, **limits)]).results[0] for d in ("two-point", "GG")
    )
    assert two_point.details["largest"] == pytest.approx(20.12, abs=0.006)
    assert two_point.details["smallest"] == pytest.approx(19.88, abs=0.006)
    assert two_point.verdict is Verdict.DOES_NOT_CONFORM
    assert least_squares.value == pytest.approx(20.0, abs=0.003)


def test_two_point_size_is_blind_to_three_lobes_but_the_inscribed_cylinder_is_not(run, plate_part):
    # a constant-width form: opposite radii add up to the same diameter (handbook fact on odd lobes)
    part = plate_part(noise=0.005, bore_lobes={"bore b": (3, 0.05)})
    limits = {"nominal": 20.0, "lower": 19.95, "upper": 20.05}
    two_point, inscribed = (
        run(part, [char("size", "bore b", size_definition=d, **limits)]).results[0] for d in ("two-point", "GX")
    )
    assert two_point.value == pytest.approx(20.0, abs=0.004)
    assert inscribed.value == pytest.approx(19.9, abs=0.006)


def test_bore_seen_from_one_side_has_no_two_point_size(run, plate_part):
    def right_half(points, normals):
        wall = (np.abs(normals[:, 2]) < 0.5) & (np.hypot(points[:, 0] - 90, points[:, 1] - 40) < 11)
        return ~(wall & (points[:, 0] < 91.0))

    spec = char("size", "bore b", nominal=20.0, lower=19.9, upper=20.1)
    result = run(plate_part(noise=0.01), [spec], mask=right_half).results[0]
    assert result.verdict is Verdict.NOT_MEASURED
    assert "one side" in result.reason
    result = run(
        plate_part(noise=0.01), [char("size", "bore b", lower=19.9, upper=20.1, size_definition="GG")], mask=right_half
    ).results[0]
    assert result.value == pytest.approx(20.0, abs=0.01)


def test_thickness_and_distance_between_faces(run, plate_part):
    part = plate_part(top_shift=0.05, noise=0.02)
    results = run(
        part,
        [
            char("size", "top", "bottom", nominal=20.0, lower=19.9, upper=20.1),
            char("distance", "top", "bottom", nominal=20.0, lower=19.9, upper=20.1),
            char("distance", "left", "right", nominal=120.0, lower=119.9, upper=120.1),
        ],
    ).results
    assert results[0].details["mean"] == pytest.approx(20.05, abs=0.001)
    assert results[1].value == pytest.approx(20.05, abs=0.001)
    assert results[2].value == pytest.approx(120.0, abs=0.002)


def test_thickness_follows_a_tilted_face(run, plate_part):
    # slope 1e-3 over 120 mm: local sizes from 19.94 to 20.06, seen but for half a cell at each end
    part = plate_part(top_tilt=1e-3, noise=0.01)
    result = run(part, [char("size", "top", "bottom", nominal=20.0, lower=19.9, upper=20.1)]).results[0]
    assert result.details["largest"] == pytest.approx(20.06, abs=0.005)
    assert result.details["smallest"] == pytest.approx(19.94, abs=0.005)


def test_distance_between_bores_with_and_without_direction(run, plate_part):
    part = plate_part(noise=0.01, bore_shift={"bore a": (0.1, 0.2)})
    plain = char("distance", "bore a", "bore b", nominal=60.0, lower=59.0, upper=61.0)
    along = char("distance", "bore b", "bore a", nominal=60.0, lower=59.0, upper=61.0, direction=(1.0, 0.0, 0.0))
    results = run(part, [plain, along]).results
    assert results[0].value == pytest.approx(np.hypot(59.9, 0.2), abs=0.003)
    assert results[1].value == pytest.approx(59.9, abs=0.003)


def test_angle_in_degrees_and_its_supplement(run, plate_part):
    part = plate_part(top_tilt=np.tan(np.radians(0.2)), noise=0.01)
    limits = {"lower": np.radians(89.0), "upper": np.radians(91.0), "nominal": np.pi / 2, "unit": "deg"}
    one, other = run(part, [char("angle", "top", "right", **limits), char("angle", "top", "left", **limits)]).results
    # the top's normal leans towards -x
    assert one.value == pytest.approx(90.2, abs=0.006)
    assert other.value == pytest.approx(89.8, abs=0.006)


@pytest.mark.parametrize(("bow", "noise"), [(0.1, 0.0), (0.1, 0.01)])
def test_flatness_of_a_bowed_face(run, plate_part, bow, noise):
    judge = FormFilter("gaussian", 8.0) if noise else FormFilter()
    spec = char("flatness", "top", zone=0.2, judge=judge)
    result = run(plate_part(top_bow=bow, noise=noise), [spec], systems=()).results[0]
    # a parabola's minimum zone is its whole height (less the margin at both ends, and what the filter rounds off)
    assert result.value == pytest.approx(bow, abs=0.006 if noise else 0.004)


def test_a_plain_zone_on_noise_is_as_wide_as_the_noise(run, plate_part):
    result = run(plate_part(noise=0.02), [char("flatness", "top", zone=0.5)], systems=()).results[0]
    # expected range of n normal values is d2(n) sigma (control charts, ISO 7870-2); about 8.4 for 34,000
    assert result.value == pytest.approx(8.4 * 0.02, rel=0.1)
    assert result.details["judged"] == "plain zone over all points"


def test_roundness_and_cylindricity_of_lobes(run, plate_part):
    part = plate_part(bore_lobes={"bore b": (5, 0.03)})
    results = run(part, [char("roundness", "bore b", zone=0.1), char("cylindricity", "bore b", zone=0.1)]).results
    assert [r.value for r in results] == pytest.approx([0.06, 0.06], abs=0.001)


def test_position_of_a_displaced_bore(run, plate_part):
    part = plate_part(noise=0.01, bore_shift={"bore a": (0.03, -0.04)})
    spec = char("position", "bore a", "bore b", zone=0.09, zone_shape="diametral", datum_system="main")
    result = run(part, [spec]).results[0]
    assert result.verdict is Verdict.DOES_NOT_CONFORM
    assert result.value == pytest.approx(0.1, abs=0.006)
    assert [p.verdict for p in result.parts] == [Verdict.DOES_NOT_CONFORM, Verdict.CONFORMS]
    assert result.reason.startswith("bore a")


def test_position_takes_the_worse_end_of_a_leaning_bore(run, plate_part):
    part = plate_part(noise=0.005, bore_lean={"bore b": 0.002})
    spec = char("position", "bore b", zone=0.1, zone_shape="diametral", datum_system="main")
    result = run(part, [spec]).results[0]
    assert result.value == pytest.approx(2 * 0.002 * 20.0, abs=0.006)
    square = char("perpendicularity", "bore b", zone=0.1, zone_shape="diametral", datum_system="main")
    assert run(part, [square]).results[0].value == pytest.approx(0.002 * 20.0, abs=0.004)


@pytest.mark.parametrize("row", list(csv.DictReader((REFERENCE / "gdt_position_2d.csv").read_text().splitlines()[3:])))
def test_position_arithmetic_of_the_reference(run, plate_part, row):
    part = plate_part(bore_shift={"bore a": (float(row["dx_mm"]), float(row["dy_mm"]))})
    spec = char("position", "bore a", zone=1.0, zone_shape="diametral", datum_system="main")
    assert run(part, [spec]).results[0].value == pytest.approx(float(row["position_diameter_mm"]), abs=1e-4)


@pytest.mark.parametrize("row", list(csv.DictReader((REFERENCE / "gdt_mmc_bonus.csv").read_text().splitlines()[4:])))
def test_material_bonus_of_the_reference(row):
    limits = (float(row["size_min"]), float(row["size_max"]))
    if row["modifier"] != "M":
        return
    found = material_bonus(float(row["actual_size"]), limits, shaft=row["feature"] == "pin", condition="maximum")
    assert found == pytest.approx(float(row["bonus"]), abs=1e-9)
    allowed = float(row["position_tolerance"]) + found
    assert allowed == pytest.approx(float(row["allowed_position"]), abs=1e-9)


def test_maximum_material_bonus_decides(run, plate_part):
    part = plate_part(noise=0.005, bore_shift={"bore a": (0.06, 0.0)}, bore_growth={"bore a": 0.025})
    common = {"zone": 0.1, "zone_shape": "diametral", "datum_system": "main"}
    plain = char("position", "bore a", **common)
    bonus = char("position", "bore a", material_condition="maximum", size_limits=(12.0, 12.1), **common)
    without, with_bonus = run(part, [plain, bonus]).results
    assert without.verdict is Verdict.DOES_NOT_CONFORM
    assert with_bonus.verdict is Verdict.CONFORMS, with_bonus.reason
    assert with_bonus.upper == pytest.approx(0.15, abs=0.006)
    assert with_bonus.details["mating size"] == pytest.approx(12.05, abs=0.006)


def test_parallelism_needs_the_datum_and_flatness_does_not(run, plate_part):
    part = plate_part(top_tilt=5e-4, noise=0.005)
    judge = FormFilter("gaussian", 8.0)
    results = run(
        part,
        [
            char("parallelism", "top", zone=0.1, reference=("bottom",), judge=judge),
            char("parallelism", "top", zone=0.1, datum_system="main", judge=judge),
            char("flatness", "top", zone=0.1, judge=judge),
        ],
    ).results
    assert results[0].value == pytest.approx(5e-4 * 120, abs=0.006)
    assert results[1].value == pytest.approx(5e-4 * 120, abs=0.006)
    assert results[2].value < 0.01


def test_profile_gives_worst_plus_and_minus(run, plate_part):
    part = plate_part(top_shift=0.2, bore_growth={"bore b": 0.1})
    result = run(part, [char("profile", "skin", zone=1.0, datum_system="main")]).results[0]
    assert result.details["worst plus"] == pytest.approx(0.2, abs=1e-4)
    # a bore that is too large lacks material: minus
    assert result.details["worst minus"] == pytest.approx(-0.1, abs=1e-4)
    assert result.value == pytest.approx(0.4, abs=2e-4)
    assert result.verdict is Verdict.CONFORMS


@pytest.mark.parametrize(
    ("plus", "minus", "unequal", "value"),
    [(0.2, -0.1, 0.0, 0.4), (0.2, -0.3, 0.0, 0.6), (0.3, 0.0, 0.2, 0.4), (0.5, 0.1, 0.3, 0.4)],
)
def test_profile_formula_for_equal_and_unequal_zones(plus, minus, unequal, value):
    assert profile_value(plus, minus, unequal) == pytest.approx(value)


def test_one_excess_proves_nonconformance_whatever_the_coverage(run, plate_part):
    def a_third(points, normals):
        return (points[:, 0] > 80) | (normals[:, 2] < -0.5)

    spec = char("profile", "skin", zone=0.3, need_coverage=0.95, datum_system="s")
    system = DatumSystemSpec("s", (DatumSpec("A", ("bottom",)), DatumSpec("B", ("right",)), DatumSpec("C", ("front",))))
    result = run(plate_part(top_shift=0.2), [spec], mask=a_third, systems=(system,)).results[0]
    assert result.verdict is Verdict.DOES_NOT_CONFORM


def test_conforms_needs_the_stated_coverage(run, plate_part):
    def no_bottom(points, normals):
        return normals[:, 2] > -0.5

    spec = char("profile", "skin", zone=1.0, need_coverage=0.95)
    result = run(plate_part(), [spec], mask=no_bottom).results[0]
    assert result.verdict is Verdict.UNDECIDED
    assert "was seen" in result.reason


def test_a_large_gap_forbids_conforms(run, plate_part):
    def hole(points, normals):
        return ~((np.hypot(points[:, 0] - 60, points[:, 1] - 40) < 6) & (normals[:, 2] > 0.5))

    small = run(plate_part(), [char("profile", "skin", zone=1.0, largest_gap=20.0)], mask=hole).results[0]
    large = run(plate_part(), [char("profile", "skin", zone=1.0, largest_gap=8.0)], mask=hole).results[0]
    assert small.verdict is Verdict.CONFORMS
    assert large.verdict is Verdict.UNDECIDED
    assert large.details["largest gap"] == pytest.approx(12.0, abs=3.0)


def test_largest_gap_of_nothing_and_everything():
    assert largest_gap(np.full(50, 0.3), 1.0) == 0.0
    assert largest_gap(np.array([0.2, 4.0]), 1.0) == pytest.approx(8.0)
    assert largest_gap(np.full(50, np.inf), 1.0) == np.inf


def test_removed_material_near_the_surface_is_never_conforms(
    plate_part, plate_sample, plate, plate_index, make_plan, plate_specs, make_scene
):
    points, normals = plate_sample(plate_part())
    removed = np.zeros(len(points), dtype=np.uint8)
    removed[np.hypot(points[:, 0] - 20, points[:, 1] - 20) < 3] = 2  # CLUTTER
    scene = make_scene(points, normals, removed=removed)
    plan = make_plan(plate_specs.values(), [char("profile", "skin", zone=1.0)])
    result = measure(plan, plate, plate_index, scene).results[0]
    assert result.verdict is Verdict.UNDECIDED
    assert "removed" in result.reason


def test_clouds_without_normals_give_the_same_sizes(run, plate_part):
    part = plate_part(noise=0.01, bore_growth={"bore a": 0.03})
    spec = char("size", "bore a", nominal=12.0, lower=11.9, upper=12.1, size_definition="GG")
    assert run(part, [spec], normals=False).results[0].value == pytest.approx(12.06, abs=0.004)


def test_stated_uncertainty_and_units(run, plate_part):
    from runner.measure.specs import DecisionSpec

    spec = char(
        "size", "bore a", nominal=12.0, lower=11.99, upper=12.01, unit="in", size_definition="GG",
        stated_uncertainty=0.016, decision=DecisionSpec("guarded"),
    )  # fmt: skip
    result = run(plate_part(noise=0.005), [spec]).results[0]
    assert result.verdict is Verdict.UNDECIDED
    assert result.value == pytest.approx(12.0 / 25.4, abs=2e-4)
    assert result.upper == pytest.approx(12.01 / 25.4)
    assert result.uncertainty.expanded == pytest.approx(0.016 / 25.4)


def test_every_characteristic_can_be_not_measured_for_one_reason(make_plan, plate_specs):
    plan = make_plan(plate_specs.values(), [char("size", "bore a"), char("profile", "skin", zone=1.0)])
    results = not_measured(plan, "no proven pose")
    assert {r.verdict for r in results} == {Verdict.NOT_MEASURED}
    assert {r.reason for r in results} == {"no proven pose"}


def test_deviation_map_shows_what_was_displaced(run, plate_part):
    measured = run(plate_part(top_shift=0.2), [])
    shown = measured.deviation_map
    top = (shown.normals[:, 2] > 0.9) & (np.abs(shown.points[:, 2] - 20.0) < 1e-6)
    assert np.nanmedian(shown.deviation[top]) == pytest.approx(0.2, abs=1e-5)
    bottom = shown.normals[:, 2] < -0.9
    assert np.nanmax(np.abs(shown.deviation[bottom])) < 1e-5
    again = type(shown).from_arrays(shown.to_arrays())
    assert again.sha256 == shown.sha256
