"""Recipe to plan: the numbers that reach the measuring core."""

from __future__ import annotations

import dataclasses
import math
import re

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from runner.geometry.shapes import Circle, Cone, Cylinder, Plane, Slot
from runner.measure.specs import CharacteristicSpec, FeatureSpec, MeasurePlan
from runner.recipe.load import parse_recipe
from runner.recipe.schema import Recipe
from runner.recipe.translate import alignment_method, to_align_settings, to_plan


def load(text: str) -> Recipe:
    recipe, problems = parse_recipe(text, "test.yaml")
    assert recipe is not None, problems
    return recipe


def features(plan: MeasurePlan) -> dict[str, FeatureSpec]:
    return {spec.name: spec for spec in plan.features}


def characteristics(plan: MeasurePlan) -> dict[str, CharacteristicSpec]:
    return {spec.id: spec for spec in plan.characteristics}


STATED = "defaults: {characteristics: {uncertainty: 0.02, angle uncertainty: 0.1}}\n"

BASE = """\
recipe: 1
part: {number: KT-31, revision: A}
drawing: {standard: STANDARD, edition: EDITION, units: mm}
nominal: {file: lever.step}
sheet: {thickness: 2}
scan: {surface: {noise: 0.02, spacing: 0.2}}
features:
  base: {plane: {at: [1, 2, 0], normal: [0, 0, -2]}, search: 0.7, margin: 0.4, coverage: 40 %, points: 50}
  side: {plane: {at: [0, 5, 5], normal: -x}, extent: coplanar}
  bore: {cylinder: {at: [10, 0, 0], axis: +z, diameter: 8}, span: [0.5, 9]}
  seat: {cone: {at: [10, 0, 9], axis: +z, diameter: 12, angle: 90°}}
  tip: {cone: {apex: [0, 0, 3], axis: -z, angle: 60}}
  near hole: {circle: {at: [30, 0, 2], axis: +z, diameter: 6}}
  far hole: {circle: {at: [40, 0, 2], axis: +z, diameter: 6}, side: far}
  far slot: {slot: {at: [50, 0, 2], axis: +z, along: +y, length: 12, width: 5, ends: square}, side: far}
  holes:
    pattern: {circle: {at: [70, 0, 2], axis: [1, 2, 2], diameter: 30, count: 5, start: 12°}}
    of: {circle: {diameter: 4}}
  grid:
    pattern: {grid: {at: [0, 0, 2], axis: +z, along: +x, count: [3, 2], step: [10, 7]}}
    of: {cylinder: {diameter: 4}}
  skin: {surface: {at: [[1, 1, 2], [5, 5, 5]]}}
datums:
  A: {feature: base}
  B: {feature: bore, associate: least squares}
  C: {feature: holes}
datum systems:
  main: [A, B, C]
characteristics:
  "1": {size: bore, limits: 8 H8}
  "2": {position: near hole, zone: Ø 0.4, datums: A-B|C}
  "3": {flatness: base, zone: 0.1, judge: {filter: gaussian, cutoff: 0.8}}
  "4": {angle: [base, side], limits: 90° ±0.5°, uncertainty: 0.05}
  "5": {profile: skin, zone: 0.5, PROFILE, datums: main}
  "6": {position: each of grid, zone: 0.3, shape: two planes, direction: [0, 2, 0], datums: main, at: Ⓛ,
        size limits: 4 ±0.1}
  "7": {perpendicularity: bore, zone: 0.05, shape: Ø, datums: A, over: [0, 10], uncertainty: 0.01}
  "8": {distance: [base, side], limits: 5 ±0.1, along: +z}
  "9": {other gauge: twist, kind: value, limits: 12 ±2, unit: deg, uncertainty: 0.2, gauge: TW-3}
  "10": {parallelism: side, zone: 0.1, to: bore}
decision: {rule: simple}
"""


def text_for(standard: str = "ISO GPS", edition: str = "2017", profile: str = "unequal: 0.1") -> str:
    return BASE.replace("STANDARD", standard).replace("EDITION", edition).replace("PROFILE", profile)


def test_elements_are_in_millimetres_and_unit_vectors() -> None:
    found = features(to_plan(load(text_for())))
    assert found["base"].shape == Plane((1, 2, 0), (0, 0, -1))
    assert found["bore"].shape == Cylinder((10, 0, 0), (0, 0, 1), 4)
    assert found["near hole"].shape == Circle((30, 0, 2), (0, 0, 1), 3)
    assert found["base"].search == 0.7 and found["base"].margin == 0.4
    assert found["base"].least_coverage == 0.4 and found["base"].least_points == 50
    assert found["side"].extent == "coplanar" and found["base"].extent == "connected"
    assert found["bore"].span == (0.5, 9)
    assert found["near hole"].source == "edges" and found["bore"].source == "surface"
    assert found["skin"].shape is None and found["skin"].region == "faces"
    assert found["skin"].region_points == ((1, 1, 2), (5, 5, 5))
    assert found["side"].origin is not None and found["side"].origin.line == 9


