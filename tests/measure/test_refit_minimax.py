"""The minimax best fit against SciPy's linear programme, and against the points' own extremes."""

import numpy as np
import pytest
from scipy.optimize import linprog

from runner.geometry.frames import move_points
from runner.measure.refit import refit
from runner.measure.specs import FitRegion, RefitSpec
from runner.measure.twists import as_rigid

CENTRE = np.array([60.0, 40.0, 10.0])
FACES = {"top": (2, 20.0, 1.0), "left": (0, 0.0, -1.0), "front": (1, 0.0, -1.0)}
"""Coordinate, place, and which way is out of the material."""


def inner(points, normals):
    """Points well within the three faces, so that each belongs to its face wherever the part is moved to."""
    chosen = np.zeros(len(points), dtype=bool)
    for axis, at, side in FACES.values():
        mine = np.abs(normals[:, axis] - side) < 1e-9
        mine &= np.abs(points[:, axis] - at) < 1.0
        for other, high in enumerate((120.0, 80.0, 20.0)):
            if other != axis:
                mine &= (points[:, other] > 3.0) & (points[:, other] < high - 3.0)
        chosen |= mine
    # off the pin's foot and the rims of slot and bores in the top
    for x, y, r in ((60, 62, 8), (30, 40, 9), (90, 40, 13), (60, 20, 15)):
        chosen &= (np.hypot(points[:, 0] - x, points[:, 1] - y) > r) | (normals[:, 2] < 0.5)
    return chosen


@pytest.fixture()
def fitted(plate, plate_index, plate_specs, make_plan, make_scene, plate_sample, plate_part):
    def go(spec, part, seed):
        points, normals = plate_sample(plate_part(**part), step=2.0, seed=seed)
        chosen = inner(points, normals)
        scene = make_scene(points[chosen], normals[chosen])
        got = refit(spec, make_plan(plate_specs.values()), plate, plate_index, scene)
        assert got.reason == ""
        return points[chosen], normals[chosen], got.fit_from_start

    return go


def distances(points, normals):
    """Distances (n,) from the faces that the points belong to, and normals (n, 3)."""
    d, n = np.zeros(len(points)), np.zeros((len(points), 3))
    for axis, at, side in FACES.values():
        mine = np.abs(normals[:, axis] - side) < 1e-9
        d[mine] = side * (points[mine, axis] - at)
        n[mine, axis] = side
    return d, n


@pytest.mark.parametrize("seed", range(3))
def test_all_degrees_as_a_linear_programme_places_them(fitted, seed):
    spec = RefitSpec("best fit", (FitRegion(tuple(FACES)),), "minimax")
    points, normals, frame = fitted(spec, {"noise": 0.03, "top_bow": 0.1, "top_tilt": 1e-4}, seed)
    ours = float(np.abs(distances(move_points(frame, points), normals)[0]).max())
    # SciPy's linprog over small twists, repeated from where it came to until it stands
    move = np.eye(4)
    for _ in range(4):
        now = move_points(move, points)
        d, n = distances(now, normals)
        rows = np.hstack([np.cross(now - CENTRE, n), n])
        one = np.ones((len(d), 1))
        found = linprog(
            np.r_[np.zeros(6), 1.0], A_ub=np.vstack([np.hstack([rows, -one]), np.hstack([-rows, -one])]),
            b_ub=np.r_[-d, d], bounds=[(None, None)] * 6 + [(0, None)],
        )  # fmt: skip
        move = as_rigid(found.x[:6], CENTRE) @ move
    theirs = float(np.abs(distances(move_points(move, points), normals)[0]).max())
    assert ours == pytest.approx(theirs, abs=1e-7)


def test_one_degree_lies_in_the_middle_of_its_extremes(fitted):
    # no sampling error in this: the middle of the outermost points that there are
    held = ("x", "y", "rx", "ry", "rz")
    spec = RefitSpec("best fit", (FitRegion(("top",)),), "minimax", held)
    points, normals, frame = fitted(spec, {"top_bow": 0.06, "noise": 0.01}, 4)
    heights = distances(points, normals)[0][normals[:, 2] > 0.5]
    assert frame[2, 3] == pytest.approx(-0.5 * (heights.max() + heights.min()), abs=1e-9)
