"""Positions of patterns: combined, separate, simultaneous, composite lower segments; against hand and SciPy."""

import csv
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import minimize

from runner.geometry.frames import rotation_from_vector
from runner.geometry.shapes import Cylinder, Point
from runner.measure.characteristics import position
from runner.measure.characteristics.common import Missing
from runner.measure.datums import Established
from runner.measure.found import FoundFeature
from runner.measure.shift import Allowance
from runner.measure.specs import CharacteristicSpec, FeatureSpec

UP = (0.0, 0.0, 1.0)
REFERENCE = Path(__file__).parent.parent / "reference"
IN_PLANE = np.zeros((6, 3))
IN_PLANE[2, 0] = IN_PLANE[3, 1] = IN_PLANE[4, 2] = 1.0
"""A face as the only datum leaves the turn about its normal and both ways along it."""
SHIFTS = IN_PLANE[:, 1:]
HELD = np.zeros((6, 0))


def holes(places, offsets):
    found = []
    for k, (at, off) in enumerate(zip(places, offsets, strict=True)):
        spec = FeatureSpec(f"h{k}", "cylinder", Cylinder((*at, 0.0), UP, 5.0), span=(0.0, 10.0))
        seen = Cylinder((at[0] + off[0], at[1] + off[1], 0.0), UP, 5.0)
        found.append(FoundFeature(spec, seen))
    return found


def context(features, free, characteristics=(), shift=None, allowances=()):
    system = Established(
        "S", np.eye(4), free, np.zeros(3), shift=np.zeros((6, 0)) if shift is None else shift, allowances=allowances
    )
    return SimpleNamespace(
        plan=SimpleNamespace(standard="ISO GPS", characteristics=tuple(characteristics), datum_systems=()),
        nominal=SimpleNamespace(bounds=(np.full(3, -60.0), np.full(3, 60.0))),
        specs={f.spec.name: f.spec for f in features},
        features={f.spec.name: f for f in features},
        systems={"S": system},
    )


def char(features, **more):
    names = tuple(f.spec.name for f in features)
    more = {"zone": 0.2, "zone_shape": "diametral", "datum_system": "S"} | more
    return CharacteristicSpec(more.pop("id", "1"), "position", names, "t", **more)


def test_position_of_published_offsets():
    text = (line for line in (REFERENCE / "gdt_position_2d.csv").open() if not line.startswith("#"))
    rows = list(csv.DictReader(text))
    assert len(rows) == 7
    for row in rows:
        some = holes([(10.0, 20.0)], [(float(row["dx_mm"]), float(row["dy_mm"]))])
        value = position.evaluate(char(some), context(some, HELD))[0].value
        assert value == pytest.approx(float(row["position_diameter_mm"]), abs=1e-9)


def test_two_holes_pulled_apart_combined_and_separate():
    # by hand: each 0.1 outwards. Held: 0.2. Moved together along x: nothing gained, 0.2. Both to +x: combined 0.
    places = [(-20.0, 0.0), (20.0, 0.0)]
    apart, along = holes(places, [(-0.1, 0.0), (0.1, 0.0)]), holes(places, [(0.1, 0.0), (0.1, 0.0)])
    mixed = holes(places, [(0.3, 0.0), (0.1, 0.0)])
    for some, together in ((apart, 0.2), (along, 0.0), (mixed, 0.2)):
        got = position.evaluate(char(some, combined=True), context(some, SHIFTS))
        assert [v.value for v in got] == pytest.approx([together] * 2, abs=1e-8)
        assert all(v.details["zone"].startswith("optimised") for v in got)
        # zones by themselves each take their own shift: none is used
        alone = position.evaluate(char(some), context(some, SHIFTS))
        assert [v.value for v in alone] == pytest.approx([0.0, 0.0], abs=1e-8)
    held = position.evaluate(char(mixed, combined=True), context(mixed, HELD))
    assert [v.value for v in held] == pytest.approx([0.6, 0.2])
    assert "zone" not in held[0].details


