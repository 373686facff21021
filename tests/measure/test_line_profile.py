"""Cross-sections and profile of a line, on sections whose deviation is known in closed form."""

import numpy as np
import pytest

from runner.geometry.shapes import Cylinder, Plane
from runner.measure.outline_cut import outline_of
from runner.measure.specs import DatumSpec, DatumSystemSpec, FeatureSpec, FormFilter
from runner.records import Verdict
from tests.measure.details import char
from tests.measure.tube import INNER, LENGTH, OUTER, Real, run, scan, scene, tube

ACROSS = FeatureSpec(
    "section", "cross-section", Plane((0.0, 0.0, 30.0), (0.0, 0.0, 1.0)), region="faces",
    region_points=((OUTER, 0.0, 30.0),), least_coverage=0.1,
)  # fmt: skip
WALL = FeatureSpec("wall", "cylinder", Cylinder((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), OUTER))
BORE = FeatureSpec("bore", "cylinder", Cylinder((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), INNER))
AXIS = DatumSystemSpec("axis", (DatumSpec("A", ("bore",), "least squares"),))


def ask(of, *, feature=ACROSS, systems=(AXIS,), **more):
    spec = char("profile of a line", feature.name, **({"zone": 0.2, "datum_system": "axis"} | more))
    return run(of, [feature, BORE], [spec], systems)


def test_the_nominal_outline_is_exact_and_closed():
    """Two circles of 20 and 18: length 2 pi (20 + 18), every place on its circle to a micrometre, two lines."""
    outline = outline_of(tube()[0], np.array([0.0, 0.0, 30.0]), np.array([0.0, 0.0, 1.0]))
    assert outline.length == pytest.approx(2 * np.pi * (OUTER + INNER), rel=1e-5)
    radius = np.linalg.norm(outline.frame.lifted(0.5 * (outline.start + outline.end))[:, :2], axis=1)
    assert np.minimum(np.abs(radius - OUTER), np.abs(radius - INNER)).max() < 1e-3
    assert len(np.unique(outline.chain)) == 2
    oblique = outline_of(tube()[0], np.array([0.0, 0.0, 30.0]), np.array([0.0, np.sin(0.6), np.cos(0.6)]))
    places = oblique.frame.lifted(oblique.start)
    radius = np.linalg.norm(places[:, :2], axis=1)
    assert np.minimum(np.abs(radius - OUTER), np.abs(radius - INNER)).max() < 1e-6
    missed = outline_of(tube()[0], np.array([0.0, 0.0, 99.0]), np.array([0.0, 0.0, 1.0]))
    assert "does not cut" in missed


@pytest.mark.parametrize("mesh", [True, False])
def test_a_larger_circle_is_twice_its_growth(mesh):
    """Without the bore in view there is no datum: as aligned. Growth 0.06: profile 0.12, all plus."""
    got = ask(scene(scan(Real(outer=0.06), mesh=mesh)), systems=(), datum_system=None)
    # free to move in its plane a circle that only grew needs the same
    result = got.results[0]
    assert result.value == pytest.approx(0.12, abs=2e-3)
    assert result.details["worst plus"] == pytest.approx(0.06, abs=1e-3)
    assert result.coverage == pytest.approx(1.0, abs=0.01)
    assert got.features[0].ok and got.features[0].points > 100


def test_with_datums_a_shift_counts_and_without_it_does_not():
    """The outside 0.1 off the bore's axis: 0.2 with the bore as datum, nothing without datums."""
    outside = scan(Real(shift=(0.1, 0.0)), inner=False)
    inside = scan(Real(), outer=False)
    of = scene(outside, inside)
    # 2 x the largest deviation of a shifted circle: its far point
    assert ask(of).results[0].value == pytest.approx(0.2, abs=2e-3)
    assert ask(of, systems=(), datum_system=None).results[0].value == pytest.approx(0.0, abs=2e-3)


def test_lobes_and_the_unequal_zone():
    """Amplitude 0.05 about +0.05: from 0 to 0.1; in a zone shifted out by 0.05 that is 2 x 0.05."""
    of = scene(scan(Real(outer=0.05, lobes=(5, 0.05))))
    assert ask(of).results[0].value == pytest.approx(0.2, abs=3e-3)
    assert ask(of, unequal=0.05).results[0].value == pytest.approx(0.1, abs=3e-3)


@pytest.mark.parametrize("mesh", [True, False])
def test_an_oblique_section_is_measured_in_its_plane(mesh):
    """Cut at 40 deg to the axis' cross-section the outside is an ellipse; grown radially by 0.06 it lies
    0.06 / cos 40 deg = 0.0783 out at the ends of its long axis and 0.06 at the short one (hand-worked)."""
    t = np.radians(40.0)
    oblique = FeatureSpec(
        "section", "cross-section", Plane((0.0, 0.0, 30.0), (0.0, float(np.sin(t)), float(np.cos(t)))),
        region="faces", region_points=((OUTER, 0.0, 30.0),), least_coverage=0.1,
    )  # fmt: skip
    got = ask(scene(scan(Real(outer=0.06), mesh=mesh)), feature=oblique, systems=(), datum_system=None)
    # in the plane free to move: a grown ellipse is still held best about its own centre
    result = got.results[0]
    assert result.details["worst plus"] == pytest.approx(0.06 / np.cos(t), abs=2e-3)
    # the cut of a mesh lies on its chords: they sag by up to d^2 / (8 R), d being 1.5 mm in a jittered grid of 0.9
    sag = 1.5**2 / (8 * OUTER) / np.cos(t) if mesh else 0.0
    assert 0.06 + 2e-3 > result.details["worst minus"] > 0.06 - 2e-3 - sag


