"""Datums outside the material: widths, common axes, patterns, convex faces, and the order of datums, by hand."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import minimize

from runner.geometry.frames import move_points, rigid, rotation_from_vector
from runner.geometry.shapes import Cylinder, Plane, Point, Sphere
from runner.measure.datums import establish, free_movements
from runner.measure.found import FoundFeature
from runner.measure.specs import DatumSpec, DatumSystemSpec, FeatureSpec, FormFilter
from runner.measure.twists import named

CENTRE = np.array([50.0, 30.0, 10.0])
RAW = FormFilter("none")
UP = (0.0, 0.0, 1.0)


def side(outward, axial=None):
    """The part of a patch that seating looks at."""
    return SimpleNamespace(outward=outward, axial=axial, samples=np.zeros((0, 3)))


def datum(label, *names, **more):
    return DatumSpec(label, tuple(names), filter=RAW, **more)


def wall(at, axis_tilt, radius, heights, count=72, lobes=0.0):
    """Points on a bore about z through ``at`` at z = 0, leaning by ``axis_tilt`` (2,)."""
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    a, z = (v.ravel() for v in np.meshgrid(angle, heights))
    r = radius + lobes * np.cos(3 * a)
    return np.column_stack([at[0] + axis_tilt[0] * z + r * np.cos(a), at[1] + axis_tilt[1] * z + r * np.sin(a), z])


def bore(name, at, radius, *, real=None, tilt=(0.0, 0.0), real_radius=None, heights=(0.0, 5.0, 10.0), lobes=0.0):
    spec = FeatureSpec(name, "cylinder", Cylinder((*at, 0.0), UP, radius))
    here = real or at
    points = wall(here, tilt, real_radius or radius, np.array(heights), lobes=lobes)
    axis = np.array([*tilt, 1.0]) / np.linalg.norm([*tilt, 1.0])
    shape = Cylinder((*here, 0.0), tuple(axis), real_radius or radius)
    return spec, FoundFeature(spec, shape, points=points, patch=side(-1, (heights[0], heights[-1])))


def face(name, at, normal, points, measured=None):
    spec = FeatureSpec(name, "plane", Plane(at, normal))
    return spec, FoundFeature(spec, measured or Plane(at, normal), points=points)


def run(*datums, parts, standard="ISO GPS"):
    specs = {s.name: s for s, _ in parts}
    found = {s.name: f for s, f in parts}
    return establish(DatumSystemSpec("s", tuple(datums)), found, specs, CENTRE, standard=standard)


def sheet(x0, x1, y0, y1, height, n=31):
    x, y = (v.ravel() for v in np.meshgrid(np.linspace(x0, x1, n), np.linspace(y0, y1, n)))
    return np.column_stack([x, y, height(x, y)])


def test_order_of_datums_on_an_l_block():
    # two faces 89.9 deg to one another, B leaning by 0.1 deg about z against A. Face A (normal -y) is 100 long, face B
    # (normal -x) 40 high. By hand: A|B leaves A's points on y = 0; B|A leaves B's points on x = 0, and A then leans
    # by 0.1 deg over 100 mm: its far end 0.17453 mm off.
    lean = np.radians(0.1)
    a = np.array([[x, 0.0, z] for x in np.linspace(0, 100, 21) for z in (0.0, 20.0)])
    b = np.array([[y * np.sin(lean), y * np.cos(lean), z] for y in np.linspace(0, 40, 9) for z in (0.0, 20.0)])
    base = face("base", (0, 0, 0), (0, 0, -1.0), sheet(0, 100, 0, 40, lambda x, y: 0 * x))
    parts = [base, face("a", (0, 0, 0), (0, -1.0, 0), a), face("b", (0, 0, 0), (-1.0, 0, 0), b,
             Plane((0, 0, 0), (-np.cos(lean), np.sin(lean), 0.0)))]  # fmt: skip
    first = run(datum("A", "base"), datum("B", "a"), datum("C", "b"), parts=parts)
    other = run(datum("A", "base"), datum("B", "b"), datum("C", "a"), parts=parts)
    end_first = move_points(first.drawing_from_fit, np.array([[100.0, 0, 0]]))[0]
    end_other = move_points(other.drawing_from_fit, np.array([[100.0, 0, 0]]))[0]
    assert end_first == pytest.approx([100.0, 0.0, 0.0], abs=1e-9)
    # B on x = 0 turns the part by the lean; A then touches y = 0 with its lower end
    assert end_other[1] - move_points(other.drawing_from_fit, np.zeros((1, 3)))[0, 1] == pytest.approx(
        100.0 * np.sin(lean), abs=1e-9
    )
    assert move_points(other.drawing_from_fit, a)[:, 1].min() == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("standard", ["ISO GPS", "ASME Y14.5"])
def test_a_convex_face_is_touched_at_its_crown_and_rocks(standard):
    # z = 0.1 s(1-s)-crown downwards: crown at x = 50, the ends 0.05 mm up
    points = sheet(0, 100, 0, 40, lambda x, y: 0.05 * ((x - 50) / 50) ** 2 - 0.05)
    parts = [face("base", (0, 0, 0), (0, 0, -1.0), points, Plane((0, 0, -0.0333), (0, 0, -1.0)))]
    made = run(datum("A", "base"), parts=parts, standard=standard)
    now = move_points(made.drawing_from_fit, points)
    assert now[:, 2].min() == pytest.approx(0.0, abs=1e-9)
    # symmetric: both rules leave it level
    assert made.drawing_from_fit[2, :3] == pytest.approx([0, 0, 1], abs=1e-7)
    assert any("can rock by" in note for note in made.notes)
    assert any(("ASME" if standard.startswith("ASME") else "ISO") in note for note in made.notes)


def test_the_constrained_rule_agrees_with_a_general_solver():
    # ASME: least sum of squares with nothing outside; SciPy's SLSQP on the same problem
    rng = np.random.default_rng(0)
    points = sheet(0, 100, 0, 60, lambda x, y: 0 * x, n=9)
    points[:, 2] = rng.normal(0, 0.02, len(points))
    parts = [face("base", (0, 0, 0), (0, 0, -1.0), points)]
    made = run(datum("A", "base"), parts=parts, standard="ASME Y14.5")
    mine = move_points(made.drawing_from_fit, points)[:, 2]
    assert mine.min() == pytest.approx(0.0, abs=1e-9)
    table = np.column_stack([np.ones(len(points)), points[:, :2] / 100])
    found = minimize(
        lambda q: float(np.sum((points[:, 2] + table @ q) ** 2)) * 1e3,
        [0.1, 0, 0],
        constraints={"type": "ineq", "fun": lambda q: points[:, 2] + table @ q},
        options={"ftol": 1e-15, "maxiter": 500},
    )
    # heights and distances differ by the squared slope, some 1e-6
    assert float(np.sum(mine**2)) == pytest.approx(found.fun / 1e3, rel=1e-5)


def test_two_coplanar_faces_are_one_datum():
    # pads at 0 and, 0.02 higher, at 80: one plane under both
    left = sheet(0, 20, 0, 40, lambda x, y: 0 * x, n=5)
    right = sheet(80, 100, 0, 40, lambda x, y: 0 * x + 0.02, n=5)
    parts = [face("l", (10, 20, 0), (0, 0, -1.0), left), face("r", (90, 20, 0), (0, 0, -1.0), right,
             Plane((90, 20, 0.02), (0, 0, -1.0)))]  # fmt: skip
    made = run(datum("A", "l", "r"), parts=parts)
    now = move_points(made.drawing_from_fit, np.vstack([left, right]))[:, 2]
    assert now.min() == pytest.approx(0.0, abs=1e-9)
    # the plane that is least far from its farthest point: by SciPy's linear programme in (height, slope over x)
    from scipy.optimize import linprog

    cloud = np.vstack([left, right])
    table = np.column_stack([np.ones(len(cloud)), cloud[:, 0]])
    best = linprog(
        [0, 0, 1.0],
        A_ub=np.vstack([np.hstack([table, 0 * table[:, :1]]), np.hstack([-table, -np.ones((len(cloud), 1))])]),
        b_ub=np.concatenate([cloud[:, 2], -cloud[:, 2]]),
        bounds=[(None, None)] * 2 + [(0, None)],
    )
    assert now.max() == pytest.approx(best.fun, abs=1e-8)
    assert named(made.free) == ("x", "y", "rz")


def test_a_width_is_centred_between_its_faces():
    # real faces at x = 30.1 and 69.8: the middle lies at 49.95
    plus = np.array([[69.8, y, z] for y in (0, 20, 40) for z in (0, 10, 20)], dtype=float)
    minus = np.array([[30.1, y, z] for y in (0, 20, 40) for z in (0, 10, 20)], dtype=float)
    parts = [face("p", (70, 20, 10), (1.0, 0, 0), plus, Plane((69.8, 20, 10), (1.0, 0, 0))),
             face("m", (30, 20, 10), (-1.0, 0, 0), minus, Plane((30.1, 20, 10), (-1.0, 0, 0)))]  # fmt: skip
    made = run(datum("A", "p", "m"), parts=parts)
    assert made.drawing_from_fit == pytest.approx(rigid(np.eye(3), np.array([0.05, 0, 0])), abs=1e-9)
    assert any("all sides grown alike" in note for note in made.notes)


def test_a_common_axis_of_two_coaxial_bores():
    # centres (0.04, 0) at z = 0..10 and (-0.02, 0.03) at z = 90..100, round: one axis, grown alike
    low = bore("low", (0, 0), 6.0, real=(0.04, 0.0))
    high = bore("high", (0, 0), 9.0, real=(-0.02, 0.03), heights=(90.0, 95.0, 100.0))
    made = run(datum("A", "low", "high"), parts=[low, high])
    assert named(made.free) == ("z", "rz")
    points = [move_points(made.drawing_from_fit, f.points) for _, f in (low, high)]
    slack = [6.0 - np.hypot(*points[0].T[:2]).min(), 9.0 - np.hypot(*points[1].T[:2]).min()]
    # an axis through both centres needs no growth but for the lean over 10 mm (second order and 0.6 mrad x 5 mm)
    assert max(slack) == pytest.approx(0.0035, abs=0.0015)
    assert slack[0] == pytest.approx(slack[1], abs=1e-7)


def test_a_pattern_of_holes_is_largest_inscribed_together():
    # three holes under a base, each off by up to 0.05 mm: the largest equal growth, against SciPy
    rng = np.random.default_rng(4)
    places = [(0.0, 0.0), (60.0, 0.0), (30.0, 50.0)]
    holes = [
        bore(f"h{k}", at, 5.0, real=tuple(np.array(at) + rng.normal(0, 0.03, 2)), lobes=0.01)
        for k, at in enumerate(places)
    ]
    base = face("base", (0, 0, 0), (0, 0, -1.0), sheet(0, 60, 0, 50, lambda x, y: 0 * x, n=5))
    made = run(datum("A", "base"), datum("B", "h0", "h1", "h2"), parts=[base, *holes])
    assert named(made.free) == ()

    def inscribed(move):
        return min(
            np.linalg.norm(move_points(move, f.points)[:, :2] - at, axis=1).min()
            for (_, f), at in zip(holes, places, strict=True)
        )

    def tried(q):
        turn = rotation_from_vector(np.array([0, 0, q[0] / 50]))
        return -inscribed(rigid(turn, np.array([q[1], q[2], 0.0])))

    best = max(
        -minimize(tried, start, method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 4000}).fun
        for start in rng.normal(0, 0.02, (6, 3))
    )
    assert inscribed(made.drawing_from_fit) >= best - 1e-7


def test_the_lower_datum_is_associated_under_the_higher_ones_direction():
    # a bore that leans by 2 mrad: as secondary datum its largest inscribed cylinder stands square to A. By hand, for
    # sections at z = 0..10 the centre lies half way between the ends' centres.
    leaning = bore("hole", (0, 0), 5.0, tilt=(0.002, 0.0))
    base = face("base", (0, 0, 0), (0, 0, -1.0), sheet(-20, 20, -20, 20, lambda x, y: 0 * x, n=5))
    made = run(datum("A", "base"), datum("B", "hole"), parts=[base, leaning])
    assert made.drawing_from_fit == pytest.approx(rigid(np.eye(3), np.array([-0.01, 0, 0])), abs=1e-7)


def test_points_and_spheres_hold_three_shifts():
    spec = FeatureSpec("p", "midpoint", Point((1.0, 2.0, 3.0)), source="constructed")
    found = FoundFeature(spec, Point((1.1, 2.0, 2.9)))
    made = run(datum("A", "p"), parts=[(spec, found)])
    assert made.drawing_from_fit == pytest.approx(rigid(np.eye(3), np.array([-0.1, 0, 0.1])), abs=1e-9)
    ball = {"b": FeatureSpec("b", "sphere", Sphere((1.0, 2.0, 3.0), 4.0))}
    assert named(free_movements(DatumSystemSpec("s", (datum("A", "b"),)), ball, CENTRE)) == ("rx", "ry", "rz")
