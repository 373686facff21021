"""Data that can't give an element: every one is a value with a reason, none is an exception or a number."""

import numpy as np
import pytest

from runner.geometry import fits
from runner.geometry.fits import Fixed, cylindricity, flatness, local_size, roundness, tangent
from runner.geometry.shapes import Cylinder

RNG = np.random.default_rng(0)
LINE = np.outer(np.linspace(0, 10, 20), [1.0, 2.0, 3.0])
PLANE = np.column_stack([RNG.uniform(0, 10, (30, 2)), np.zeros(30)])
PLACE = np.full((20, 3), 7.0)
NAN = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, np.nan], [1, 2, 3], [3, 1, 2], [2, 2, 1]])
INF = np.where(np.isnan(NAN), np.inf, NAN)
EMPTY = np.empty((0, 3))
FEW = RNG.normal(size=(3, 3))
HUGE = np.full((8, 3), 1.0) * RNG.choice([-1e308, 1e308], (8, 3))
CIRCLE_IN_PLANE = np.column_stack([np.cos(np.arange(20.0)), np.sin(np.arange(20.0)), np.zeros(20)])
FULL_CYLINDER = np.column_stack([np.cos(np.arange(60.0)), np.sin(np.arange(60.0)), np.arange(60.0) / 10])
HALF_ARC = np.column_stack([np.cos(np.linspace(0, 1, 40)), np.sin(np.linspace(0, 1, 40))])

