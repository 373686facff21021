"""A table of degenerate scans: too few points, collinear, one side, duplicates, outliers, the wrong thing in reach.

Each row spoils the points on one feature of a good scan and names the reason that must be given. Nothing may be
measured, guessed, raised or be NaN.
"""

import json
import math
import re

import numpy as np
import pytest

from runner.geometry.mesh import SPECK
from runner.geometry.shapes import Circle, Cylinder, Plane, Slot
from runner.measure.run import measure
from runner.measure.scene import AlignedScan, build_scene
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec, FeatureSpec, FormFilter
from runner.records import Verdict
from runner.records_io import to_json

UP, DOWN = (0.0, 0.0, 1.0), (0.0, 0.0, -1.0)
FEATURES = {
    "top": FeatureSpec("top", "plane", Plane((5.0, 5.0, 20.0), UP)),
    "bottom": FeatureSpec("bottom", "plane", Plane((5.0, 5.0, 0.0), DOWN)),
    "left": FeatureSpec("left", "plane", Plane((0.0, 40.0, 10.0), (-1.0, 0.0, 0.0))),
    "front": FeatureSpec("front", "plane", Plane((60.0, 0.0, 10.0), (0.0, -1.0, 0.0))),
    "bore": FeatureSpec("bore", "cylinder", Cylinder((90.0, 40.0, 0.0), UP, 10.0)),
    "small": FeatureSpec("small", "cylinder", Cylinder((30.0, 40.0, 0.0), UP, 6.0)),
    "ring": FeatureSpec("ring", "circle", Circle((90.0, 40.0, 10.0), UP, 10.0)),
    "pin": FeatureSpec("pin", "cylinder", Cylinder((60.0, 62.0, 20.0), UP, 5.0)),
    "slot": FeatureSpec("slot", "slot", Slot((60.0, 20.0, 10.0), UP, (1.0, 0.0, 0.0), 24.0, 8.0)),
    "skin": FeatureSpec("skin", "surface", None),
}
SYSTEM = DatumSystemSpec("main", (DatumSpec("A", ("bottom",)), DatumSpec("B", ("left",)), DatumSpec("C", ("front",))))


def on(name, p, n):
    """Which points lie on a feature of the plate."""
    r = {"bore": (90, 40, 10), "ring": (90, 40, 10), "small": (30, 40, 6), "pin": (60, 62, 5)}.get(name)
    if r:
        return (np.abs(n[:, 2]) < 0.5) & (np.abs(np.hypot(p[:, 0] - r[0], p[:, 1] - r[1]) - r[2]) < 0.5)
    if name == "slot":
        return (np.abs(n[:, 2]) < 0.5) & (np.abs(p[:, 0] - 60) < 12.5) & (np.abs(p[:, 1] - 20) < 4.5)
    if name == "skin":
        return np.ones(len(p), bool)
    axis, way, at = {"top": (2, 1, 20), "bottom": (2, -1, 0), "left": (0, -1, 0), "front": (1, -1, 0)}[name]
    return (n[:, axis] * way > 0.5) & (np.abs(p[:, axis] - at) < 0.5)


def angle(p, name):
    x, y = {"bore": (90, 40), "ring": (90, 40), "small": (30, 40), "pin": (60, 62)}[name]
    return np.arctan2(p[:, 1] - y, p[:, 0] - x)


def only(keep):
    """Of the feature's points keep those that ``keep(points, normals, feature)`` names."""

    def spoil(p, n, name, random):
        rows = np.flatnonzero(on(name, p, n))
        left = np.ones(len(p), bool)
        left[rows] = keep(p[rows], n[rows], name)
        return p[left], n[left], None

    return spoil


def first(count):
    return only(lambda p, n, name: np.isin(np.arange(len(p)), np.linspace(0, len(p) - 1, count).astype(int)))


def repeated(places, times):
    """A few of the feature's points, again and again."""

    def spoil(p, n, name, random):
        rows = np.flatnonzero(on(name, p, n))
        chosen = rows[np.linspace(0, len(rows) - 1, places).astype(int)]
        rest = ~on(name, p, n)
        many = np.repeat(chosen, times)
        return np.vstack([p[rest], p[many]]), np.vstack([n[rest], n[many]]), None

    return spoil


def moved(shift):
    """The feature lies elsewhere, the rest of the part where it should be."""

    def spoil(p, n, name, random):
        p = p.copy()
        p[on(name, p, n)] += shift
        return p, n, None

    return spoil