def test_sections_of_a_tapering_wall_each_stand_for_themselves():
    """Radius grows by 0.002 per mm from the middle: sections at 0.1 to 0.9 of 60 mm; the last 0.002 x 20."""
    of = scene(scan(Real(taper=0.002)))
    spec = {"feature": WALL, "direction": (0.0, 0.0, 1.0), "step": 10.0, "zone": 0.07}
    result = ask(of, **spec).results[0]
    assert len(result.parts) == 6
    heights = np.array([float(p.name.split(" at ")[1].split()[0]) for p in result.parts])
    assert heights == pytest.approx([5, 15, 25, 35, 45, 55])
    expected = 2 * 0.002 * np.abs(heights - 30)
    assert [p.value for p in result.parts] == pytest.approx(expected, abs=5e-3)
    verdicts = [p.verdict for p in result.parts]
    bad, good = Verdict.DOES_NOT_CONFORM, Verdict.CONFORMS
    assert verdicts == [bad, good, good, good, good, bad]
    assert "direction" in ask(of, feature=WALL).results[0].reason
    assert "at most" in ask(of, feature=WALL, direction=(0.0, 0.0, 1.0), step=0.1).results[0].reason


def test_sections_along_the_axis_feel_the_taper():
    """Planes along the axis cut two lines; taper 0.002 over +-30 mm: 2 x 0.06 at the ends."""
    lengthwise = FeatureSpec(
        "section", "cross-section", Plane((0.0, 0.0, 30.0), (0.0, 1.0, 0.0)), region="faces",
        region_points=((OUTER, 0.0, 30.0),), least_coverage=0.1,
    )  # fmt: skip
    result = ask(scene(scan(Real(taper=0.002))), feature=lengthwise).results[0]
    assert result.value == pytest.approx(0.12, abs=4e-3)


def test_noise_is_judged_behind_the_filter():
    """White noise of 0.02: the plain zone spans it, one behind a Gaussian filter of 8 mm does not."""
    of = scene(scan(Real(lobes=(2, 0.05), noise=0.02)))
    plain = ask(of, zone=0.3).results[0].value
    filtered = ask(of, zone=0.3, judge=FormFilter("gaussian", 8.0)).results[0].value
    central = ask(of, zone=0.3, judge=FormFilter("central 95 %")).results[0].value
    assert plain > 0.16
    # two lobes over 126 mm pass a cut-off of 8 mm: exp(-pi (0.4697 x 8 / 62.8)^2) = 0.989
    assert filtered == pytest.approx(0.1, abs=0.025)
    assert filtered < central < plain


def test_gaussian_filter_halves_a_wave_of_its_cut_off():
    """ISO 16610-21: transmission 50 % at the cut-off. 12 waves on 125.66 mm are 10.47 mm long."""
    of = scene(scan(Real(lobes=(12, 0.08)), step=0.35))
    wave = 2 * np.pi * OUTER / 12
    result = ask(of, judge=FormFilter("gaussian", wave)).results[0]
    assert result.value == pytest.approx(0.08, abs=4e-3)


def test_a_local_bump_is_seen_and_an_unseen_part_is_told():
    of = scene(scan(Real(bump=0.3)))
    assert ask(of).results[0].value == pytest.approx(0.6, abs=5e-3)
    part = scene(scan(Real(), arc=(0.0, 3.0), inner=False), scan(Real(), outer=False))
    result = ask(part, largest_gap=10.0).results[0]
    assert result.verdict is Verdict.UNDECIDED and "not seen" in result.reason
    assert result.coverage == pytest.approx(3.0 / (2 * np.pi), abs=0.03)
    strict = FeatureSpec(**{**ACROSS.__dict__, "least_coverage": 0.9})
    assert "only" in ask(part, feature=strict).results[0].reason
    nothing = ask(scene(scan(Real(), outer=False))).results[0]
    assert nothing.verdict is Verdict.NOT_MEASURED and "not seen" in nothing.reason


def test_a_cloud_without_normals():
    of = scene(scan(Real(outer=0.06), normals=False))
    assert ask(of).results[0].value == pytest.approx(0.12, abs=3e-3)


def test_plane_beside_the_part():
    beside = FeatureSpec("section", "cross-section", Plane((0.0, 0.0, LENGTH + 9), (0.0, 0.0, 1.0)))
    got = ask(scene(scan(Real())), feature=beside)
    assert "does not cut" in got.results[0].reason and "does not cut" in got.features[0].reason


def test_found_before_production():
    from runner.measure.check import locate
    from runner.measure.patch import NoPatch

    assert locate(ACROSS, tube()[0], 0.9) is None
    beside = FeatureSpec("section", "cross-section", Plane((0.0, 0.0, LENGTH + 9), (0.0, 0.0, 1.0)))
    assert isinstance(locate(beside, tube()[0], 0.9), NoPatch)
