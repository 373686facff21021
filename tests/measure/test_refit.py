"""Best fits of named regions and reference points, against movements that the test itself made."""

from dataclasses import replace

import numpy as np
import pytest

from runner.geometry.frames import invert, move_points, rigid, rotation_from_vector, turn_vectors
from runner.measure.refit import refit
from runner.measure.specs import FitRegion, ReferencePoint, RefitSpec

CENTRE = np.array([60.0, 40.0, 10.0])
SIX = (
    ReferencePoint("R1", (15.0, 15.0, 20.0), ((0.0, 0.0, 1.0),)),
    ReferencePoint("R2", (105.0, 15.0, 20.0), ((0.0, 0.0, 1.0),)),
    ReferencePoint("R3", (105.0, 65.0, 20.0), ((0.0, 0.0, 1.0),)),
    ReferencePoint("R4", (20.0, 0.0, 10.0), ((0.0, 1.0, 0.0),)),
    ReferencePoint("R5", (100.0, 0.0, 10.0), ((0.0, 1.0, 0.0),)),
    ReferencePoint("R6", (0.0, 40.0, 10.0), ((1.0, 0.0, 0.0),)),
)


def away(seed, turn=0.002, shift=0.15):
    rng = np.random.default_rng(seed)
    rotation = rotation_from_vector(rng.normal(size=3) * turn)
    return rigid(rotation, CENTRE - rotation @ CENTRE + rng.normal(size=3) * shift)


@pytest.fixture()
def run(plate, plate_index, plate_specs, make_plan, make_scene, plate_sample, plate_part):
    """Refit a scan of the plate that was moved away from its place."""

    def go(spec, movement, part=None, seed=0, keep=None, step=1.2):
        points, normals = plate_sample(part or plate_part(), seed=seed, step=step)
        if keep is not None:
            chosen = keep(points)
            points, normals = points[chosen], normals[chosen]
        scene = make_scene(move_points(movement, points), turn_vectors(movement, normals))
        return refit(spec, make_plan(plate_specs.values()), plate, plate_index, scene)

    return go


@pytest.mark.parametrize("objective", ["least squares", "minimax"])
@pytest.mark.parametrize("regions", [(), ("top", "left", "front", "bore a")], ids=["all", "some"])
def test_a_moved_perfect_part_is_brought_back(run, objective, regions):
    spec = RefitSpec("best fit", (FitRegion(regions),), objective)
    moved = away(1)
    got = run(spec, moved)
    assert got.reason == ""
    assert got.fit_from_start == pytest.approx(invert(moved), abs=2e-6)


def test_held_degrees_stay_exactly(run):
    moved = away(2)
    got = run(RefitSpec("best fit", held=("z", "rx", "ry")), moved)
    assert got.reason == ""
    assert got.fit_from_start[2] == pytest.approx([0, 0, 1, 0], abs=1e-12)


def test_a_dense_side_does_not_outweigh_a_sparse_one(run):
    # a top that slopes by 1 mrad over x, fitted in z alone: its mean height counts, which lies at its middle. By points
    # and not by area, a half with a tenth of the points would pull the mean to x = 35 mm: 0.025 mm off.
    rng = np.random.default_rng(0)

    def keep(points):
        top = np.abs(points[:, 2] - 20.0) < 1e-6
        return top & ((points[:, 0] < 60.0) | (rng.uniform(size=len(points)) < 0.1))

    spec = RefitSpec("best fit", (FitRegion(("top",)),), held=("x", "y", "rx", "ry", "rz"))
    tilt = rotation_from_vector(np.array([0.0, 1e-3, 0.0]))
    got = run(spec, rigid(tilt, CENTRE - tilt @ CENTRE), keep=keep)
    assert got.reason == ""
    # the pin and the holes take surface away a little more on one side
    assert got.fit_from_start[2, 3] == pytest.approx(0.0, abs=0.0025)