def grown(by):
    """A bore or pin of another radius."""

    def spoil(p, n, name, random):
        p, rows = p.copy(), on(name, p, n)
        a = angle(p[rows], name)
        p[rows] += by * np.column_stack([np.cos(a), np.sin(a), 0 * a])
        return p, n, None

    return spoil


def turned_over(p, n, name, random):
    n = n.copy()
    n[on(name, p, n)] *= -1
    return p, n, None


def removed_as(label):
    def spoil(p, n, name, random):
        return p, n, np.where(on(name, p, n), label, 0).astype(np.uint8)

    return spoil


def clutter_instead(p, n, name, random):
    """The feature is missing, 100,000 stray points fill the box around the part."""
    rest = ~on(name, p, n)
    stray = random.uniform((-30, -30, -30), (150, 110, 60), (100_000, 3))
    ways = random.normal(size=(100_000, 3))
    return np.vstack([p[rest], stray]), np.vstack([n[rest], ways / np.linalg.norm(ways, axis=1)[:, None]]), None


def nothing(p, n, name, random):
    return p[:0], n[:0], None


def far(p, n, name, random):
    return p + 1e6, n, None


none = only(lambda p, n, name: np.zeros(len(p), bool))
GONE = "^no scan points within 1 mm of it whose surface direction agrees$"
UNSEEN = "^not seen: the scan has no points there$"
EMPTY = "^not seen: the scan has no points near the nominal$"
LITTLE = r"^only \d+% of it was seen; at least 30% is needed$"
FEW = r"^only \d+ points on it; at least \d+ are needed$"
LINE = "the points lie in one straight line"
# a handful of points far from each other are isolated: they are not taken for a surface at all
LONELY = f"{FEW}|{GONE}|{LITTLE}"


def beyond(mm):
    return f"^what was found lies {mm:.2f} mm from nominal, beyond the search of 1 mm$"


SCANS = [
    # feature, how its points are spoilt, the reason
    ("top", none, GONE),
    ("left", none, GONE),
    ("bore", none, GONE),
    ("small", none, GONE),
    ("ring", none, GONE),
    ("pin", none, GONE),
    ("slot", none, UNSEEN),
    ("skin", nothing, EMPTY),
    ("top", nothing, EMPTY),
    ("slot", nothing, EMPTY + "|" + UNSEEN),
    ("bore", far, EMPTY),
    # too few
    ("top", first(1), LONELY),
    ("top", first(2), LONELY),
    ("top", first(11), LONELY),
    ("bore", first(3), LONELY),
    ("bore", first(19), LONELY),
    ("pin", first(4), LONELY),
    ("ring", first(2), LONELY),
    ("slot", first(6), LONELY),
    # in a line, in a ring, on one side
    ("top", only(lambda p, n, f: np.abs(p[:, 1] - 8.0) < 0.5), LITTLE),
    ("left", only(lambda p, n, f: np.abs(p[:, 2] - 10.0) < 0.5), LITTLE),
    ("top", only(lambda p, n, f: np.abs(p[:, 0] - p[:, 1]) < 0.8), LITTLE),
    ("top", only(lambda p, n, f: p[:, 0] < 20), LITTLE),
    ("top", only(lambda p, n, f: np.hypot(p[:, 0] - 100, p[:, 1] - 70) < 9), LITTLE),
    ("bore", only(lambda p, n, f: np.abs(p[:, 2] - 10) < 0.6), LITTLE),
    ("bore", only(lambda p, n, f: np.abs(angle(p, f)) < np.radians(2)), f"{LITTLE}|{LONELY}"),
    ("bore", only(lambda p, n, f: np.abs(angle(p, f)) < np.radians(20)), LITTLE),
    ("bore", only(lambda p, n, f: np.abs(angle(p, f)) < np.radians(40)), LITTLE),
    ("small", only(lambda p, n, f: p[:, 2] < 3), LITTLE),
    ("pin", only(lambda p, n, f: angle(p, f) > np.radians(140)), LITTLE),
    ("slot", only(lambda p, n, f: n[:, 1] > 0.9), "^one of its long sides was not seen$"),
    ("slot", only(lambda p, n, f: np.abs(n[:, 1]) < 0.5), f"^one of its long sides was not seen$|{LITTLE}"),
    # the same place again and again
    ("top", repeated(1, 800), f"{LINE}|{LITTLE}"),
    ("top", repeated(2, 800), f"{LINE}|{LITTLE}"),
    ("top", repeated(3, 800), f"{LINE}|{LITTLE}"),
    ("bore", repeated(1, 800), f"{LINE}|{LITTLE}"),
    ("bore", repeated(4, 800), f"{LINE}|{LITTLE}"),
    ("pin", repeated(2, 800), f"{LINE}|{LITTLE}"),
    ("slot", repeated(3, 800), f"length is free|hold the length|long sides|{LITTLE}"),
    # beyond the search, near enough to be told where it is
    ("top", moved((0, 0, 1.6)), beyond(1.6)),
    ("top", moved((0, 0, -1.6)), beyond(1.6)),
    ("left", moved((1.5, 0, 0)), beyond(1.5)),
    ("bore", moved((1.6, 0, 0)), beyond(1.6)),
    ("small", moved((0, -1.7, 0)), beyond(1.7)),
    ("pin", moved((1.2, 1.2, 0)), beyond(1.7)),
    ("slot", moved((0, 1.6, 0)), f"{beyond(1.6)}|{UNSEEN}|long sides|{LITTLE}|{FEW}"),
    ("slot", moved((1.6, 0, 0)), f"{beyond(1.6)}|{LITTLE}|hold the length"),
    # beyond the search all round
    ("bore", grown(1.5), f"{GONE}|{beyond(1.5)}"),
    ("pin", grown(-1.5), f"{GONE}|{beyond(1.5)}"),
    # something else in reach
    ("top", moved((0, 0, 7.0)), GONE),
    ("bore", moved((0, 0, 45.0)), GONE),
    ("top", turned_over, GONE),
    ("bore", turned_over, GONE),
    ("pin", turned_over, GONE),
    ("slot", turned_over, UNSEEN),
    ("pin", removed_as(SPECK), f"{GONE}|removed"),
    # 100,000 stray points and no feature
    ("top", clutter_instead, f"{LITTLE}|{FEW}|{GONE}"),
    ("bore", clutter_instead, f"{LITTLE}|{FEW}|{GONE}"),
    ("pin", clutter_instead, f"{LITTLE}|{FEW}|{GONE}"),
    ("slot", clutter_instead, f"{LITTLE}|{FEW}|{UNSEEN}|long sides"),
]

