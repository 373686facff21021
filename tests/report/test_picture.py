"""Deviation pictures: rendering, colours, views, marks."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from runner.geometry.mesh import TriangleMesh
from runner.report import picture
from runner.report.colours import FIRST_STEP, HIGH, LOW, NEUTRAL, Scale, make_scale, round_up, srgb
from runner.report.legend import tick_step
from runner.report.marks import Mark, spread, visible
from runner.report.picture import caption_of, deviation_picture, labels_of, write_picture, zone_limits
from runner.report.render import View, paint, rasterize
from runner.report.views import arrange, choose_sides, facing_areas
from tests.report.samples import make_inspection, profile_result
from tests.report.shapes import angle_nominal, bumped, places_on

FRONT = np.array([[1.0, 0, 0], [0, -1.0, 0], [0, 0, -1.0]])  # seen from +Z: right x, down -y, away -z


# rendering


def test_depth_and_triangle_against_ray_casting_by_hand():
    """Independent check: Moeller-Trumbore style solve of each pixel's ray with every triangle, in plain NumPy."""
    rng = np.random.default_rng(5)
    mesh = TriangleMesh(rng.uniform(-10, 10, (60, 3)), rng.integers(0, 60, (40, 3)).astype(np.int32))
    view = View(FRONT, 3.0, (31.0, 29.0), (64, 60))
    raster = rasterize(mesh, view)
    projected = view.project(mesh.vertices)
    best = np.full((60, 64), np.inf)
    margin = np.full((60, 64), np.inf)
    x, y = np.meshgrid(np.arange(64) + 0.5, np.arange(60) + 0.5)
    for triangle in mesh.triangles:
        a, b, c = projected[triangle]
        system = np.array([[b[0] - a[0], c[0] - a[0]], [b[1] - a[1], c[1] - a[1]]])
        if abs(np.linalg.det(system)) < 1e-9:
            continue
        u, v = np.einsum("ij,jkl->ikl", np.linalg.inv(system), np.array([x - a[0], y - a[1]]))
        least = np.minimum(np.minimum(u, v), 1 - u - v)
        margin = np.minimum(margin, np.abs(least))
        depth = a[2] + u * (b[2] - a[2]) + v * (c[2] - a[2])
        best = np.where((least >= 0) & (depth < best), depth, best)
    sure = margin > 1e-5  # pixel centres on an edge may go either way
    assert sure.mean() > 0.99
    assert np.array_equal(np.isinf(raster.depth)[sure], np.isinf(best)[sure])
    filled = sure & np.isfinite(best)
    assert filled.sum() > 500
    assert np.abs(raster.depth[filled] - best[filled]).max() < 1e-9


def test_neighbouring_slivers_leave_no_gaps():
    """A fan of 500 slivers fills its square completely."""
    angles = np.linspace(0, np.pi / 2, 501)
    ring = np.column_stack([100 * np.cos(angles), 100 * np.sin(angles), np.zeros(501)])
    vertices = np.vstack([[0.0, 0, 0], ring])
    triangles = np.column_stack([np.zeros(500), np.arange(1, 501), np.arange(2, 502)]).astype(np.int32)
    raster = rasterize(TriangleMesh(vertices, triangles), View(FRONT, 1.0, (0.0, 100.0), (100, 100)))
    x, y = np.meshgrid(np.arange(100) + 0.5, 100 - (np.arange(100) + 0.5))
    assert np.all(raster.triangle[np.hypot(x, y) < 99.5] >= 0)


def test_project_and_unproject_are_inverse():
    side = choose_sides(angle_nominal())[2]
    view = View(side.view_from_model, 7.0, (3.0, 4.0), (10, 10))
    points = np.random.default_rng(1).normal(size=(20, 3))
    assert np.abs(view.unproject(view.project(points)) - points).max() < 1e-12


