"""A table of degenerate scans of sheet: holes, slots and edges that can't be told, each with its reason."""

import json
import re

import numpy as np
import pytest

from runner.geometry.mesh import CLUTTER, TABLE
from runner.geometry.shapes import Circle, Line, Slot
from runner.measure.run import measure
from runner.measure.scene import AlignedScan, build_scene
from runner.measure.specs import CharacteristicSpec, FeatureSpec
from runner.records import Verdict
from runner.records_io import to_json

UP = (0.0, 0.0, 1.0)
HOLE, SLOT_AT = (25.0, 30.0), (55.0, 30.0)
FEATURES = {
    "hole": FeatureSpec("hole", "circle", Circle((*HOLE, 1.5), UP, 6.0), source="edges"),
    "slot": FeatureSpec("slot", "slot", Slot((*SLOT_AT, 1.5), UP, (1.0, 0.0, 0.0), 20.0, 8.0), source="edges"),
    "edge": FeatureSpec("edge", "line", Line((40.0, 0.0, 1.5), (1.0, 0.0, 0.0)), source="edges"),
}


def around(name, p, reach):
    """Which points lie beside the edge."""
    if name == "hole":
        return np.hypot(p[:, 0] - HOLE[0], p[:, 1] - HOLE[1]) < 6 + reach
    if name == "slot":
        along = np.maximum(np.abs(p[:, 0] - SLOT_AT[0]) - 6, 0)
        return np.hypot(along, p[:, 1] - SLOT_AT[1]) < 4 + reach
    return p[:, 1] < reach


def without(reach):
    return lambda p, n, name, random: (p[~around(name, p, reach)], n[~around(name, p, reach)], None)


def half(p, n, name, random):
    """Only the side of the edge beyond the hole's middle was seen."""
    x = {"hole": HOLE[0], "slot": SLOT_AT[0], "edge": 4.0}[name]
    rows = ~(around(name, p, 6.0) & (p[:, 0] > x - 2.0))
    return p[rows], n[rows], None


def filled(p, n, name, random):
    """The hole is not there: the sheet runs on over it."""
    inside = np.column_stack([random.uniform(0, 78, 25_000), random.uniform(-6, 60, 25_000), np.full(25_000, 1.5)])
    rows = around(name, inside, 0.3) & (inside[:, 1] > -6)
    extra = inside[rows]
    return np.vstack([p, extra]), np.vstack([n, np.tile(UP, (len(extra), 1))]), None


def filled_by_removed(p, n, name, random):
    q, m, _ = filled(p, n, name, random)
    label = np.zeros(len(q), np.uint8)
    label[len(p) :] = TABLE if name == "hole" else CLUTTER
    return q, m, label


def shifted(shift):
    return lambda p, n, name, random: (p + shift, n, None)


def few(count):
    """Hardly any points beside the edge."""

    def spoil(p, n, name, random):
        near = np.flatnonzero(around(name, p, 4.0))
        keep = np.ones(len(p), bool)
        keep[near] = np.isin(np.arange(len(near)), np.linspace(0, len(near) - 1, count).astype(int))
        return p[keep], n[keep], None

    return spoil


def all_in_one_place(p, n, name, random):
    near = around(name, p, 4.0)
    chosen = np.flatnonzero(near)[:1]
    return (
        np.vstack([p[~near], np.repeat(p[chosen], 3000, 0)]),
        np.vstack([n[~near], np.repeat(n[chosen], 3000, 0)]),
        None,
    )


def turned_over(p, n, name, random):
    return p, -n, None


def coarse(p, n, name, random):
    rows = random.uniform(size=len(p)) < 0.01
    return p[rows], n[rows], None


def nothing(p, n, name, random):
    return p[:0], n[:0], None


def stray_only(p, n, name, random):
    """The sheet is missing; 100,000 stray points are there."""
    q = random.uniform((-10, -10, -20), (90, 70, 40), (100_000, 3))
    m = random.normal(size=q.shape)
    return q, m / np.linalg.norm(m, axis=1)[:, None], None


NOWHERE = "^not seen: the scan has no points near the nominal$"
NO_EDGE = "^the edge itself was not seen$"
NO_SHEET = "^the sheet beside the edge was not seen$"
FULL = "^another surface lies in the plane of the edge and fills the place beyond it: the border can't be told$"
TABLED = "^the table lies in the plane of the edge and fills the place beyond it: the border can't be told$"
COARSE = r"^the material beside the edge is too narrow for points [\d.]+ mm apart$"
FAR = r"^what was found lies [\d.]+ mm from nominal, beyond the search of 1 mm$"