def test_composite_lower_segment_of_a_turned_and_shifted_pattern():
    # derived by hand: the pattern as a whole moved and turned by 0.2 deg has no deviation of its own
    places = np.array([(-20.0, -10.0), (20.0, -10.0), (20.0, 10.0), (-20.0, 10.0)])
    turn = rotation_from_vector(np.array([0.0, 0.0, np.radians(0.2)]))[:2, :2]
    some = holes(places, places @ turn.T + [0.15, -0.05] - places)
    upper = position.evaluate(char(some), context(some, HELD))
    free = position.evaluate(char(some, combined=True), context(some, IN_PLANE))
    assert max(v.value for v in upper) > 0.3
    assert max(v.value for v in free) < 1e-7
    assert free[0].details["zone turned by, deg"] == pytest.approx(0.2, abs=1e-5)
    # with the turn held by B (orientation only) it remains: 2 x 0.2 deg x half the diagonal
    turned = position.evaluate(char(some, combined=True), context(some, SHIFTS))
    by_hand = 2 * 2 * np.sin(np.radians(0.1)) * np.hypot(20, 10)
    assert [v.value for v in turned] == pytest.approx([by_hand] * 4, abs=1e-6)


def test_simultaneous_requirements_share_one_movement():
    one, two = holes([(-20.0, 0.0)], [(0.1, 0.0)]), holes([(20.0, 0.0)], [(-0.1, 0.0)])
    two = [FoundFeature(FeatureSpec("other", "cylinder", two[0].spec.shape, span=(0.0, 10.0)), two[0].shape)]
    a, b = char(one, id="1", simultaneous="word"), char(two, id="2", simultaneous="word")
    there = context(one + two, SHIFTS, (a, b))
    assert position.evaluate(a, there)[0].value == pytest.approx(0.2, abs=1e-8)
    assert position.evaluate(b, there)[0].value == pytest.approx(0.2, abs=1e-8)
    lone = char(one, id="1")
    assert position.evaluate(lone, context(one + two, SHIFTS, (lone, b)))[0].value == pytest.approx(0.0, abs=1e-8)


def test_a_datum_at_maximum_material_shifts_only_as_far_as_it_clears():
    # datum hole 0.1 larger in diameter than its boundary: the part may shift 0.05, of an offset of 0.08
    angle = np.arange(720) * np.pi / 360
    wall = np.column_stack([5.05 * np.cos(angle), 5.05 * np.sin(angle), np.zeros(720)])
    allowance = Allowance("B", wall, Cylinder((0.0, 0.0, 0.0), UP, 5.0), 1)
    some = holes([(30.0, 0.0)], [(0.08, 0.0)])
    there = context(some, HELD, shift=SHIFTS, allowances=(allowance,))
    got = position.evaluate(char(some, combined=True), there)[0]
    assert got.value == pytest.approx(2 * 0.03, abs=1e-5)
    assert got.details["room left at datum B"] == pytest.approx(0.0, abs=1e-6)


def test_a_point_has_a_spherical_zone():
    spec = FeatureSpec("p", "midpoint", Point((1.0, 2.0, 3.0)), source="constructed")
    some = [FoundFeature(spec, Point((1.02, 2.03, 3.06)))]
    value = position.evaluate(char(some, zone_shape="spherical"), context(some, HELD))[0].value
    assert value == pytest.approx(2 * 0.07, abs=1e-9)


def test_a_hole_not_seen_takes_the_combined_pattern_with_it():
    some = holes([(-20.0, 0.0), (20.0, 0.0)], [(0.1, 0.0), (0.1, 0.0)])
    lost = [some[0], FoundFeature(some[1].spec, None, reason="not seen")]
    got = position.evaluate(char(lost, combined=True), context(lost, SHIFTS))
    assert all(isinstance(v, Missing) and "not seen" in v.reason for v in got)


def test_combined_zones_need_no_more_than_a_general_minimiser_finds():
    # 25 random patterns here, 100 when it was written: Nelder-Mead from the least-squares placing and from zero
    rng = np.random.default_rng(11)
    better = []
    for _ in range(25):
        count = int(rng.integers(2, 9))
        places = rng.uniform(-40, 40, (count, 2))
        offsets = rng.normal(scale=0.08, size=(count, 2)) + rng.normal(scale=0.1, size=2)
        some = holes(places, offsets)
        ours = max(v.value for v in position.evaluate(char(some, combined=True), context(some, IN_PLANE)))

        def largest(q, places=places, offsets=offsets):
            c, s = np.cos(q[0]), np.sin(q[0])
            moved = (places + offsets) @ np.array([[c, s], [-s, c]]) + q[1:]
            return 2 * float(np.linalg.norm(moved - places, axis=1).max())

        best = min(
            minimize(largest, start, method="Nelder-Mead", options={"xatol": 1e-12, "fatol": 1e-12, "maxfev": 500}).fun
            for start in (np.zeros(3), np.array([0.0, *-offsets.mean(axis=0)]))
        )
        better.append(ours - best)
    assert max(better) < 1e-6
