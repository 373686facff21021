"""Datum targets: 3-2-1 on a scanned plate, against movements that the test itself made."""

from dataclasses import replace

import numpy as np
import pytest

from runner.geometry.frames import invert, move_points, rigid, rotation_from_vector, turn_vectors
from runner.measure.datums import establish, free_movements
from runner.measure.specs import DatumSpec, DatumSystemSpec, TargetSpec
from runner.measure.targets import places_of
from runner.measure.twists import named

CENTRE = np.array([60.0, 40.0, 10.0])
TOP, FRONT, LEFT = (0.0, 0.0, 1.0), (0.0, -1.0, 0.0), (-1.0, 0.0, 0.0)
A = tuple(
    TargetSpec(f"A{k + 1}", "point", at, TOP)
    for k, at in enumerate([(15.0, 15.0, 20.0), (105.0, 15.0, 20.0), (105.0, 65.0, 20.0)])
)
B = (TargetSpec("B1", "point", (20.0, 0.0, 10.0), FRONT), TargetSpec("B2", "point", (100.0, 0.0, 10.0), FRONT))
C = (TargetSpec("C1", "point", (0.0, 40.0, 10.0), LEFT),)


def system(a=A, b=B, c=C):
    return DatumSystemSpec("s", tuple(DatumSpec(n, (), targets=t) for n, t in zip("ABC", (a, b, c), strict=True) if t))


def away(seed):
    rng = np.random.default_rng(seed)
    rotation = rotation_from_vector(rng.normal(size=3) * 0.002)
    return rigid(rotation, CENTRE - rotation @ CENTRE + rng.normal(size=3) * 0.15)


@pytest.fixture()
def seat(make_scene, plate_sample, plate_part):
    def go(given, movement, **part):
        points, normals = plate_sample(plate_part(**part), step=0.8)
        scene = make_scene(move_points(movement, points), turn_vectors(movement, normals))
        return establish(given, {}, {}, CENTRE, scene=scene)

    return go


def test_degrees_that_targets_leave_free():
    assert named(free_movements(system(), {}, CENTRE)) == ()
    assert named(free_movements(system(c=()), {}, CENTRE)) == ("x",)
    assert named(free_movements(system(b=(), c=()), {}, CENTRE)) == ("x", "y", "rz")


def test_three_two_one_seats_a_part(seat):
    for seed in range(2):
        moved = away(seed)
        made = seat(system(), moved)
        assert made.reason == ""
        assert made.drawing_from_fit == pytest.approx(invert(moved), abs=1e-8)


def test_targets_touch_their_places_and_not_the_mean_plane(seat):
    # a top bowed by h = 0.3 over x: at x = 15 and x = 105 it stands 4 h s (1 - s) = 0.13125 mm high, all three alike
    made = seat(system(), np.eye(4), top_bow=0.3)
    height = 0.3 * 4 * (15 / 120) * (105 / 120)
    # over places 2.4 mm round the parabola's curvature adds a twentieth of a micrometre
    assert made.drawing_from_fit[2, 3] == pytest.approx(-height, abs=2e-4)


def test_the_frame_does_not_depend_on_the_start(seat):
    ends = [seat(system(), away(seed), top_bow=0.3).drawing_from_fit @ away(seed) for seed in (3, 4)]
    assert ends[0] == pytest.approx(ends[1], abs=1e-7)


def test_an_area_rests_on_its_highest_place(seat):
    # on a bowed top an area of dia 10 is touched 5 mm uphill from its middle
    area = tuple(replace(t, kind="area", diameter=10.0) for t in A)
    made = seat(system(a=area), np.eye(4), top_bow=0.3)
    point = seat(system(), np.eye(4), top_bow=0.3)
    assert made.reason == ""
    # the bow rises towards the middle: by 4 h (1 - 2 s) / X per mm at the middle of each area, over 5 mm
    rise = 4 * 0.3 * (1 - 2 * 15 / 120) / 120 * 5 - 4 * 0.3 * (5 / 120) ** 2
    assert made.drawing_from_fit[2, 3] - point.drawing_from_fit[2, 3] == pytest.approx(-rise, abs=1e-3)


def test_a_fourth_target_is_touched_from_outside(seat):
    four = (*A, TargetSpec("A4", "point", (15.0, 65.0, 20.0), TOP))
    made = seat(system(a=four), np.eye(4))
    assert made.reason == ""
    assert any("more than the 3 that are needed" in note for note in made.notes)


def test_why_targets_fail(seat):
    beside = (*A[:2], replace(A[2], at=(300.0, 65.0, 20.0)))
    assert "datum A can't be established: target A3: only 0 points" in seat(system(a=beside), np.eye(4)).reason
    bare = establish(system(), {}, {}, CENTRE)
    assert "need the points of the scan" in bare.reason


def test_places_of_targets():
    line = TargetSpec("A1", "line", (0.0, 0, 0), TOP, end=(10.0, 0, 0))
    assert places_of(line)[[0, -1]] == pytest.approx(np.array([[0, 0, 0], [10.0, 0, 0]]))
    area = TargetSpec("A1", "area", (1.0, 2.0, 3.0), TOP, diameter=8.0)
    assert np.linalg.norm(places_of(area) - [1.0, 2.0, 3.0], axis=1).max() == pytest.approx(4.0)
