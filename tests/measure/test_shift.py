"""Frames that shift about a datum at maximum material, and movements taken where the zones need least."""

import numpy as np
import pytest
from scipy.optimize import minimize

from runner.geometry.frames import move_points
from runner.geometry.shapes import Circle, Cylinder, Plane
from runner.measure.datums import establish
from runner.measure.found import FoundFeature
from runner.measure.free_motion import Uses, best_movement
from runner.measure.shift import Allowance
from runner.measure.specs import DatumSpec, DatumSystemSpec, FeatureSpec
from runner.measure.twists import as_rigid, named, rows_of_points

CENTRE = np.zeros(3)
FLAT = np.eye(6)[:, [2, 3, 4]]
"""Turn about z, shifts along x and y."""


def ring(radius, at=(0.0, 0.0), count=360):
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.column_stack([at[0] + radius * np.cos(angle), at[1] + radius * np.sin(angle), np.zeros(count)])


def pattern_uses(seen, true, limit):
    def uses(frame):
        now = move_points(frame, seen)
        rows = np.stack([rows_of_points(now, np.tile(np.eye(3)[k], (len(now), 1)), CENTRE) for k in (0, 1)], axis=1)
        return [Uses((now - true)[:, :2], rows, limit)]

    return uses


def test_a_free_pattern_is_placed_as_well_as_a_general_solver_does():
    rng = np.random.default_rng(2)
    for _ in range(6):
        count = int(rng.integers(3, 9))
        true = np.column_stack([rng.uniform(-50, 50, (count, 2)), np.zeros(count)])
        off = np.column_stack([rng.normal(size=(count, 2)) * 0.05, np.zeros(count)])
        seen = move_points(as_rigid(np.array([0, 0, 0.01, 0.3, -0.2, 0]), CENTRE), true + off)
        uses = pattern_uses(seen, true, 0.1)
        got = best_movement(uses, np.eye(4), FLAT, CENTRE)
        mine = float(np.linalg.norm(uses(got.frame)[0].values, axis=1).max())

        def lengths(x, seen=seen, true=true):
            c, s = np.cos(x[0]), np.sin(x[0])
            return np.linalg.norm(seen[:, :2] @ np.array([[c, s], [-s, c]]) + x[1:3] - true[:, :2], axis=1)

        # SciPy's SLSQP from several starts, as a solver that isn't ours
        theirs = np.inf
        for _ in range(4):
            found = minimize(
                lambda x: x[3],
                np.r_[rng.normal(size=3) * [0.01, 0.3, 0.3], 2.0],
                constraints={"type": "ineq", "fun": lambda x, f=lengths: x[3] - f(x)},
                options={"ftol": 1e-14, "maxiter": 400},
            )
            theirs = min(theirs, float(lengths(found.x).max()))
        assert got.settled
        assert mine <= theirs + 1e-9


def test_the_best_movement_does_not_depend_on_the_start():
    rng = np.random.default_rng(3)
    true = np.column_stack([rng.uniform(-50, 50, (5, 2)), np.zeros(5)])
    seen = true + np.column_stack([rng.normal(size=(5, 2)) * 0.05, np.zeros(5)])
    uses = pattern_uses(seen, true, 0.1)
    ends = [
        best_movement(uses, as_rigid(np.array([0, 0, *start, 0]), CENTRE), FLAT, CENTRE).excess
        for start in ((0, 0, 0), (0.005, 0.4, -0.3), (-0.01, -0.2, 0.5))
    ]
    assert ends[1:] == pytest.approx([ends[0]] * 2, abs=1e-8)


def test_a_hole_shifts_by_its_clearance_and_no_further():
    # hole dia 10.2 over a virtual condition of 10.0: 0.1 mm to any side
    allowed = Allowance("B", ring(5.1), Cylinder((0, 0, 0), (0, 0, 1.0), 5.0), 1)
    assert allowed.least() == pytest.approx(0.1, abs=1e-12)
    seen = np.array([[30.3, 0.4, 0.0]])
    got = best_movement(pattern_uses(seen, np.array([[30.0, 0, 0]]), 0.05), np.eye(4), FLAT[:, 1:], CENTRE, (allowed,))
    assert got.excess == pytest.approx((0.5 - 0.1 - 0.05) / 0.05, abs=1e-4)
    assert np.linalg.norm(got.moved[:2, 3]) == pytest.approx(0.1, abs=1e-5)
    assert dict(got.room)["B"] >= -1e-8