KINDS = {
    "plane": {"kind": "flatness", "zone": 0.1},
    "cylinder": {"kind": "size", "lower": 1.0, "upper": 99.0, "size_definition": "GG"},
    "circle": {"kind": "roundness", "zone": 0.1},
    "slot": {"kind": "size", "lower": 1.0, "upper": 99.0, "size_definition": "GG", "across": "width"},
    "surface": {"kind": "profile", "zone": 1.0},
}


@pytest.fixture()
def go(plate, plate_index, make_plan):
    def run(points, normals, names, characteristics, systems=(), removed=None):
        scan = AlignedScan(points, normals, normals_signed=True, removed=removed)
        scene = build_scene([scan], plate, plate_index, 5.0)
        plan = make_plan([FEATURES[name] for name in names], characteristics, systems, spacing=0.9)
        return measure(plan, plate, plate_index, scene)

    return run


@pytest.fixture(scope="module")
def kept():
    return {}


@pytest.fixture()
def good(kept, plate_sample, plate_part):
    """Points and normals of one good scan of the plate."""
    if not kept:
        kept["scan"] = plate_sample(plate_part(noise=0.01), step=0.9)
    return kept["scan"]


def assert_not_measured(result, reason):
    assert result.verdict is Verdict.NOT_MEASURED
    assert re.search(reason, result.reason), result.reason
    assert result.value is None and result.deviation is None
    json.dumps(to_json(result), allow_nan=False)


@pytest.mark.parametrize(("name", "spoil", "reason"), SCANS, ids=range(len(SCANS)))
def test_a_spoilt_feature_is_not_measured_and_says_why(name, spoil, reason, good, go):
    points, normals, removed = spoil(*good, name, np.random.default_rng(5))
    spec = FEATURES[name]
    ask = CharacteristicSpec("1", features=(name,), title="t", **KINDS[spec.kind])
    measured = go(points, normals, [name], [ask], removed=removed)
    record = measured.features[0]
    assert re.search(reason, record.reason), record.reason
    assert record.parameters == {} and record.rms is None
    assert_not_measured(measured.results[0], "")
    # what is said of the characteristic is what is said of its feature, or of the whole scan
    assert record.reason in measured.results[0].reason or "no points near the nominal" in measured.results[0].reason


def test_every_one_of_these_features_is_measured_on_the_good_scan(good, go):
    """Otherwise the table above would prove nothing."""
    measured = go(*good, list(FEATURES), [])
    assert [record.reason for record in measured.features] == [""] * len(FEATURES)


