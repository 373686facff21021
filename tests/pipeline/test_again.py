"""Where to scan again: the surface of what could not be measured, and no other."""

import io
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
from PIL import Image

from runner.geometry.shapes import Circle, Plane, Point
from runner.measure.devmap import DeviationMap
from runner.measure.specs import FeatureSpec
from runner.pipeline.again import draw_again, places_of, regions_of
from runner.records import Verdict
from runner.report.again_picture import AMBER, Region, again_picture, to_scan_again
from tests.report.samples import gauge_result, make_inspection, size_result
from tests.report.shapes import angle_nominal, places_on

NOMINAL = angle_nominal()  # foot 60 x 40 x 5 on z = 0, wall 5 x 40 x 30 on x = 0


PLACES = places_on(NOMINAL, 1.0)
# each place's side: the nearest of the eight planes
FACES = np.abs(np.einsum("kfi,fi->kf", PLACES.points[:, None] - NOMINAL.faces.origin, NOMINAL.faces.axis)).argmin(
    axis=1
)


def seen(unseen):
    """A map of the angle with the places unseen for which the function of the points says so."""
    deviation = np.where(unseen(PLACES.points), np.nan, 0.0).astype(np.float32)
    return DeviationMap(PLACES.points, PLACES.normals, deviation, FACES.astype(np.int32), PLACES.spacing)


def spec(name, shape, **more):
    return FeatureSpec(name, "circle" if isinstance(shape, Circle) else "plane", shape, **more)


def open_result(number, *features):
    return replace(size_result(None), id=number, features=features, verdict=Verdict.NOT_MEASURED)


HOLE = spec("hole", Circle((40.0, 20.0, 5.0), (0, 0, 1), 6.0), source="edges", search=1.0)
BASE = spec("base", Plane((30.0, 20.0, 0.0), (0, 0, -1)))


def test_an_edge_feature_needs_the_surface_around_it():
    places = seen(lambda p: p[:, 0] < -1)
    mask = places_of(HOLE, NOMINAL, places)
    away = np.linalg.norm(places.points - [40.0, 20.0, 5.0], axis=1)
    assert mask.any() and np.array_equal(mask, away <= 6.0 + 1.0 + 3.0)


def test_a_face_needs_itself():
    places = seen(lambda p: p[:, 0] < -1)
    mask = places_of(BASE, NOMINAL, places)
    on_base = np.abs(places.points[:, 2]) < 1e-9
    assert mask[on_base & (places.points[:, 0] > 0.5)].mean() > 0.98 and not mask[~on_base].any()


def test_unseen_places_of_the_feature_are_wanted_else_all_of_it():
    places = seen(lambda p: p[:, 0] > 40.0)
    region = Region("3", np.zeros(3), places_of(HOLE, NOMINAL, places))
    again = to_scan_again([region], places.deviation)
    assert again.any() and (places.points[again][:, 0] > 40.0).all(), "the seen half is not asked for"
    whole = seen(lambda p: p[:, 0] < -1)
    assert np.array_equal(to_scan_again([region], whole.deviation), region.places)
    assert np.array_equal(to_scan_again([], places.deviation), np.isnan(places.deviation))


def test_only_what_failed_of_a_result_and_all_results_of_a_feature():
    places = seen(lambda p: p[:, 0] > 40.0)
    results = [open_result("6", "hole", "base"), open_result("3", "hole")]
    assert [(r.text) for r in regions_of(results, [HOLE, BASE], NOMINAL, places, {"hole"})] == ["6, 3"]
    assert [(r.text) for r in regions_of(results, [HOLE, BASE], NOMINAL, places)] == ["6, 3", "6"]
    assert regions_of([open_result("9", "unknown")], [HOLE], NOMINAL, places) == []


def test_a_constructed_feature_leads_to_what_it_is_made_of_and_a_loop_ends():
    middle = spec("middle", Point((0.0, 0.0, 0.0)), source="constructed", parents=("hole", "ring"))
    ring = spec("ring", Point((0.0, 0.0, 0.0)), source="constructed", parents=("middle",))
    places = seen(lambda p: p[:, 0] > 40.0)
    assert [r.text for r in regions_of([open_result("7", "middle")], [HOLE, middle, ring], NOMINAL, places)] == ["7"]


def test_the_number_points_at_what_was_not_seen():
    places = seen(lambda p: p[:, 0] > 40.0)
    (region,) = regions_of([open_result("3", "hole")], [HOLE], NOMINAL, places)
    assert region.at[0] > 40.0 and np.linalg.norm(region.at - [40.0, 20.0, 5.0]) < 10.0


def test_the_picture_is_amber_there_and_grey_elsewhere():
    """As much of it as was asked for, and none on what was seen."""

    def amber(unseen):
        places = seen(unseen)
        data = again_picture(NOMINAL, places, [], "PB-220 0047: scan again")
        pixels = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"), dtype=int)[76:-64]
        return int(((pixels[..., 0] - pixels[..., 2]) > 80).sum())

    few = amber(lambda p: (p[:, 0] > 45.0) & (p[:, 2] < 0.1))
    more = amber(lambda p: (p[:, 0] > 20.0) & (p[:, 2] < 0.1))
    assert 500 < few < more and AMBER[0] - AMBER[2] > 80
    assert 1.8 < more / few < 4.0, "area 15 x 40 against 40 x 40: 2.7"


def test_nothing_is_drawn_where_no_scan_would_help(monkeypatch):
    """Undecided near a limit, or a plug gauge that nobody entered: no place is named."""
    drawn = []
    monkeypatch.setattr("runner.pipeline.again.again_picture", lambda *given: drawn.append(given) or b"")
    plan = SimpleNamespace(measure=SimpleNamespace(features=(HOLE, BASE)), nominal=NOMINAL)
    places = seen(lambda p: p[:, 0] > 40.0)

    def draw(*results):
        return draw_again(plan, replace(make_inspection("1"), results=results, features=()), places)

    undecided = replace(open_result("3", "hole"), verdict=Verdict.UNDECIDED)
    assert draw(undecided, gauge_result()) is None and not drawn
    assert draw(undecided, gauge_result(), open_result("9", "hole")) == b"" and drawn[0][2][0].text == "9"