def test_deviations_reach_the_pixels_of_their_own_side_only():
    """The foot is 5 mm thick: what is on top must not shine through to the bottom, and the other way round."""
    nominal = angle_nominal()
    places = bumped(nominal)
    normals = picture.triangle_normals(nominal)
    for name, points_up, middle, value in (("top", True, (35.0, 20.0), 0.4), ("bottom", False, (15.0, 12.0), -0.3)):
        turn = FRONT if points_up else np.array([[-1.0, 0, 0], [0, -1.0, 0], [0, 0, 1.0]])
        view = View(turn, 5.0, (10.0 if points_up else 310.0, 210.0), (320, 220))
        raster = rasterize(nominal.mesh, view)
        shown = paint(raster, view, normals, places.points, places.normals, places.deviation, places.spacing)
        rows, columns = np.nonzero(np.abs(shown.deviation) > 0.15)
        pixels = np.column_stack([columns + 0.5, rows + 0.5, raster.depth[rows, columns]])
        found = view.unproject(pixels)
        assert np.linalg.norm(found[:, :2].mean(axis=0) - middle) < 0.5, name
        assert np.sign(shown.deviation[rows, columns]).mean() == np.sign(value)
        area = len(rows) / 25.0
        radius = 6.0 if points_up else 5.0
        assert area == pytest.approx(np.pi * radius**2, rel=0.12), name


def test_unseen_surface_is_unseen():
    nominal = angle_nominal()
    places = bumped(nominal)
    view = View(np.array([[-1.0, 0, 0], [0, -1.0, 0], [0, 0, 1.0]]), 5.0, (310.0, 210.0), (320, 220))
    raster = rasterize(nominal.mesh, view)
    normals = picture.triangle_normals(nominal)
    shown = paint(raster, view, normals, places.points, places.normals, places.deviation, places.spacing)
    assert shown.unseen.sum() / 25.0 == pytest.approx(np.pi * 4.5**2, rel=0.12)
    assert np.array_equal(shown.unseen, (raster.triangle >= 0) & np.isnan(shown.deviation))
    nothing = paint(raster, view, normals, places.points[:0], places.normals[:0], places.deviation[:0], 1.0)
    assert np.array_equal(nothing.unseen, raster.triangle >= 0)


# colours


def oklab_of(rgb):
    """Forward way of the published colour space, written out here on its own (B. Ottosson, 2020)."""
    rgb = np.asarray(rgb, dtype=float)
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    lms = np.cbrt(
        linear
        @ np.array(
            [
                [0.4122214708, 0.5363325363, 0.0514459929],
                [0.2119034982, 0.6806995451, 0.1073969566],
                [0.0883024619, 0.2817188376, 0.6299787005],
            ]
        ).T
    )
    return (
        lms
        @ np.array(
            [
                [0.2104542553, 0.7936177850, -0.0040720468],
                [1.9779984951, -2.4285922050, 0.4505937099],
                [0.0259040371, 0.7827717662, -0.8086757660],
            ]
        ).T
    )


def test_white_black_and_round_trip():
    assert srgb(np.array([1.0, 0.0, 0.0])) == pytest.approx([1, 1, 1], abs=1e-3)
    assert srgb(np.array([0.0, 0.0, 0.0])) == pytest.approx([0, 0, 0], abs=1e-6)
    for colour in (NEUTRAL, HIGH, LOW):
        assert oklab_of(srgb(np.array(colour))) == pytest.approx(colour, abs=2e-3), "inside the gamut of sRGB"


def test_equal_steps_of_deviation_are_equal_steps_of_colour():
    scale = Scale(-0.2, 0.2, -1.0, 1.0)
    for sign in (1, -1):
        values = sign * np.linspace(0.2001, 1.0, 41)
        colours = oklab_of(np.round(srgb(scale.colour(values)) * 255) / 255)
        steps = np.linalg.norm(np.diff(colours, axis=0), axis=1)
        assert steps.max() / steps.min() < 1.6, "even after rounding to 8 bits"
        assert np.all(np.diff(colours[:, 0]) < 0), "lightness falls all the way, so it prints in grey"


