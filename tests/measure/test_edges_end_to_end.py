"""Rectangle and arc from edges, from scan to result; straightness of an edge; against how the test cut the sheet."""

import numpy as np
import pytest

from runner.geometry.distance import SurfaceIndex
from runner.geometry.fits.filters import noise_zone
from runner.geometry.shapes import Circle, Line, Plane, Slot
from runner.measure.run import measure
from runner.measure.scene import AlignedScan, build_scene
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec, FeatureSpec
from runner.records import Verdict
from tests.measure.conftest import pattern

UP, S = (0.0, 0.0, 1.0), 0.35
BOX = FeatureSpec(
    "box", "rectangle", Slot((30.0, 26.0, 1.5), UP, (1, 0, 0), 20.0, 12.0, False), source="edges", corner_radius=0.5
)
ARC = FeatureSpec(
    "arc", "arc", Circle((0.0, 0.0, 1.5), UP, 12.0), source="edges", turn=(0.0, np.pi / 2), zero=(1.0, 0.0, 0.0)
)
TOP = FeatureSpec("top", "plane", Plane((50.0, 40.0, 1.5), UP))
RIGHT = FeatureSpec("right", "line", Line((60.0, 25.0, 1.5), (0, 1.0, 0)), source="edges")
BACK = FeatureSpec("back", "line", Line((30.0, 50.0, 1.5), (1.0, 0, 0)), source="edges")
FRAME = DatumSystemSpec(
    "F",
    (
        DatumSpec("A", ("top",), "least squares"),
        DatumSpec("B", ("right",), "least squares"),
        DatumSpec("C", ("back",), "least squares"),
    ),
)


@pytest.fixture(scope="module")
def sheet(tmp_path_factory):
    from runner.nominal.load import load_nominal
    from runner.rehearse import solids

    body = solids.cut(
        solids.box((0.0, 0.0, 0.0), (60.0, 50.0, 1.5)),
        solids.box((20.0, 20.0, -1.0), (40.0, 32.0, 3.0)),
        solids.cylinder((0.0, 0.0, -1.0), (0, 0, 1), 24.0, 4.0),
    )
    path = tmp_path_factory.mktemp("sheet") / "a.step"
    solids.write_step(body, path, "a")
    nominal = load_nominal(path)
    return nominal, SurfaceIndex.build(nominal)


def scan(nominal, index, seed, *, bow=0.0):
    """The sheet from above: its rectangle 0.3 to the right and 0.2 longer, its arc 0.05 larger and 0.2 off."""
    p = pattern("grid", S, np.random.default_rng(seed), (-2.0, -2.0), (62.0, 52.0))
    right = 60.0 + bow * (1 - ((p[:, 1] - 25.0) / 25.0) ** 2)
    p = p[(p[:, 0] > 0) & (p[:, 1] > 0) & (p[:, 1] < 50.0) & (p[:, 0] < right)]
    inside = np.maximum(np.abs(p[:, 0] - 30.3) - 10.1, np.abs(p[:, 1] - 26) - 6.0) < 0
    p = p[~inside & (np.hypot(p[:, 0] - 0.2, p[:, 1]) > 12.05)]
    q = np.column_stack([p, 1.5 + 0.01 * np.random.default_rng(seed + 99).normal(size=len(p))])
    return build_scene([AlignedScan(q, np.tile(UP, (len(q), 1)), normals_signed=True)], nominal, index, 3.0)


def char(number, kind, feature, **more):
    return CharacteristicSpec(str(number), kind, (feature,), "t", **more)


def test_size_and_position_of_a_rectangle_and_an_arc(sheet, make_plan):
    sizes = [
        char(1, "size", "box", across="length", nominal=20.0, lower=19.7, upper=20.3),
        char(2, "size", "box", across="width", nominal=12.0, lower=11.8, upper=12.2),
        char(3, "size", "arc", size_definition="GG", nominal=24.0, lower=23.7, upper=24.3),
    ]
    places = [
        char(4, "position", "box", across="length", zone=0.4, datum_system="F"),
        char(5, "position", "box", across="width", zone=0.4, datum_system="F"),
        char(6, "position", "arc", zone=0.6, zone_shape="diametral", datum_system="F"),
        char(7, "position", "box", zone=0.4, zone_shape="diametral", datum_system="F"),
    ]
    truth = np.array([20.2, 12.0, 24.1, 0.6, 0.0, 0.4, 0.6])
    plan = make_plan([BOX, ARC, TOP, RIGHT, BACK], [*sizes, *places], [FRAME], spacing=S)
    every, told = [], []
    for seed in range(3):
        measured = measure(plan, *sheet, scan(*sheet, seed))
        got = measured.results
        assert all(r.value is not None for r in got), [r.reason for r in got]
        every.append([r.value for r in got])
        told.append(measured.found["arc"].border.size_standard)
        arc = got[5].details
        assert arc["corrected, at least"] < 0.4 < arc["corrected, at most"]
        assert got[6].details["noise part"] < 0.02
        assert got[3].verdict is Verdict.DOES_NOT_CONFORM and got[4].verdict is Verdict.CONFORMS
    error = np.array(every) - truth
    # sizes within an eighth of the spacing in the mean; a position is twice a place's error and never negative
    assert np.abs(error[:, :2].mean(axis=0)).max() < S / 8
    assert np.abs(error[:, [3, 4, 6]].mean(axis=0)).max() < S / 4
    # a quarter turn of edge hardly holds its radius, nor its centre: both within what is told (0.4 to 0.6 mm here)
    assert np.abs(error[:, 2] / told).max() < 3.0
    assert np.abs(error[:, 5] / told).max() < 3.0
    assert 0.2 < np.mean(told) < 1.0


@pytest.mark.parametrize("bow", [0.0, 0.4])
def test_straightness_of_an_edge_is_the_height_of_its_bow(sheet, make_plan, bow):
    plan = make_plan([RIGHT, TOP], [char(1, "straightness", "right", quantity="edge", zone=0.5)], spacing=S)
    measured = measure(plan, *sheet, scan(*sheet, 5, bow=bow))
    result, border = measured.results[0], measured.found["right"].border
    # of a parabola over a chord of length c: bow (c / 50)^2; a cell's own scatter comes on top
    chord = float(np.ptp(border.along))
    assert 40 < chord < 51
    scatter = float(result.details["scatter of a cell, form included"])
    height = bow * (chord / 50.0) ** 2
    if bow:
        assert result.value == pytest.approx(height, abs=S / 3)
    else:
        # nothing but the cells' own scatter: the range of so many normal values (factor d2 of control charts)
        assert scatter < S / 6
        assert result.value == pytest.approx(noise_zone(scatter, len(border.along)), rel=0.35)
    assert result.value > height - S / 10
    refused = measure(
        make_plan([TOP], [char(1, "straightness", "top", quantity="edge", zone=0.5)]), *sheet, scan(*sheet, 5)
    )
    assert "line that is measured from edges" in refused.results[0].reason
