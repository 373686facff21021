"""Every kind of feature moved by half its search: the result follows within its uncertainty. Nothing is clipped away.

The points come from closed forms (the plate's own sampler and the independent sampler), the truth from parameters.
"""

import math

import numpy as np
import pytest

from runner.geometry.distance import SurfaceIndex
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Slot, Sphere
from runner.measure.run import measure
from runner.measure.scene import AlignedScan, build_scene
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec, FeatureSpec
from runner.records import Verdict
from tests.independent_sampler import sample
from tests.studies.parts import SPINDLE, build_spindle

UP = (0.0, 0.0, 1.0)
NOISE = 0.02
WITHIN = 4.0
"""Standard uncertainties."""
PLATE = {
    "top": FeatureSpec("top", "plane", Plane((60.0, 40.0, 20.0), UP)),
    "left": FeatureSpec("left", "plane", Plane((0.0, 40.0, 10.0), (-1.0, 0.0, 0.0))),
    "bore": FeatureSpec("bore", "cylinder", Cylinder((90.0, 40.0, 10.0), UP, 10.0)),
    "small": FeatureSpec("small", "cylinder", Cylinder((30.0, 40.0, 10.0), UP, 6.0)),
    "ring": FeatureSpec("ring", "circle", Circle((90.0, 40.0, 10.0), UP, 10.0)),
    "pin": FeatureSpec("pin", "cylinder", Cylinder((60.0, 62.0, 26.0), UP, 5.0)),
    "slot": FeatureSpec("slot", "slot", Slot((60.0, 20.0, 10.0), UP, (1.0, 0.0, 0.0), 24.0, 8.0)),
}
SHIFTS = [
    ("top", (0, 0, 0.5)), ("top", (0, 0, -0.5)), ("left", (0.5, 0, 0)), ("left", (-0.5, 0, 0)),
    ("bore", (0.3, 0.4, 0)), ("bore", (-0.5, 0, 0)), ("small", (0, -0.5, 0)), ("ring", (0.3, -0.4, 0)),
    ("pin", (0.4, 0.3, 0)), ("pin", (0, 0.5, 0)), ("slot", (0, 0.5, 0)), ("slot", (0.5, 0, 0)),
    ("slot", (-0.3, 0.4, 0)),
]  # fmt: skip


def on_it(name, p, n):
    round_at = {"bore": (90, 40, 10), "ring": (90, 40, 10), "small": (30, 40, 6), "pin": (60, 62, 5)}.get(name)
    upright = np.abs(n[:, 2]) < 0.5
    if round_at:
        return upright & (np.abs(np.hypot(p[:, 0] - round_at[0], p[:, 1] - round_at[1]) - round_at[2]) < 0.5)
    if name == "slot":
        return upright & (np.abs(p[:, 0] - 60) < 12.5) & (np.abs(p[:, 1] - 20) < 4.5)
    return (n[:, 2] > 0.5) & (np.abs(p[:, 2] - 20) < 0.5) if name == "top" else (n[:, 0] < -0.5) & (p[:, 0] < 0.5)


def middle(shape):
    return np.array(getattr(shape, "centre", getattr(shape, "point", None)))


@pytest.mark.parametrize(("name", "shift"), SHIFTS)
def test_a_feature_of_the_plate_moved_alone(name, shift, plate, plate_index, plate_sample, plate_part, make_plan):
    points, normals = plate_sample(plate_part(noise=NOISE), step=0.8, seed=4)
    points = points.copy()
    points[on_it(name, points, normals)] += shift
    scene = build_scene([AlignedScan(points, normals, normals_signed=True)], plate, plate_index, 5.0)
    spec = PLATE[name]
    found = measure(make_plan([spec], spacing=0.8), plate, plate_index, scene).found[name]
    assert found.ok, found.reason
    off = middle(found.shape) - middle(spec.shape) - shift
    across = np.eye(3) - np.outer(UP, UP)
    if isinstance(spec.shape, Plane):
        across = np.outer(spec.shape.normal, spec.shape.normal)
    spread = across @ found.fit.covariance_at(middle(found.shape)) @ across
    assert np.linalg.norm(across @ off) < WITHIN * math.sqrt(np.trace(spread)) + 1e-4
    for size in ("radius", "length", "width"):
        if hasattr(spec.shape, size):
            wrong = getattr(found.shape, size) - getattr(spec.shape, size)
            assert abs(wrong) < WITHIN * found.fit.standard(size) + 1e-4, size
    assert found.fit.rms == pytest.approx(NOISE, rel=0.15)  # neighbours pulled in would show here
    assert found.coverage > 0.85