def test_a_far_edge_lies_one_thickness_below_and_looks_out_of_the_other_side() -> None:
    found = features(to_plan(load(text_for())))
    assert found["far hole"].shape == Circle((40, 0, 0), (0, 0, -1), 3)
    assert found["far slot"].shape == Slot((50, 0, 0), (0, 0, -1), (0, 1, 0), 12, 5, round_ends=False)


def test_cones_by_diameter_and_by_apex() -> None:
    found = features(to_plan(load(text_for())))
    seat, tip = found["seat"].shape, found["tip"].shape
    assert isinstance(seat, Cone) and isinstance(tip, Cone)
    # at 90 degrees the radius grows as the height above the apex
    assert seat.apex == pytest.approx((10, 0, 3)) and seat.half_angle == pytest.approx(math.pi / 4)
    assert tip.apex == (0, 0, 3) and tip.axis == (0, 0, -1) and tip.half_angle == pytest.approx(math.pi / 6)


def test_a_bolt_circle_against_an_independent_rotation() -> None:
    found = features(to_plan(load(text_for())))
    axis = np.array([1, 2, 2]) / 3
    zero = np.array([1, 0, 0]) - axis * axis[0]
    zero /= np.linalg.norm(zero)
    for i in range(5):
        # SciPy's rotations as an independent source
        turned = Rotation.from_rotvec(axis * math.radians(12 + 72 * i)).apply(zero)
        shape = found[f"holes {i + 1}"].shape
        assert isinstance(shape, Circle)
        assert shape.centre == pytest.approx(np.array([70, 0, 2]) + 15 * turned, abs=1e-12)
        assert shape.axis == pytest.approx(axis, abs=1e-15)
        assert found[f"holes {i + 1}"].pattern == "holes"


def test_a_grid_counts_along_first() -> None:
    found = features(to_plan(load(text_for())))
    points = [found[f"grid {i + 1}"].shape.point for i in range(6)]  # type: ignore[union-attr]
    expected = [(0, 0, 2), (10, 0, 2), (20, 0, 2), (0, 7, 2), (10, 7, 2), (20, 7, 2)]
    assert np.allclose(points, expected, rtol=0, atol=1e-12)


def test_datum_systems() -> None:
    systems = {system.name: system for system in to_plan(load(text_for())).datum_systems}
    assert list(systems) == ["main", "A-B|C", "A"]
    assert [datum.label for datum in systems["main"].datums] == ["A", "B", "C"]
    assert systems["main"].datums[1].associate == "least squares"
    assert systems["main"].datums[2].features == tuple(f"holes {i}" for i in range(1, 6))
    common = systems["A-B|C"].datums[0]
    assert common.label == "A-B" and common.features == ("base", "bore") and common.associate == "outside material"


def test_characteristics() -> None:
    found = characteristics(to_plan(load(text_for())))
    size = found["1"]
    assert (size.nominal, size.lower, size.upper, size.limits_text) == (8, 8, 8.022, "8 H8")
    assert size.size_definition == "two-point" and size.decimals == 4 and size.unit == "mm"
    assert found["2"].datum_system == "A-B|C" and found["2"].zone_shape == "diametral" and found["2"].zone == 0.4
    assert found["2"].limits_text == "Ø 0.4"
    assert found["3"].judge.kind == "gaussian" and found["3"].judge.cutoff == 0.8
    angle = found["4"]
    assert angle.unit == "deg"
    assert (angle.nominal, angle.lower, angle.upper) == pytest.approx(tuple(math.radians(v) for v in (90, 89.5, 90.5)))
    assert angle.stated_uncertainty == pytest.approx(math.radians(0.05))
    assert found["5"].unequal == 0.1 and found["5"].reach == 2.5 and found["5"].need_coverage == 0.8
    assert found["6"].material_condition == "least" and found["6"].size_limits == (3.9, 4.1)
    assert found["6"].direction == (0, 1, 0) and len(found["6"].features) == 6
    assert found["7"].extent == (0, 10) and found["7"].stated_uncertainty == 0.01 and found["7"].datum_system == "A"
    assert found["8"].direction == (0, 0, 1)
    assert found["9"].unit == "deg"
    assert (found["9"].lower, found["9"].upper) == pytest.approx((math.radians(10), math.radians(14)))
    assert dict(found["9"].entered) == {"what": "twist", "kind": "value", "gauge": "TW-3"}
    assert found["10"].reference == ("bore",) and found["10"].datum_system is None


