"""A recipe in inches gives inch results equal to the millimetre recipe's.

Truth: 1 in = 25.4 mm exactly (ISO 31-1; BS 350, NIST SP 811). Same nominal, same points, same recipe with every length
divided by 25.4.
"""

from pathlib import Path

import pytest

from runner.measure.run import Measured, measure
from runner.measure.scene import AlignedScan, build_scene
from runner.recipe.defaults import resolve
from runner.recipe.load import load_recipe
from runner.recipe.translate import to_plan
from tests.measure.conftest import Part, sample_plate

TEXT = """\
recipe: 1
part: {{number: PL-2, revision: A}}
drawing: {{standard: ISO GPS, edition: 2017, units: {unit}}}
nominal: {{file: plate.step}}
scan:
  surface: {{noise: {noise}, spacing: {spacing}}}
alignment: {{method: best fit}}
features:
  top:    {{plane: {{at: [{a}, {a}, {thick}], normal: +z}}}}
  base:   {{plane: {{at: [{a}, {a}, 0], normal: -z}}}}
  left:   {{plane: {{at: [0, {half}, {mid}], normal: -x}}}}
  front:  {{plane: {{at: [{pin_x}, 0, {mid}], normal: -y}}}}
  bore a: {{cylinder: {{at: [{bore_x}, {half}, 0], axis: +z, diameter: {bore_d}}}}}
  pin:    {{cylinder: {{at: [{pin_x}, {pin_y}, {thick}], axis: +z, diameter: {pin_d}}}}}
  skin:   {{surface: all}}
datums:
  A: {{feature: base}}
  B: {{feature: left}}
  C: {{feature: front}}
datum systems:
  main: [A, B, C]
characteristics:
  "1": {{distance: [base, top], limits: {thick} ±{tol}}}
  "2": {{size: bore a, limits: {bore_d} ±{tol}, by: GG}}
  "3": {{size: pin, limits: {pin_d} ±{tol}}}
  "4": {{flatness: top, zone: {tol}, judge: {{filter: gaussian, cutoff: {cut}}}}}
  "5": {{cylindricity: bore a, zone: {tol}, judge: all points}}
  "6": {{position: bore a, zone: {tol}, shape: diametral, datums: main}}
  "7": {{perpendicularity: bore a, zone: {tol}, shape: diametral, datums: main}}
  "8": {{profile: skin, zone: {wide}, datums: main}}
  "9": {{angle: [base, left], limits: 90 ±0.1}}
decision: {{rule: simple}}
"""
LENGTHS = {
    "noise": 0.01, "spacing": 1.0, "a": 5.0, "thick": 20.0, "half": 40.0, "mid": 10.0, "pin_x": 60.0, "pin_y": 62.0,
    "pin_d": 10.0, "bore_x": 30.0, "bore_d": 12.0, "tol": 0.1, "wide": 0.6, "cut": 8.0,
}  # fmt: skip
PART = Part(
    top_shift=0.03, top_tilt=2e-4, bore_shift={"bore a": (0.04, -0.02)}, bore_growth={"bore a": 0.01},
    bore_lean={"bore a": 5e-4}, pin_growth=-0.02, noise=0.01,
)  # fmt: skip


@pytest.fixture(scope="module")
def both(plate, plate_index, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Measured]:
    points, normals = sample_plate(PART, step=1.1, seed=3)
    scene = build_scene([AlignedScan(points, normals, normals_signed=True)], plate, plate_index, 5.0)
    found = {}
    for unit, mm in (("mm", 1.0), ("in", 25.4)):
        folder = tmp_path_factory.mktemp(unit)
        # 17 digits carry a float64 without loss
        lengths = {name: f"{value / mm:.17g}" for name, value in LENGTHS.items()}
        path: Path = folder / "plate.yaml"
        # the nominal itself is given below; the recipe only wants its file to be there
        (folder / "plate.step").touch()
        path.write_text(TEXT.format(unit=unit, **lengths), encoding="utf-8")
        found[unit] = measure(to_plan(resolve(load_recipe(path))), plate, plate_index, scene)
    return found


def test_every_value_limit_and_verdict_is_the_same(both: dict[str, Measured]) -> None:
    pairs = list(zip(both["mm"].results, both["in"].results, strict=True))
    assert len(pairs) == 9 and not both["mm"].faults and not both["in"].faults
    for metric, inch in pairs:
        angle = metric.kind == "angle"
        factor = 1.0 if angle else 25.4
        assert (metric.unit, inch.unit) == (("deg", "deg") if angle else ("mm", "in"))
        assert metric.verdict is inch.verdict, (metric.id, metric.reason, inch.reason)
        assert metric.value is not None, (metric.id, metric.reason)
        for name in ("value", "deviation", "nominal", "lower", "upper"):
            one, other = getattr(metric, name), getattr(inch, name)
            assert (one is None) == (other is None), (metric.id, name)
            if one is not None:
                assert other * factor == pytest.approx(one, abs=1e-9), (metric.id, name)
        assert (metric.points, metric.coverage) == (inch.points, inch.coverage)
        assert metric.details.keys() == inch.details.keys()
        assert [p.verdict for p in metric.parts] == [p.verdict for p in inch.parts]


def test_features_are_recorded_in_millimetres_either_way(both: dict[str, Measured]) -> None:
    for metric, inch in zip(both["mm"].features, both["in"].features, strict=True):
        assert metric.points == inch.points and metric.ok and inch.ok
        for name, value in metric.parameters.items():
            assert inch.parameters[name] == pytest.approx(value, abs=1e-9), (metric.name, name)


def test_the_values_are_those_of_the_part(both: dict[str, Measured]) -> None:
    """So that the two are not equal by both being nothing."""
    found = {r.id: r.value for r in both["in"].results}
    assert found["2"] * 25.4 == pytest.approx(12.02, abs=0.002)
    # on the far side of the top's tilt the smallest two-point size of the pin is near its least-squares size
    assert found["3"] * 25.4 == pytest.approx(9.96, abs=0.06)
    assert found["1"] * 25.4 == pytest.approx(20.03, abs=0.02)