@pytest.fixture(scope="module")
def spindle(tmp_path_factory):
    from runner.nominal.load import load_nominal

    path = tmp_path_factory.mktemp("spindle") / "spindle.step"
    build_spindle(SPINDLE, path, "spindle")
    nominal = load_nominal(path)
    return nominal, SurfaceIndex.build(nominal)


def upper(points):
    return points[points[:, 2] > 0]


HALF_ANGLE = math.atan(4.0 / 6.0)
ROUND = {
    # feature, its points about z (the independent sampler), the same turned and placed on the part
    "taper": (
        FeatureSpec("taper", "cone", Cone((0.0, 0.0, 40.0), (0.0, 0.0, -1.0), HALF_ANGLE)),
        lambda random: sample("cone", 6000, random, (8.0, HALF_ANGLE, 6.0), NOISE) * [1, 1, -1] + [0, 0, 28],
    ),
    "ball": (
        FeatureSpec("ball", "sphere", Sphere((0.0, 0.0, 42.0), 8.0)),
        lambda random: upper(sample("sphere", 9000, random, (8.0,), NOISE)) + [0, 0, 42],
    ),
    "body": (
        FeatureSpec("body", "cylinder", Cylinder((0.0, 0.0, 14.0), UP, 12.0)),
        lambda random: sample("cylinder", 6000, random, (12.0, 16.0), NOISE) + [0, 0, 6],
    ),
}  # fmt: skip


def outward(name, points):
    """Normals of the true surfaces before any shift."""
    q = points - [0, 0, 42.0 if name == "ball" else 0.0]
    radial = np.column_stack([q[:, :2], 0 * q[:, 2]]) / np.hypot(q[:, 0], q[:, 1])[:, None]
    if name == "ball":
        return q / np.linalg.norm(q, axis=1)[:, None]
    lift = math.sin(HALF_ANGLE) if name == "taper" else 0.0
    return radial * math.sqrt(1 - lift**2) + np.outer(np.full(len(q), lift), UP)


@pytest.mark.parametrize("shift", [(0.3, 0.4, 0.0), (-0.5, 0.0, 0.0), (0.0, 0.0, 0.5), (0.0, 0.0, -0.5)])
@pytest.mark.parametrize("name", ROUND)
def test_a_round_feature_of_the_spindle(name, shift, spindle, make_plan):
    spec, draw = ROUND[name]
    points = draw(np.random.default_rng(11))
    ways = outward(name, points)
    scene = build_scene([AlignedScan(points + shift, ways, normals_signed=True)], *spindle, 5.0)
    found = measure(make_plan([spec], spacing=0.4), *spindle, scene).found[name]
    assert found.ok, found.reason
    if isinstance(spec.shape, Cone):
        off = np.array(found.shape.apex) - spec.shape.apex - shift
        assert abs(found.shape.half_angle - HALF_ANGLE) < WITHIN * found.fit.standard("half angle") + 1e-5
        # how high a cone stands is told by its surface: along the axis an offset of the surface, over the sine
        along = math.hypot(found.fit.standard("offset") / math.sin(HALF_ANGLE), 12 * found.fit.standard("half angle"))
        assert abs(off[2]) < WITHIN * 3 * along
        off = off * [1, 1, 0]
        where = np.array(found.shape.apex)
    else:
        off = (middle(found.shape) - middle(spec.shape) - shift) * ([1, 1, 0] if name == "body" else [1, 1, 1])
        assert abs(found.shape.radius - spec.shape.radius) < WITHIN * found.fit.standard("radius") + 1e-4
        where = middle(found.shape)
    assert np.linalg.norm(off) < WITHIN * math.sqrt(np.trace(found.fit.covariance_at(where))) + 1e-4