def test_bonus_table_of_a_hole_at_maximum_material():
    # the clearance is half of (actual mating size - virtual condition): 9.9 + 2 k e-2 against 9.9, by hand
    for k in range(4):
        allowed = Allowance("B", ring(4.95 + 0.01 * k), Cylinder((0, 0, 0), (0, 0, 1.0), 4.95), 1)
        assert allowed.least() == pytest.approx(0.01 * k, abs=1e-12)


def specs():
    return {
        "base": FeatureSpec("base", "plane", Plane((0, 0, 0), (0, 0, -1.0))),
        "hole": FeatureSpec("hole", "circle", Circle((0, 0, 0), (0, 0, -1.0), 5.0), source="edges"),
        "far": FeatureSpec("far", "circle", Circle((80, 0, 0), (0, 0, -1.0), 4.0), source="edges"),
    }


def system(*datums):
    return DatumSystemSpec("s", tuple(datums))


def seen(hole=5.1, far=4.0):
    known = specs()
    return {
        "base": FoundFeature(known["base"], known["base"].shape),
        "hole": FoundFeature(known["hole"], Circle((0, 0, 0), (0, 0, -1.0), hole)),
        "far": FoundFeature(known["far"], Circle((80, 0, 0), (0, 0, -1.0), far)),
    }


A = DatumSpec("A", ("base",), "least squares")
B = DatumSpec("B", ("hole",), "least squares", material="maximum", virtual_size=10.0)
C = DatumSpec("C", ("far",), "least squares")


def test_a_datum_at_maximum_material_gives_shift_and_leaves_the_turn():
    made = establish(system(A, B), seen(), specs(), CENTRE)
    assert named(made.free) == ("rz",)
    assert named(made.shift) == ("x", "y")
    assert made.movable.shape == (6, 3)
    assert made.allowances[0].least() == pytest.approx(0.1, abs=1e-9)
    assert any("clears its virtual condition by 0.1000 mm" in note for note in made.notes)


def test_a_lower_datum_regardless_of_size_keeps_its_hold_under_shift():
    made = establish(system(A, B, C), seen(), specs(), CENTRE)
    assert made.free.shape[1] == 0
    assert made.shift.shape[1] == 2
    # the far hole stays on its line: where it moves, it moves along x only
    at = rows_of_points(np.array([[80.0, 0, 0]]), np.array([[0, 1.0, 0]]), CENTRE)
    assert at @ made.shift == pytest.approx(np.zeros((1, 2)), abs=1e-9)


def test_no_shift_beyond_the_virtual_condition_and_none_without_one():
    crossed = establish(system(A, B), seen(hole=4.99), specs(), CENTRE)
    assert crossed.allowances == ()
    assert crossed.shift.shape[1] == 0
    assert any("crosses its virtual condition by 0.0100 mm" in note for note in crossed.notes)
    bare = establish(system(A, DatumSpec("B", ("hole",), material="maximum")), seen(), specs(), CENTRE)
    assert bare.allowances == ()
    assert any("virtual condition is not stated" in note for note in bare.notes)


def test_orientation_only_holds_turns_alone():
    pair = DatumSpec("B", ("hole", "far"), "least squares", orientation_only=True)
    made = establish(system(A, pair), seen(), specs(), CENTRE)
    assert named(made.free) == ("x", "y")
    single = establish(system(A, DatumSpec("B", ("hole",), orientation_only=True)), seen(), specs(), CENTRE)
    assert any("holds nothing" in note for note in single.notes)


def test_why_nothing_is_moved():
    assert best_movement(lambda frame: "no points", np.eye(4), FLAT, CENTRE) == "no points"
    assert best_movement(lambda frame: [], np.eye(4), FLAT, CENTRE) == "nothing to be judged"
    bad = Uses(np.array([np.nan]), np.zeros((1, 6)), 0.1)
    assert best_movement(lambda frame: [bad], np.eye(4), FLAT, CENTRE) == "a deviation is not a finite number"
