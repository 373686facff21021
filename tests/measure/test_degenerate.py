"""What can't be measured says why: no exception, no NaN, no guess."""

import math

import numpy as np
import pytest

from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Slot, Sphere
from runner.measure.run import measure
from runner.measure.scene import AlignedScan, build_scene
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec, FeatureSpec
from runner.records import Verdict

UP = (0.0, 0.0, 1.0)
MAIN = DatumSystemSpec("main", (DatumSpec("A", ("bottom",)), DatumSpec("B", ("left",)), DatumSpec("C", ("front",))))
BORE = FeatureSpec("bore", "cylinder", Cylinder((90.0, 40.0, 0.0), UP, 10.0))
TOP = FeatureSpec("top", "plane", Plane((5.0, 5.0, 20.0), UP))
SKIN = FeatureSpec("skin", "surface", None)
SLOT = FeatureSpec("slot", "slot", Slot((60.0, 20.0, 10.0), UP, (1.0, 0.0, 0.0), 24.0, 8.0))


def char(kind, *features, **more):
    return CharacteristicSpec("1", kind, features, "t", **more)


def wall(points, normals):
    return (np.abs(normals[:, 2]) < 0.5) & (np.abs(np.hypot(points[:, 0] - 90, points[:, 1] - 40) - 10) < 0.5)


def near(points, x, y, r):
    return np.hypot(points[:, 0] - x, points[:, 1] - y) < r


def everything(points, normals):
    return np.ones(len(points), dtype=bool)


def nothing(points, normals):
    return np.zeros(len(points), dtype=bool)


def no_wall(points, normals):
    return ~wall(points, normals)


def narrow_arc(points, normals):
    angle = np.arctan2(points[:, 1] - 40, points[:, 0] - 90)
    return ~wall(points, normals) | (np.abs(angle) < np.radians(3))


def one_ring(points, normals):
    return ~wall(points, normals) | (np.abs(points[:, 2] - 10.0) < 0.4)


def few(points, normals):
    rows = np.flatnonzero(wall(points, normals))
    kept = ~wall(points, normals)
    kept[rows[:12]] = True
    return kept


def no_top(points, normals):
    return ~((normals[:, 2] > 0.5) & (points[:, 2] < 21))


def corner_of_top(points, normals):
    return no_top(points, normals) | near(points, 110, 70, 8)


def one_line_of_top(points, normals):
    return no_top(points, normals) | (np.abs(points[:, 1] - 8.0) < 0.35)


BAD_FEATURES = [
    (BORE, no_wall, "not seen|no scan points"),
    (BORE, narrow_arc, "was seen"),
    (BORE, one_ring, "was seen"),
    (BORE, few, "was seen|points on it|no scan points"),
    (BORE, nothing, "no points"),
    (TOP, no_top, "not seen|no scan points"),
    (TOP, corner_of_top, "was seen"),
    (TOP, one_line_of_top, "was seen"),
    (SKIN, nothing, "no points"),
    (SKIN, lambda p, n: near(p, 110, 70, 6), "was seen"),
    (SLOT, lambda p, n: ~near(p, 60, 20, 20), "not seen"),
    (SLOT, lambda p, n: ~near(p, 60, 20, 20) | (n[:, 1] < -0.9), "long sides was not seen"),
    (FeatureSpec("a", "cylinder", Cylinder((90, 40, 0), UP, 10.1)), everything, "radius 10.0000 instead of 10.1000"),
    (FeatureSpec("a", "cylinder", Cylinder((90.5, 40, 0), UP, 10.0)), everything, "0.5000 mm away"),
    (FeatureSpec("a", "cylinder", Cylinder((90, 40, 0), (0, 0.1, 0.995), 10.0)), everything, "turned by"),
    (FeatureSpec("a", "plane", Plane((5, 5, 20.2), UP)), everything, "0.2000 mm away"),
    (FeatureSpec("a", "plane", Plane((5, 5, 20.0), (0, 0, -1))), everything, "facing the other way"),
    (FeatureSpec("a", "sphere", Sphere((0, 0, 0), 3.0)), everything, "no such sphere"),
    (FeatureSpec("a", "cone", Cone((0, 0, 0), UP, 0.5)), everything, "no such cone"),
    (FeatureSpec("a", "slot", Slot((60, 20, 10), UP, (0, 1, 0), 24, 8)), everything, "no such slot"),
    (FeatureSpec("a", "line", Line((5, 5, 0), UP)), everything, "no edge between flat faces"),
    (FeatureSpec("a", "plane", None), everything, "no nominal element"),
    (FeatureSpec("a", "circle", Circle((90, 40, 10), UP, 9.0)), everything, "radius"),
    (FeatureSpec("a", "cylinder", Cylinder((90, 40, 0), UP, 10.0), span=(50.0, 60.0)), everything, "no such cylinder"),
    (FeatureSpec("a", "cylinder", Cylinder((90, 40, 0), UP, 10.0), source="hearsay"), everything, "not available"),
    (FeatureSpec("a", "cylinder", Cylinder((90, 40, 0), UP, 10.0), least_points=10**6), everything, "points on it"),
]


WHOLE = []
"""The scene of the whole plate, built once: nothing changes it."""