RELATIONS = [
    # characteristic, feature spoilt, the reason
    ({"kind": "position", "features": ("bore",), "zone": 0.1, "zone_shape": "diametral"}, "bottom", 'feature "bottom"'),
    ({"kind": "position", "features": ("bore",), "zone": 0.1, "zone_shape": "diametral"}, "left", 'feature "left"'),
    ({"kind": "position", "features": ("bore",), "zone": 0.1, "zone_shape": "diametral"}, "front", 'feature "front"'),
    ({"kind": "position", "features": ("bore",), "zone": 0.1, "zone_shape": "diametral"}, "bore", '"bore"'),
    ({"kind": "perpendicularity", "features": ("pin",), "zone": 0.1, "zone_shape": "diametral"}, "bottom", '"bottom"'),
    ({"kind": "parallelism", "features": ("top",), "zone": 0.1}, "top", '"top"'),
    ({"kind": "profile", "features": ("skin",), "zone": 0.5}, "left", 'datum B can\'t be established: feature "left"'),
    ({"kind": "distance", "features": ("bottom", "top"), "lower": 19, "upper": 21}, "top", '"top"'),
    ({"kind": "distance", "features": ("bore", "small"), "lower": 59, "upper": 61}, "small", '"small"'),
    ({"kind": "angle", "features": ("bottom", "left"), "lower": 1.5, "upper": 1.6, "unit": "deg"}, "left", '"left"'),
]  # fmt: skip


@pytest.mark.parametrize(("ask", "spoilt", "reason"), RELATIONS, ids=range(len(RELATIONS)))
def test_what_leans_on_a_missing_feature_names_it(ask, spoilt, reason, good, go):
    points, normals, _ = none(*good, spoilt, None)
    names = ["bottom", "left", "front", *(f for f in ask["features"] if f not in ("bottom", "left", "front"))]
    system = None if ask["kind"] in ("distance", "angle") else "main"
    spec = CharacteristicSpec("1", title="t", datum_system=system, **ask)
    result = go(points, normals, names, [spec], [SYSTEM]).results[0]
    assert_not_measured(result, reason)
    assert "no scan points within 1 mm" in result.reason


FILTERS = [
    ({"kind": "flatness", "features": ("top",)}, 500.0, r"take away all form: the surface is 11\d(\.\d+)? mm long"),
    ({"kind": "cylindricity", "features": ("bore",)}, 40.0, r"take away all form: half a turn is 31\.4\d? mm"),
    ({"kind": "roundness", "features": ("pin",)}, 500.0, "take away all form: half a turn is 15"),
    ({"kind": "flatness", "features": ("left",)}, 0.0, "needs a cut-off"),
]


@pytest.mark.parametrize(("ask", "cutoff", "reason"), FILTERS, ids=range(len(FILTERS)))
def test_a_filter_that_the_points_or_the_face_cannot_bear_is_said(ask, cutoff, reason, good, go):
    spec = CharacteristicSpec("1", title="t", zone=0.1, judge=FormFilter("gaussian", cutoff), **ask)
    assert_not_measured(go(*good, list(ask["features"]), [spec]).results[0], reason)


def test_outliers_by_the_hundred_thousand_and_duplicates_do_not_move_a_feature(good, go):
    points, normals = good
    random = np.random.default_rng(8)
    stray = random.uniform((-30, -30, -30), (150, 110, 60), (100_000, 3))
    ways = random.normal(size=(100_000, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    every = [points, points[::2], stray]
    found = go(np.vstack(every), np.vstack([normals, normals[::2], ways]), ["bore", "top", "pin"], []).found
    clean = go(points, normals, ["bore", "top", "pin"], []).found
    for name in ("bore", "pin"):
        assert found[name].shape.radius == pytest.approx(clean[name].shape.radius, abs=0.003)
        assert math.dist(found[name].shape.point, clean[name].shape.point) < 0.006
    assert found["top"].shape.point[2] == pytest.approx(20.0, abs=0.002)


def test_a_profile_is_not_smoothed_flat(plate_sample, plate_part, go):
    points, normals = plate_sample(plate_part(noise=0.01, top_bow=1.0), step=0.9)
    spec = CharacteristicSpec("1", "profile", ("skin",), "t", zone=1.0, judge=FormFilter("gaussian", 500.0))
    result = go(points, normals, ["skin"], [spec]).results[0]
    assert result.verdict is Verdict.NOT_MEASURED and "would take away all form" in result.reason