CASES = {
    "line2d: none": (lambda: fits.fit_line2d(EMPTY[:, :2]), "too few points: 0 given, a line needs at least 2"),
    "line2d: one place": (lambda: fits.fit_line2d(PLACE[:, :2]), "all points lie in one place"),
    "line2d: not a number": (lambda: fits.fit_line2d(NAN[:, 1:]), "1 of 8 points are not finite"),
    "line3d: one point": (lambda: fits.fit_line3d(FEW[:1]), "too few points: 1 given, a line needs at least 2"),
    "line3d: one place": (lambda: fits.fit_line3d(PLACE), "all points lie in one place"),
    "line3d: no direction": (
        lambda: fits.fit_line3d(np.vstack([np.eye(3), -np.eye(3)])),
        "equally far in two directions",
    ),
    "line3d: infinite": (lambda: fits.fit_line3d(INF), "1 of 8 points are not finite"),
    "plane: two points": (lambda: fits.fit_plane(FEW[:2]), "too few points: 2 given, a plane needs at least 3"),
    "plane: one line": (lambda: fits.fit_plane(LINE), "one straight line"),
    "plane: one line, far away": (lambda: fits.fit_plane(LINE + 1e4), "one straight line"),
    "plane: one place": (lambda: fits.fit_plane(PLACE), "all points lie in one place"),
    "plane: not a number": (lambda: fits.fit_plane(NAN), "not finite"),
    "plane: beyond float64": (lambda: fits.fit_plane(HUGE), "too large"),
    "plane: held, one line along": (
        lambda: fits.fit_plane(LINE, fixed=Fixed(perpendicular_to=(1.0, 2.0, 3.0))),
        "one line along the held direction",
    ),
    "plane: no weight": (lambda: fits.fit_plane(PLANE, weights=np.zeros(30)), "too few points: 0 given"),
    "plane: negative weight": (lambda: fits.fit_plane(PLANE, weights=-np.ones(30)), "weights must be finite"),
    "circle2d: two points": (
        lambda: fits.fit_circle2d(FEW[:2, :2]),
        "too few points: 2 given, a circle needs at least 3",
    ),
    "circle2d: one line": (lambda: fits.fit_circle2d(LINE[:, :2]), "unbounded radius"),
    "circle2d: one line but for rounding": (
        lambda: fits.fit_circle2d(LINE[:, :2] + RNG.normal(0, 1e-15, (20, 2))),
        "unbounded radius",
    ),
    "circle2d: one place": (lambda: fits.fit_circle2d(PLACE[:, :2]), "all points lie in one place"),
    "circle3d: one line": (lambda: fits.fit_circle3d(LINE), "unbounded radius: the points lie in one straight line"),
    "circle3d: two points": (lambda: fits.fit_circle3d(FEW[:2]), "too few points: 2 given, a circle needs at least 3"),
    "sphere: three points": (lambda: fits.fit_sphere(FEW), "too few points: 3 given, a sphere needs at least 4"),
    "sphere: one plane": (lambda: fits.fit_sphere(PLANE), "unbounded radius: the points lie in one plane"),
    "sphere: a circle": (lambda: fits.fit_sphere(CIRCLE_IN_PLANE), "unbounded radius: the points lie in one plane"),
    "sphere: one line": (lambda: fits.fit_sphere(LINE), "unbounded radius: the points lie in one straight line"),
    "cylinder: three points": (lambda: fits.fit_cylinder(FEW), "too few points: 3 given, a cylinder needs at least 5"),
    "cylinder: one plane": (lambda: fits.fit_cylinder(PLANE), "unbounded radius: the points lie in one plane"),
    "cylinder: one line": (lambda: fits.fit_cylinder(LINE), "unbounded radius: the points lie in one straight line"),
    "cylinder: one place": (lambda: fits.fit_cylinder(PLACE), "all points lie in one place"),
    "cylinder: not a number": (lambda: fits.fit_cylinder(NAN), "not finite"),
    "cone: five points": (
        lambda: fits.fit_cone(NAN[[0, 1, 2, 3, 5]]),
        "too few points: 5 given, a cone needs at least 6",
    ),
    "cone: one plane": (lambda: fits.fit_cone(PLANE), "one plane"),
    "cone: a cylinder": (lambda: fits.fit_cone(FULL_CYLINDER), "cylinder"),
    "torus: six points": (
        lambda: fits.fit_torus(NAN[[0, 1, 2, 3, 5, 6]]),
        "too few points: 6 given, a torus needs at least 7",
    ),
    "torus: one plane": (lambda: fits.fit_torus(PLANE), "one plane"),
    "slot: four points": (lambda: fits.fit_slot(PLANE[:4, :2]), "too few points: 4 given, a slot needs at least 5"),
    "slot: one line": (lambda: fits.fit_slot(LINE), "one straight line"),
    "slot: a circle": (lambda: fits.fit_slot(CIRCLE_IN_PLANE[:, :2]), "circle, not a slot"),
    "zone plane: one line": (lambda: flatness.zone_plane(LINE), "one straight line"),
    "zone plane: two points": (lambda: flatness.zone_plane(FEW[:2]), "too few points: 2 given"),
    "zone line: one place": (lambda: flatness.zone_line2d(PLACE[:, :2]), "all points lie in one place"),
    "zone circle: one line": (lambda: roundness.zone_circle(LINE[:, :2]), "unbounded radius"),
    "inscribed circle: a short arc": (lambda: roundness.inscribed_circle(HALF_ARC), "too little of the circumference"),
    "inscribed cylinder: a plane": (lambda: cylindricity.inscribed_cylinder(PLANE), "unbounded radius"),
    "zone cylinder: few": (
        lambda: cylindricity.zone_cylinder(FEW),
        "too few points: 3 given, a cylinder needs at least 5",
    ),
    "tangent plane: one line": (lambda: tangent.tangent_plane(LINE, (0, 0, 1)), "one straight line"),
    "tangent plane: none": (lambda: tangent.tangent_plane(EMPTY, (0, 0, 1)), "too few points: 0 given"),
    "local size: one side only": (
        lambda: local_size.local_diameters(
            FULL_CYLINDER[FULL_CYLINDER[:, 0] > 0.3], Cylinder((0, 0, 0), (0, 0, 1), 1.0)
        ),
        "no two opposite points",
    ),
}


@pytest.mark.filterwarnings("ignore:overflow")
@pytest.mark.parametrize("name", CASES)
def test_reason(name):
    run, reason = CASES[name]
    found = run()
    assert not found, f"a result where there is none: {found}"
    assert reason in found.reason


def test_shapes_of_arrays_are_the_programmers_problem():
    with pytest.raises(ValueError, match=r"these have shape \(4,\)"):
        fits.fit_plane(np.zeros(4))
    with pytest.raises(ValueError, match=r"weights must be \(30,\)"):
        fits.fit_plane(PLANE, weights=np.ones(3))
