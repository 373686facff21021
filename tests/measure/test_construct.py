"""Constructed elements, against elementary geometry written out beside each case, anywhere in space."""

import numpy as np
import pytest
from scipy.optimize import minimize

from runner.geometry.frames import rigid, rotation_from_vector
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Point, Slot, Sphere, Torus, moved
from runner.measure.construct import KINDS, construct

X, Y, Z = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)
S = np.sqrt(0.5)


def at(*values):
    return tuple(float(v) for v in values)


CASES = [
    ("midpoint", [Circle(at(0, 0, 0), Z, 2), Sphere(at(4, 2, 0), 1)], Point(at(2, 1, 0))),
    ("midpoint", [Plane(at(0, 0, 0), at(0, 0, -1)), Plane(at(3, 1, 10), Z)], Plane(at(1.5, 0.5, 5), at(0, 0, -1))),
    # a step: both faces look the same way
    ("midpoint", [Plane(at(0, 0, 0), Z), Plane(at(8, 0, 4), Z)], Plane(at(4, 0, 2), Z)),
    ("midpoint", [Cylinder(at(0, 0, 0), Z, 3), Cylinder(at(10, 0, 0), at(0, 0, -1), 5)], Line(at(5, 0, 0), Z)),
    # x = 2 and y = 3: the line along z
    ("intersection", [Plane(at(2, 0, 0), X), Plane(at(0, 3, 0), Y)], Line(at(2, 3, 0), Z)),
    ("intersection", [Line(at(1, 2, 9), Z), Plane(at(7, 7, 3), Z)], Point(at(1, 2, 3))),
    ("intersection", [Plane(at(0, 0, 5), at(0, S, S)), Cylinder(at(0, 2, 0), Z, 1)], Point(at(0, 2, 3))),
    # skew axes along x at z = 0 and along y at z = 4: half way
    ("intersection", [Line(at(9, 0, 0), X), Line(at(1, 5, 4), Y)], Point(at(1, 0, 2))),
    ("intersection", [Plane(at(1, 9, 9), X), Plane(at(9, 2, 9), Y), Plane(at(9, 9, 3), Z)], Point(at(1, 2, 3))),
    ("centre", [Torus(at(1, 2, 3), Z, 5, 1)], Point(at(1, 2, 3))),
    ("centre", [Circle(at(k, 0, 0), Z, 1) for k in (0, 1, 5)], Point(at(2, 0, 0))),
    ("projection", [Sphere(at(1, 2, 7), 1), Plane(at(0, 0, 3), Z)], Point(at(1, 2, 3))),
    ("projection", [Point(at(4, 3, 2)), Cylinder(at(0, 0, 0), X, 1)], Point(at(4, 0, 0))),
    ("projection", [Cylinder(at(1, 0, 5), at(S, 0, S), 1), Plane(at(0, 0, 2), Z)], Line(at(1, 0, 2), X)),
    ("symmetry plane", [Plane(at(-3, 0, 0), at(-1, 0, 0)), Plane(at(5, 0, 0), X)], Plane(at(1, 0, 0), at(-1, 0, 0))),
    ("symmetry plane", [Slot(at(1, 2, 3), Z, X, 10, 4)], Plane(at(1, 2, 3), Y)),
    ("axis", [Cone(at(0, 0, 1), Z, 0.3)], Line(at(0, 0, 1), Z)),
    ("axis", [Circle(at(0, 0, 0), Z, 1), Circle(at(0, 8, 0), Z, 1)], Line(at(0, 4, 0), Y)),
    (
        "centre circle",
        [Circle(at(5, 0, 1), Z, 1), Circle(at(0, 5, 1), Z, 1), Circle(at(-5, 0, 1), Z, 1)],
        Circle(at(0, 0, 1), Z, 5),
    ),
    # three points without an axis of their own: right-handed in their order
    (
        "centre circle",
        [Point(at(5, 0, 0)), Point(at(0, -5, 0)), Point(at(-5, 0, 0))],
        Circle(at(0, 0, 0), at(0, 0, -1), 5),
    ),
]


@pytest.mark.parametrize("case", range(len(CASES)))
def test_elementary_cases_in_random_poses_up_to_10_m_away(case):
    kind, parents, wanted = CASES[case]
    rng = np.random.default_rng(case)
    for _ in range(20):
        move = rigid(rotation_from_vector(rng.normal(size=3)), rng.uniform(-1, 1, 3) * 1e4)
        made = construct(kind, [moved(p, move) for p in parents])
        assert not isinstance(made, str), made
        there = moved(wanted, move)
        assert type(made) is type(there)
        for name, value in vars(there).items():
            np.testing.assert_allclose(getattr(made, name), value, rtol=0, atol=1e-9, err_msg=f"{kind} {name}")


def test_all_kinds_have_a_case():
    assert {case[0] for case in CASES} == set(KINDS)