@pytest.fixture()
def run(plate, plate_index, plate_sample, plate_part, plate_specs, make_plan):
    def build(points, normals):
        scan = AlignedScan(points, normals, normals_signed=normals is not None)
        return build_scene([scan], plate, plate_index, 5.0)

    def go(features, characteristics=(), keep=everything, systems=(), points=None, normals=None):
        if points is not None:
            scene = build(points, normals)
        elif keep is everything and WHOLE:
            scene = WHOLE[0]
        else:
            points, normals = plate_sample(plate_part(noise=0.01))
            kept = keep(points, normals)
            scene = build(points[kept], normals[kept])
            if keep is everything:
                WHOLE.append(scene)
        return measure(make_plan(features, characteristics, systems), plate, plate_index, scene)

    return go


@pytest.mark.parametrize(("spec", "keep", "reason"), BAD_FEATURES, ids=range(len(BAD_FEATURES)))
def test_features_that_cannot_be_measured(run, spec, keep, reason):
    measured = run([spec], [char("size", spec.name, lower=1.0, upper=99.0, size_definition="GG")], keep)
    record = measured.features[0]
    assert not record.ok
    assert any(part in record.reason for part in reason.split("|")), record.reason
    assert record.parameters == {}
    assert measured.results[0].verdict is Verdict.NOT_MEASURED
    assert measured.results[0].value is None


BAD_CHARACTERISTICS = [
    (char("size", "nowhere"), "there is no feature"),
    (char("size", "top"), "name two facing planes"),
    (char("size", "skin"), "no size"),
    (char("size", "top", "left"), "don't face each other"),
    (char("size", "slot"), "width or length"),
    (char("distance", "top"), "two features"),
    (char("distance", "top", "left"), "not parallel"),
    (char("distance", "top", "skin"), "no distance"),
    (char("angle", "top"), "two features"),
    (char("flatness", "bore", zone=0.1), "asked of a plane"),
    (char("roundness", "top", zone=0.1), "cylinder or a circle"),
    (char("cylindricity", "top", zone=0.1), "asked of a cylinder"),
    (char("parallelism", "top", zone=0.1), "needs a datum"),
    (char("parallelism", "top", zone=0.1, datum_system="other"), "no datum system"),
    (char("position", "skin", zone=0.1, datum_system="main"), "no position"),
    (char("position", "slot", zone=0.1, datum_system="main"), "across its width or along its length"),
    (char("position", "bore", zone=0.1, zone_shape="two planes", datum_system="main"), "needs a direction"),
    (
        char("position", "bore", zone=0.1, zone_shape="diametral", datum_system="main", material_condition="maximum"),
        "limits of size",
    ),
    (char("profile", "nowhere", zone=0.1), "there is no feature"),
    (char("other gauge", entered={"gauge": "thread plug"}), "thread plug"),
    (char("colour", "top"), "no characteristic"),
]  # fmt: skip


TOGETHER = []
"""Results of all of them from one measurement: each is judged by itself, and the features are the same."""


@pytest.mark.parametrize("row", range(len(BAD_CHARACTERISTICS)))
def test_characteristics_that_cannot_be_measured(run, row, plate_specs):
    features = [BORE, TOP, SKIN, SLOT, plate_specs["bottom"], plate_specs["left"], plate_specs["front"]]
    if not TOGETHER:
        TOGETHER.extend(run(features, [spec for spec, _ in BAD_CHARACTERISTICS], systems=[MAIN]).results)
    result, (spec, reason) = TOGETHER[row], BAD_CHARACTERISTICS[row]
    assert (result.kind, result.features) == (spec.kind, spec.features)
    assert result.verdict is Verdict.NOT_MEASURED
    assert reason in result.reason
    assert result.value is None and result.deviation is None


def test_a_missing_datum_feature_is_named(run, plate_specs):
    specs = [BORE, *(plate_specs[n] for n in ("bottom", "left", "front"))]
    position = char("position", "bore", zone=0.1, zone_shape="diametral", datum_system="main")
    measured = run(specs, [position], lambda p, n: n[:, 0] > -0.5, [MAIN])
    assert measured.results[0].verdict is Verdict.NOT_MEASURED
    assert 'datum B can\'t be established: feature "left"' in measured.results[0].reason
    assert measured.datum_systems[0].drawing_from_fit is None


@pytest.mark.parametrize(
    "points",
    [np.zeros((0, 3)), np.zeros((500, 3)), np.full((3, 3), 20.0), np.array([[5.0, 5.0, 20.0]]), np.full((10, 3), 1e6)],
    ids=["none", "all the same", "three the same", "one", "far away"],
)
def test_scans_that_hold_nothing(run, points):
    chars = [
        char("size", "bore", lower=1, upper=99),
        char("profile", "skin", zone=1.0),
        char("flatness", "top", zone=1.0),
    ]
    measured = run([BORE, TOP, SKIN], chars, points=points)
    assert all(r.verdict in (Verdict.NOT_MEASURED, Verdict.UNDECIDED) for r in measured.results if r.kind != "profile")
    assert all(r.value is None or math.isfinite(r.value) for r in measured.results)


def test_many_outliers_and_duplicates_change_nothing(run, plate_sample, plate_part):
    points, normals = plate_sample(plate_part(noise=0.01))
    rng = np.random.default_rng(0)
    clutter = rng.uniform((-200, -200, 40), (300, 300, 300), (100_000, 3))
    both = np.vstack([points, points[:20_000], clutter])
    ways = np.vstack([normals, normals[:20_000], np.tile([0.0, 0.0, 1.0], (len(clutter), 1))])
    found = run([BORE], points=both, normals=ways).found["bore"]
    assert found.shape.radius == pytest.approx(10.0, abs=0.001)