def test_least_squares_takes_the_mean_and_minimax_the_middle(run, plate_part):
    # a parabolic bow h 4 s (1 - s) has its mean at 2 h / 3 and its middle at h / 2
    held = ("x", "y", "rx", "ry", "rz")
    part = plate_part(top_bow=0.06)
    squares = run(RefitSpec("best fit", (FitRegion(("top",)),), held=held), np.eye(4), part)
    middle = run(RefitSpec("best fit", (FitRegion(("top",)),), "minimax", held), np.eye(4), part)
    assert squares.fit_from_start[2, 3] == pytest.approx(-0.04, abs=1e-3)
    # the outermost points lie up to 0.6 mm within the ends: the bow is up to 1.2 um there
    assert middle.fit_from_start[2, 3] == pytest.approx(-0.03, abs=7e-4)


def test_the_weight_of_a_region_counts(run, plate_part):
    # top 0.1 mm high, bottom in place: areas alike, so z takes 0.1 w / (w + 1)
    held = ("x", "y", "rx", "ry", "rz")
    part = plate_part(top_shift=0.1)
    for weight, share in ((1.0, 0.5), (3.0, 0.75)):
        spec = RefitSpec("best fit", (FitRegion(("top",), weight), FitRegion(("bottom",))), held=held)
        assert run(spec, np.eye(4), part).fit_from_start[2, 3] == pytest.approx(-0.1 * share, abs=2e-3)


def test_a_fit_that_is_not_held_says_in_what(run):
    got = run(RefitSpec("best fit", (FitRegion(("top",)),)), np.eye(4))
    assert got.fit_from_start is None
    assert got.reason == "what is fitted to doesn't hold the part in x, y, rz"


def test_six_reference_points_bring_a_part_back(run):
    for seed in range(3):
        moved = away(seed)
        got = run(RefitSpec("reference points", points=SIX), moved, seed=seed)
        assert got.reason == ""
        # planes are planes: what is found is exact wherever the points lie
        assert got.fit_from_start == pytest.approx(invert(moved), abs=1e-8)
        assert all(abs(v) < 1e-8 for k, v in got.evidence.items() if k.startswith("residual"))


def test_the_result_does_not_depend_on_the_start(run, plate_part):
    # on a bowed top the places matter: they are looked for again until they stand
    part = plate_part(top_bow=0.3, noise=0.005)
    ends = []
    for seed in (5, 6):
        moved = away(seed)
        ends.append(run(RefitSpec("reference points", points=SIX), moved, part).fit_from_start @ moved)
    assert ends[0] == pytest.approx(ends[1], abs=1e-7)


def test_a_centre_fixes_two_directions(run, plate_part):
    points = (*SIX[:3], ReferencePoint("R4", (30.0, 40.0, 10.0), ((1.0, 0, 0), (0, 1.0, 0)), feature="bore a"),
              ReferencePoint("R5", (90.0, 40.0, 10.0), ((0, 1.0, 0),), feature="bore b"))  # fmt: skip
    part = plate_part(bore_shift={"bore a": (0.05, -0.02), "bore b": (0.05, 0.10)})
    got = run(RefitSpec("reference points", points=points), np.eye(4), part)
    assert got.reason == ""
    # bore b lies 0.12 higher in y than bore a over 60 mm: that turn is taken out, and bore a is put in place
    turn = np.arctan2(-0.12, 60.0)
    assert got.fit_from_start[1, 0] == pytest.approx(np.sin(turn), abs=1e-6)
    at = got.fit_from_start @ np.array([30.05, 39.98, 10.0, 1.0])
    assert at[:2] == pytest.approx([30.0, 40.0], abs=1e-6)


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (SIX[:5], "don't fix x"),
        (SIX[:3], "don't fix x, y, rz"),
        ((), "no reference points"),
        ((*SIX[:5], replace(SIX[5], fixes=((0.0, 0.0, 1.0),))), "its surface faces 90 deg away"),
        ((*SIX[:5], replace(SIX[5], feature="nowhere")), 'there is no feature "nowhere"'),
        ((*SIX[:5], replace(SIX[5], at=(0.0, 200.0, 10.0))), "only 0 points"),
    ],
    ids=["five", "three", "none", "wrong way", "no feature", "beside the part"],
)
def test_why_reference_points_fail(run, points, words):
    got = run(RefitSpec("reference points", points=tuple(points)), np.eye(4))
    assert got.fit_from_start is None
    assert words in got.reason