def test_the_tolerance_band_is_neutral_and_ends_with_a_step():
    scale = Scale(-0.2, 0.3, -1.0, 1.0)
    band = scale.colour(np.linspace(-0.2, 0.3, 50))
    assert np.ptp(band, axis=0).max() == 0.0 and tuple(band[0]) == pytest.approx(NEUTRAL)
    just_over = np.linalg.norm(scale.colour(np.array([0.3 + 1e-9]))[0] - band[0])
    assert just_over == pytest.approx(FIRST_STEP * np.linalg.norm(np.array(HIGH) - NEUTRAL), rel=1e-6)
    beyond = scale.colour(np.array([5.0, -5.0]))
    assert tuple(beyond[0]) == pytest.approx(HIGH) and tuple(beyond[1]) == pytest.approx(LOW)


def test_without_limits_the_scale_starts_at_zero():
    colours = Scale(None, None, -1.0, 1.0).colour(np.array([0.0, 0.5]))
    assert tuple(colours[0]) == pytest.approx(NEUTRAL) and colours[1, 1] == pytest.approx(HIGH[1] / 2)


@pytest.mark.parametrize(
    ("worst", "limit", "end"), [(0.1, 0.25, 0.5), (0.9, 0.25, 1.0), (0.0, None, 0.001), (0.07, None, 0.08)]
)
def test_scale_ends_are_round_and_symmetric(worst, limit, end):
    scale = make_scale(np.array([worst, -worst / 2, np.nan]), None if limit is None else -limit, limit)
    assert (scale.low_end, scale.high_end) == (-end, end)


def test_a_few_stray_places_do_not_flatten_the_scale():
    deviation = np.concatenate([np.full(20_000, 0.1), [9.0]])
    assert make_scale(deviation, -0.25, 0.25).high_end == 0.5


@pytest.mark.parametrize(("value", "up"), [(0.011, 0.015), (1.0, 1.0), (8.1, 10.0), (0.3, 0.3), (2.6, 3.0)])
def test_round_up(value, up):
    assert round_up(value) == up


@pytest.mark.parametrize("end", [0.001, 0.0015, 0.2, 0.3, 0.5, 0.8, 1.0, 2.5, 6.0, 40.0])
def test_ticks_are_few_and_round(end):
    assert 2 <= end / tick_step(end) <= 5.01


# views


def test_the_side_with_most_surface_comes_first_then_its_opposite():
    sides = choose_sides(angle_nominal())
    assert [s.name for s in sides] == ["seen from +Z", "seen from -Z", "seen from +X+Y+Z"]
    for side in sides:
        assert np.abs(side.view_from_model @ side.view_from_model.T - np.eye(3)).max() < 1e-12
        assert np.linalg.det(side.view_from_model) == pytest.approx(1.0), "not mirrored"


def test_facing_areas_of_a_closed_part_are_equal_both_ways():
    areas = facing_areas(angle_nominal().mesh)
    assert areas[:, 0] == pytest.approx(areas[:, 1])
    assert areas[2, 0] == pytest.approx(60 * 40) and areas[0, 0] == pytest.approx(30 * 40)


@pytest.mark.parametrize("stretch", [(1, 1, 1), (20, 1, 1), (1, 30, 1), (1, 1, 40), (0.01, 1, 1)])
def test_views_stay_apart_and_inside_whatever_the_shape(stretch):
    nominal = angle_nominal()
    mesh = TriangleMesh(nominal.mesh.vertices * np.array(stretch), nominal.mesh.triangles)
    stretched = replace(nominal, mesh=mesh)
    placed, height = arrange(choose_sides(stretched), mesh, (100, 140, 1600, 1000), (80, 64, 108))
    assert 0 < height <= 1001
    boxes = [(p.corner[0], p.corner[1], p.corner[0] + p.view.size[0], p.corner[1] + p.view.size[1]) for p in placed]
    assert len({round(p.view.scale, 9) for p in placed}) == 1, "one scale bar holds for all"
    for left, top, right, bottom in boxes:
        assert left >= 96 and right <= 1708 and top >= 140 and bottom <= 140 + height + 8
    for i in range(3):
        for j in range(i):
            a, b = boxes[i], boxes[j]
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


# marks


def test_balloons_keep_their_distance_and_order():
    places = spread([10.0, 11.0, 12.0, 100.0], [40.0, 40.0, 40.0, 40.0])
    assert np.all(np.diff(places) >= 40.0 - 1e-6) and places[3] == 100.0