SCANS = [
    ("hole", nothing, NOWHERE),
    ("slot", nothing, NOWHERE),
    ("edge", nothing, NOWHERE),
    ("hole", without(3.0), NO_EDGE),
    ("slot", without(3.0), NO_EDGE),
    ("edge", without(3.0), NO_EDGE),
    ("hole", half, r"^only \d+% of the edge was seen, on one side"),
    ("slot", half, "don't determine the outline|of the edge was seen"),
    ("edge", half, NO_EDGE + "|of the edge was seen"),
    ("hole", filled, FULL),
    ("slot", filled, FULL),
    ("edge", filled, FULL),
    ("hole", filled_by_removed, TABLED),
    ("slot", filled_by_removed, f"{FULL}|removed"),
    ("edge", filled_by_removed, f"{FULL}|removed"),
    ("hole", shifted((0, 0, 1.7)), f"{NO_SHEET}|beyond"),
    ("slot", shifted((0, 0, 1.7)), f"{NO_SHEET}|beyond"),
    ("edge", shifted((0, 0, 1.7)), f"{NO_SHEET}|beyond"),
    ("hole", shifted((0, 0, -6.0)), NO_SHEET),
    ("edge", shifted((0, 0, -6.0)), NO_SHEET),
    ("hole", shifted((2.2, 2.2, 0)), f"{FAR}|{FULL}"),
    ("slot", shifted((2.2, 2.2, 0)), f"{FAR}|{FULL}"),
    ("edge", shifted((2.2, 2.2, 0)), FAR),
    ("hole", few(5), f"{NO_EDGE}|only"),
    ("slot", few(5), f"{NO_EDGE}|only"),
    ("edge", few(5), f"{NO_EDGE}|only"),
    ("hole", all_in_one_place, NO_EDGE),
    ("slot", all_in_one_place, NO_EDGE),
    ("edge", all_in_one_place, NO_EDGE),
    ("hole", turned_over, NO_SHEET),
    ("slot", turned_over, NO_SHEET),
    ("edge", turned_over, NO_SHEET),
    ("hole", coarse, COARSE),
    ("slot", coarse, COARSE),
    ("edge", coarse, f"{COARSE}|{NO_SHEET}"),
    ("hole", stray_only, f"{FULL}|{NO_SHEET}"),
    ("slot", stray_only, f"{FULL}|{NO_SHEET}"),
    ("edge", stray_only, f"{FULL}|{NO_SHEET}"),
]


@pytest.fixture()
def go(bracket, bracket_index, make_plan):
    def run(points, normals, removed, name):
        scan = AlignedScan(points, normals, normals_signed=True, removed=removed)
        scene = build_scene([scan], bracket, bracket_index, 5.0)
        kind = {"kind": "straightness", "zone": 0.5, "quantity": "edge"} if name == "edge" else {"kind": "size"}
        if name == "slot":
            kind["across"] = "width"
        spec = CharacteristicSpec("1", features=(name,), title="t", size_definition="GG", **kind)
        plan = make_plan([FEATURES[name]], [spec], spacing=0.6, sheet_thickness=1.5)
        return measure(plan, bracket, bracket_index, scene)

    return run


@pytest.mark.parametrize(("name", "spoil", "reason"), SCANS)
def test_an_edge_that_cannot_be_told_is_not_measured_and_says_why(name, spoil, reason, sheet_top, go):
    points, normals, removed = spoil(*sheet_top("random", 0.6, 3), name, np.random.default_rng(5))
    measured = go(points, normals, removed, name)
    record, result = measured.features[0], measured.results[0]
    assert re.search(reason, record.reason), record.reason
    assert record.parameters == {} and record.rms is None
    assert result.verdict is Verdict.NOT_MEASURED
    assert result.value is None and result.deviation is None
    assert record.reason in result.reason or "no points near the nominal" in result.reason
    json.dumps(to_json(result), allow_nan=False)


@pytest.mark.parametrize("name", FEATURES)
def test_each_is_measured_on_the_good_scan(name, sheet_top, go):
    """Otherwise the table above would prove nothing."""
    assert go(*sheet_top("random", 0.6, 3), None, name).features[0].reason == ""