def test_halving_plane_is_as_far_from_both_faces_everywhere():
    rng = np.random.default_rng(5)
    for _ in range(50):
        tilt = rotation_from_vector(rng.normal(size=3) * 0.2)
        a, b = (
            Plane(at(0, 0, 0), at(0, 0, -1)),
            Plane(
                at(
                    *rng.normal(size=3),
                ),
                at(*(tilt @ Z)),
            ),
        )
        half = construct("symmetry plane", [a, b])
        u = np.cross(half.normal, X)
        places = (
            np.array(half.point)
            + np.outer(rng.normal(size=9) * 50, u)
            + np.outer(rng.normal(size=9) * 50, np.cross(u, half.normal))
        )
        heights = [np.abs((places - np.array(p.point)) @ np.array(p.normal)) for p in (a, b)]
        np.testing.assert_allclose(heights[0], heights[1], atol=1e-10)


def test_nearest_point_of_skew_axes_against_a_general_minimiser():
    rng = np.random.default_rng(6)
    for _ in range(30):
        p, q = rng.normal(size=(2, 3)) * 10
        u, w = (v / np.linalg.norm(v) for v in rng.normal(size=(2, 3)))
        made = construct("intersection", [Line(at(*p), at(*u)), Line(at(*q), at(*w))])
        if isinstance(made, str):
            continue
        best = minimize(
            lambda x, p=p, q=q, u=u, w=w: np.sum((p + x[0] * u - q - x[1] * w) ** 2),
            [0, 0],
            method="BFGS",
            options={"gtol": 1e-12},
        )
        middle = 0.5 * (p + best.x[0] * u + q + best.x[1] * w)
        np.testing.assert_allclose(made.point, middle, atol=1e-5)


@pytest.mark.parametrize(
    ("kind", "parents", "says"),
    [
        ("midpoint", [Plane(at(0, 0, 0), Z), Plane(at(0, 0, 0), X)], "not parallel: they stand at 90.00 deg"),
        ("midpoint", [Cylinder(at(0, 0, 0), Z, 1), Cylinder(at(0, 0, 0), X, 1)], "axes are not parallel"),
        ("midpoint", [Circle(at(0, 0, 0), Z, 1)], "takes two features, not 1"),
        ("midpoint", [Circle(at(0, 0, 0), Z, 1), Plane(at(0, 0, 0), Z)], "no midpoint of a circle and a plane"),
        ("intersection", [Plane(at(0, 0, 0), Z), Plane(at(0, 0, 1), at(0, 0, -1))], "don't meet"),
        ("intersection", [Line(at(0, 0, 0), X), Plane(at(0, 0, 1), Z)], "don't meet"),
        ("intersection", [Line(at(0, 0, 0), X), Line(at(0, 0, 1), X)], "don't meet"),
        ("intersection", [Plane(at(0, 0, 0), Z), Plane(at(0, 0, 0), X), Plane(at(1, 0, 0), at(S, 0, S))], "one point"),
        ("intersection", [Plane(at(0, 0, 0), Z), Plane(at(0, 0, 0), X), Line(at(1, 0, 0), X)], "three planes"),
        ("intersection", [Plane(at(0, 0, 0), Z), Sphere(at(0, 0, 0), 1)], "no intersection"),
        ("intersection", [], "two or three features, not 0"),
        ("centre", [Plane(at(0, 0, 0), Z)], "a plane has no centre"),
        ("centre", [], "no features"),
        ("projection", [Sphere(at(0, 0, 0), 1), Sphere(at(0, 0, 0), 1)], "onto a sphere"),
        ("projection", [Line(at(0, 0, 0), Z), Plane(at(0, 0, 0), Z)], "its projection is a point"),
        ("projection", [Plane(at(0, 0, 0), Z), Plane(at(0, 0, 0), Z)], "a plane can't be projected"),
        ("symmetry plane", [Plane(at(0, 0, 0), Z), Plane(at(0, 0, 0), X)], "not clear"),
        ("symmetry plane", [Sphere(at(0, 0, 0), 1)], "two planes, or one slot"),
        ("axis", [Circle(at(0, 0, 0), Z, 1), Circle(at(0, 0, 0), Z, 1)], "one place"),
        ("axis", [Circle(at(0, 0, 0), Z, 1)], "no axis to construct"),
        ("centre circle", [Point(at(0, 0, 0)), Point(at(1, 0, 0))], "three or more, not 2"),
        ("centre circle", [Point(at(k, 0, 0)) for k in range(4)], "no circle through the centres"),
        ("centre circle", [Point(at(0, 0, 0))] * 4, "no circle through the centres"),
        ("tangent", [Point(at(0, 0, 0))], 'no construction "tangent"'),
    ],
)
def test_what_has_no_answer_says_why(kind, parents, says):
    made = construct(kind, parents)
    assert isinstance(made, str)
    assert says in made


def test_directions_choose():
    slot = Slot(at(0, 0, 0), Z, X, 10, 4)
    assert construct("symmetry plane", [slot], X).normal == X
    assert construct("symmetry plane", [slot], at(0, -1, 0)).normal == at(0, -1, 0)
    slid = construct("projection", [Point(at(0, 0, 4)), Plane(at(0, 0, 0), Z)], at(S, 0, S))
    np.testing.assert_allclose(slid.point, (-4, 0, 0), atol=1e-12)