def test_marks_behind_the_part_are_hidden():
    nominal = angle_nominal()
    placed, _ = arrange(choose_sides(nominal), nominal.mesh, (0, 0, 900, 900), (10, 10, 10))
    top = placed[0]
    depth = rasterize(nominal.mesh, top.view).depth
    seen = visible(top, depth, np.array([[35.0, 20.0, 5.0], [35.0, 20.0, 0.0], [2.0, 20.0, 30.0]]))
    assert seen.tolist() == [True, False, True]


def test_zone_limits():
    assert zone_limits(profile_result(0.1, -0.1)) == (-0.5, 0.5)
    assert zone_limits(replace(profile_result(0.1, -0.1), unit="in", upper=0.04)) == pytest.approx((-0.508, 0.508))
    assert zone_limits(replace(profile_result(0.1, -0.1), details={"unequal": 0.2})) == pytest.approx((-0.3, 0.7))


def test_an_unequal_zone_that_is_not_told_has_no_band():
    """Half a zone to each side would be a wrong band."""
    details = {"definition": "2 x largest deviation from the zone's middle"}
    assert zone_limits(replace(profile_result(0.1, -0.1), details=details)) == (None, None)


def test_the_caption_tells_the_points_that_were_judged():
    inspection = make_inspection("1", plus=0.622, minus=-0.31)
    lines = caption_of(inspection, picture.profile_of(inspection)).lines
    assert lines[0].startswith("4  Profile of skin to A|B|C, equal zone: 1.0 | A | B | C, does not conform, 1.24 mm")
    assert lines[0].endswith("single points from -0.310 to +0.622 mm")
    assert "main (A|B|C)" in lines[1]


def test_labels_stand_at_the_features_of_their_characteristics():
    labels = {mark.text: tuple(mark.at) for mark in labels_of(make_inspection("1"))}
    assert labels == {"1": (30.0, 20.0, 0.0), "1.10, 6": (0.0, 0.0, 0.01)}


def open_png(content):
    return np.asarray(Image.open(io.BytesIO(content)).convert("RGB")).astype(int)


def test_the_whole_picture_shows_what_is_there(tmp_path):
    nominal = angle_nominal()
    inspection = make_inspection("0105", plus=0.62)
    pixels = open_png(
        deviation_picture(nominal, bumped(nominal), caption_of(inspection, None), lower=-0.25, upper=0.25)
    )
    assert pixels.shape[1] == 1800 and 600 < pixels.shape[0] <= 1310
    views = pixels[150 : pixels.shape[0] - 160]
    red = (views[..., 0] - views[..., 2] > 60).sum()
    blue = (views[..., 2] - views[..., 0] > 50).sum()
    assert red > 2000 and blue > 1000
    clean = places_on(nominal)
    clean = replace(clean, deviation=np.zeros(len(clean.points)))
    views = open_png(deviation_picture(nominal, clean, caption_of(inspection, None), lower=-0.25, upper=0.25))[150:-160]
    coloured = np.abs(views[..., 0] - views[..., 2]) > 30
    assert not coloured.any(), "a part inside its tolerance has no colour at all"


def test_the_same_input_gives_the_same_bytes():
    nominal = angle_nominal()
    caption = caption_of(make_inspection("1"), None)
    first = deviation_picture(nominal, bumped(nominal), caption, lower=-0.25, upper=0.25)
    assert first == deviation_picture(nominal, bumped(nominal), caption, lower=-0.25, upper=0.25)


@pytest.mark.parametrize("serial", ["x" * 500, "=中文\x1b\udcff<b>", ""])
def test_any_serial_can_be_written_on_a_picture(tmp_path, serial):
    nominal = angle_nominal()
    written = write_picture(tmp_path / "a.png", nominal, bumped(nominal), make_inspection(serial))
    assert written.complete and open_png(written.path.read_bytes()).shape[1] == 1800


def test_a_part_that_was_not_seen_at_all_still_has_a_picture(tmp_path):
    nominal = angle_nominal()
    content = deviation_picture(
        nominal, places_on(nominal), picture.Caption("t", "hold"), labels=[Mark("1", np.zeros(3))]
    )
    assert open_png(content).shape[1] == 1800