@pytest.mark.parametrize("shift", [(0.3, 0.4), (-0.5, 0.0), (0.0, 0.5), (0.35, -0.35)])
@pytest.mark.parametrize("pattern", ["grid", "stripes"])
def test_the_edge_of_a_hole(pattern, shift, sheet_top, bracket, bracket_index, make_plan):
    spec = FeatureSpec("hole", "circle", Circle((25.0, 30.0, 1.5), UP, 6.0), source="edges")
    points, normals = sheet_top(pattern, 0.5, 7, shift=shift)
    scene = build_scene([AlignedScan(points, normals, normals_signed=True)], bracket, bracket_index, 5.0)
    found = measure(make_plan([spec], spacing=0.5, sheet_thickness=1.5), bracket, bracket_index, scene).found["hole"]
    assert found.ok, found.reason
    off = np.array(found.shape.centre)[:2] - [25.0 + shift[0], 30.0 + shift[1]]
    deviation = np.sqrt(np.diag(found.border.covariance))
    assert np.linalg.norm(off) < WITHIN * math.hypot(*deviation[:2]) + 0.5 / 40
    assert abs(found.shape.radius - 6.0) < WITHIN * deviation[2] + 0.5 / 40  # the aim: 1/20 of the spacing in diameter


@pytest.mark.parametrize("out", [1.5, -1.5])
def test_a_flange_beyond_the_fit_reach_is_judged_and_told_apart(out, plate, plate_index, plate_sample, plate_part,
                                                                make_plan):  # fmt: skip
    """A face 1.5 mm out, search 1.0: its own value is not measured with the distance, the skin's profile rejects it."""
    points, normals = plate_sample(plate_part(noise=NOISE), step=0.8, seed=5)
    points = points.copy()
    points[on_it("left", points, normals)] += [-out, 0, 0]
    far_side = FeatureSpec("right", "plane", Plane((120.0, 40.0, 10.0), (1.0, 0.0, 0.0)))
    bottom = FeatureSpec("bottom", "plane", Plane((5.0, 5.0, 0.0), (0.0, 0.0, -1.0)))
    front = FeatureSpec("front", "plane", Plane((60.0, 0.0, 10.0), (0.0, -1.0, 0.0)))
    features = [PLATE["left"], far_side, bottom, front, FeatureSpec("skin", "surface", None)]
    system = DatumSystemSpec("s", (DatumSpec("A", ("bottom",)), DatumSpec("B", ("right",)), DatumSpec("C", ("front",))))
    asked = [
        CharacteristicSpec("1", "distance", ("left", "right"), "t", lower=119.9, upper=120.1),
        CharacteristicSpec("2", "profile", ("skin",), "t", zone=1.0, reach=4.0, datum_system="s"),
        CharacteristicSpec("3", "flatness", ("left",), "t", zone=0.2),
    ]
    scene = build_scene([AlignedScan(points, normals, normals_signed=True)], plate, plate_index, 5.0)
    measured = measure(make_plan(features, asked, [system], spacing=0.8), plate, plate_index, scene)
    distance, profile, flatness = measured.results
    assert distance.verdict is Verdict.NOT_MEASURED
    assert "1.50 mm from nominal, beyond the search of 1 mm" in distance.reason
    assert flatness.verdict is Verdict.NOT_MEASURED
    assert profile.verdict is Verdict.DOES_NOT_CONFORM
    assert profile.value == pytest.approx(3.0, abs=0.2)
    assert profile.details["worst plus" if out > 0 else "worst minus"] == pytest.approx(out, abs=0.1)


def test_a_straight_edge_moved_by_half_its_search(sheet_top, bracket, bracket_index, make_plan):
    spec = FeatureSpec("edge", "line", Line((40.0, 0.0, 1.5), (1.0, 0.0, 0.0)), source="edges")
    for move in (0.5, -0.5):
        points, normals = sheet_top("grid", 0.5, 9)
        scan = AlignedScan(points + [0, move, 0], normals, normals_signed=True)
        scene = build_scene([scan], bracket, bracket_index, 5.0)
        plan = make_plan([spec], spacing=0.5, sheet_thickness=1.5)
        found = measure(plan, bracket, bracket_index, scene).found["edge"]
        assert found.ok, found.reason
        assert found.shape.point[1] == pytest.approx(move, abs=4 * math.sqrt(found.border.covariance[0, 0]) + 0.5 / 20)