def test_the_standard_decides_the_size_and_the_unequal_zone() -> None:
    found = characteristics(to_plan(load(text_for("ASME Y14.5", "2018", "outside: 0.35"))))
    assert found["1"].size_definition == "envelope"
    # of 0.5 in all, 0.35 outside: the middle is 0.35 - 0.25 = 0.1 out of the material
    assert found["5"].unequal == pytest.approx(0.1, abs=1e-15)


@pytest.mark.parametrize(
    ("written", "rule", "factor"),
    [
        ("rule: simple", "simple", None),
        ("rule: guarded", "guarded", None),
        ("rule: guarded, factor: 0.5", "guarded by factor", 0.5),
    ],
)
def test_decisions(written: str, rule: str, factor: float | None) -> None:
    text = text_for().replace("rule: simple", written)
    text = text.replace("features:\n", STATED + "features:\n", 1)
    for spec in to_plan(load(text)).characteristics:
        assert (spec.decision.rule, spec.decision.factor) == (rule, factor)


def in_inches(text: str) -> str:
    """Return the same recipe in inches: every length outside the keywords divided by 25.4."""
    text = text.replace("units: mm", "units: in")
    text = text.replace("8 H8", "8 +0.022/0")
    head, body = text.split("nominal:", 1)

    def scaled(found: re.Match[str]) -> str:
        return found[1] + repr(float(found[2]) / 25.4)

    lines = []
    for line in ("nominal:" + body).splitlines():
        if "other gauge" in line or "angle: [" in line:
            lines.append(line)
            continue
        kept = line
        lengths = "diameter search margin thickness noise spacing zone cutoff length width unequal uncertainty"
        for key in lengths.split():
            kept = re.sub(rf"(\b{key}: ?)([0-9.]+)", scaled, kept)
        kept = re.sub(r"(\bzone: Ø )([0-9.]+)", scaled, kept)
        for key in ("at", "apex", "span", "over", "step"):
            kept = re.sub(
                rf"(\b{key}: )(\[[\[\]0-9., -]+\])",
                lambda m: m[1] + re.sub(r"-?[0-9.]+", lambda n: repr(float(n[0]) / 25.4), m[2]),
                kept,
            )
        kept = re.sub(
            r"(limits: )([0-9.]+ [^,}]*)",
            lambda m: m[1] + re.sub(r"[0-9.]+", lambda n: f"{float(n[0]) / 25.4:.15f}", m[2]),
            kept,
        )
        lines.append(kept)
    return head + "\n".join(lines) + "\n"


def numbers(value: object) -> list[float]:
    """Return every number inside specs and shapes, in order."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        skip = {"origin", "decimals", "title", "limits_text", "unit"}
        return [n for f in dataclasses.fields(value) if f.name not in skip for n in numbers(getattr(value, f.name))]
    if isinstance(value, tuple | list):
        return [n for item in value for n in numbers(item)]
    if isinstance(value, float | int) and not isinstance(value, bool):
        return [float(value)]
    return []


def test_a_recipe_in_inches_gives_the_same_plan() -> None:
    metric = to_plan(load(text_for()))
    imperial = to_plan(load(in_inches(text_for())))
    a, b = numbers(metric), numbers(imperial)
    assert len(a) == len(b) > 150
    assert a == pytest.approx(b, abs=1e-9, rel=0)
    assert {spec.unit for spec in imperial.characteristics} == {"in", "deg"}


def test_alignment_settings() -> None:
    recipe = load(text_for())
    settings = to_align_settings(recipe)
    assert (settings.start, settings.fit_reach, settings.expected_form_error, settings.keep_within) == (
        "automatic",
        1,
        1,
        5,
    )
    assert settings.symmetric_axis and settings.start_pose is None
    assert alignment_method(recipe) == "best fit"
    stated = "alignment: {method: as scanned, fit: {ignore_beyond: 0.5}, expected_form_error: 2, "
    stated += "keep_within: 8, symmetry: held}\n"
    recipe = load(text_for() + stated)
    settings = to_align_settings(recipe)
    assert (settings.start, settings.fit_reach, settings.expected_form_error, settings.keep_within) == (
        "as scanned",
        0.5,
        2,
        8,
    )
    assert not settings.symmetric_axis
    assert alignment_method(recipe) == "as scanned"


def test_alignment_by_an_unnamed_system_reaches_the_plan() -> None:
    plan = to_plan(load(text_for() + "alignment: {method: datums, datums: A|B}\n"))
    assert "A|B" in [system.name for system in plan.datum_systems]
