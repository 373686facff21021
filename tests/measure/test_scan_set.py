"""Several scans of one part in one scene: their overlap compared, and a dense one that must not outweigh a sparse one.

Truth: the plate's parameters and the displacement that a scan is given here.
"""

import numpy as np
import pytest

from runner.geometry.fits import fit_plane
from runner.geometry.frames import move_points, rigid, rotation_from_vector, turn_vectors
from runner.geometry.mesh import CLUTTER
from runner.geometry.shapes import Plane
from runner.measure.density import share_of_surface
from runner.measure.outcome import hold_for_overlaps, undecided
from runner.measure.overlap import compare_scans
from runner.measure.scene import AlignedScan, build_scene
from runner.records import PartResult, ScanFile, Verdict
from tests.report.samples import make_inspection

NOISE = 0.01
FILES = [ScanFile(f"P-1_{name}.ply", name[0] * 64, 1, 1, 0, "mm") for name in ("top", "under", "detail")]


def looking(points, normals, axis):
    """What a scanner above sees: surfaces that don't face away by more than their edge."""
    seen = normals @ np.array(axis) > -0.2
    return points[seen], normals[seen]


@pytest.fixture(scope="module")
def sides():
    """Points of the good plate as seen from above and, with other noise, from below; both see the side walls."""
    from tests.measure.conftest import Part, sample_plate

    above = looking(*sample_plate(Part(noise=NOISE), step=0.9, seed=1), (0, 0, 1))
    below = looking(*sample_plate(Part(noise=NOISE), step=0.9, seed=2), (0, 0, -1))
    return above, below


def scene_of(plate, plate_index, *scans, covariance=None):
    made = [AlignedScan(p, n, normals_signed=True, covariance=covariance) for p, n in scans]
    return build_scene(made, plate, plate_index, 5.0)


def moved(scan, shift=(0.0, 0.0, 0.0), turn=(0.0, 0.0, 0.0)):
    matrix = rigid(rotation_from_vector(np.array(turn, dtype=float)), np.array(shift, dtype=float))
    return move_points(matrix, scan[0]), turn_vectors(matrix, scan[1])


def test_good_scans_agree_and_the_area_is_that_of_the_walls(plate, plate_index, sides):
    (found,) = compare_scans(scene_of(plate, plate_index, *sides), plate, FILES[:2], NOISE, None)
    assert (found.first, found.second) == ("P-1_top.ply", "P-1_under.ply")
    assert found.agrees and hold_for_overlaps([found]) is None
    assert abs(found.mean) < 0.001 and found.rms < NOISE and abs(found.region) < 0.006
    # four walls, the bores', the pin's and the slot's; less what lies in cells along edges
    walls = 20 * 2 * (120 + 80) + 20 * 2 * np.pi * (6 + 10) + 12 * 2 * np.pi * 5 + 20 * (2 * 16 + 8 * np.pi)
    assert 0.4 * walls < found.area < walls
    assert found.limit == pytest.approx(3 * NOISE)


@pytest.mark.parametrize(
    ("shift", "turn"),
    [((0.08, 0, 0), (0, 0, 0)), ((0, -0.08, 0), (0, 0, 0)), ((0, 0, 0), (0, 0, 0.002))],
)
def test_a_scan_that_is_displaced_is_told_though_the_mean_hides_it(plate, plate_index, sides, shift, turn):
    above, below = sides
    (found,) = compare_scans(
        scene_of(plate, plate_index, above, moved(below, shift, turn)), plate, FILES[:2], NOISE, None
    )
    # the walls on either side have opposite signs
    assert abs(found.mean) < 0.02 and not found.agrees
    if any(shift):
        assert abs(found.region) == pytest.approx(0.08, abs=0.006)
    reason, advice = hold_for_overlaps([found])
    assert "P-1_top.ply and P-1_under.ply differ by" in reason and "more than 0.030 mm" in reason and advice


def test_the_limit_of_the_recipe_and_the_poses_count(plate, plate_index, sides):
    above, below = sides
    scene = scene_of(plate, plate_index, above, moved(below, (0.08, 0, 0)))
    assert compare_scans(scene, plate, FILES[:2], NOISE, 0.1)[0].agrees
    assert not compare_scans(scene, plate, FILES[:2], NOISE, 0.05)[0].agrees
    # both poses are known to 0.03 mm only: a wall's limit is 3 sqrt(0.01^2 + 2 0.03^2) = 0.131 mm, less where a
    # region's normals differ (on a bore)
    loose = scene_of(
        plate, plate_index, above, moved(below, (0.08, 0, 0)), covariance=np.diag([0, 0, 0, 1, 1, 1]) * 9e-4
    )
    (found,) = compare_scans(loose, plate, FILES[:2], NOISE, None)
    assert found.agrees and 0.6 * 0.1308 < found.limit < 1.001 * 0.1308


def test_scans_without_common_surface_say_that_nothing_ties_them(plate, plate_index, sides):
    above, below = sides
    top = tuple(a[above[1][:, 2] > 0.9] for a in above)
    under = tuple(a[below[1][:, 2] < -0.9] for a in below)
    (found,) = compare_scans(scene_of(plate, plate_index, top, under), plate, FILES[:2], NOISE, None)
    assert (found.area, found.cells, found.mean) == (0.0, 0, None)
    assert "only the nominal ties these scans together" in found.note and found.agrees


def test_three_scans_make_three_pairs_and_name_the_bad_one(plate, plate_index, sides):
    above, below = sides
    near = above[0][:, 0] < 60
    detail = moved((above[0][near], above[1][near]), (0.0, 0.0, 0.1))
    found = compare_scans(scene_of(plate, plate_index, above, below, detail), plate, FILES, NOISE, None)
    assert [(o.first, o.second, o.agrees) for o in found] == [
        ("P-1_top.ply", "P-1_under.ply", True),
        ("P-1_top.ply", "P-1_detail.ply", False),
        ("P-1_under.ply", "P-1_detail.ply", True),  # they share walls only, along which it slid
    ]
    assert found[1].mean == pytest.approx(0.07, abs=0.03)


def test_clutter_and_empty_scans_compare_nothing(plate, plate_index, sides):
    above, below = sides
    removed = np.full(len(below[0]), CLUTTER, dtype=np.uint8)
    scans = [
        AlignedScan(*above, normals_signed=True),
        AlignedScan(*below, normals_signed=True, removed=removed),
        AlignedScan(np.zeros((0, 3)), np.zeros((0, 3)), normals_signed=True),
    ]
    found = compare_scans(build_scene(scans, plate, plate_index, 5.0), plate, FILES, NOISE, None)
    assert len(found) == 3 and all(o.mean is None and o.note for o in found)


def test_a_dense_detail_scan_does_not_outweigh_the_rest_of_a_plane():
    """A bowed plane, z = x^2, seen evenly, and a corner of it once more with 25 times the points.

    Truth: the least squares line over the whole surface, x in -1..1: height 1/3, slope 0.
    """
    rng = np.random.default_rng(4)
    sparse = rng.uniform(-1, 1, (4000, 2))
    dense = np.column_stack([rng.uniform(0.5, 1, 25_000), rng.uniform(-1, 1, 25_000)])
    flat = np.vstack([sparse, dense])
    points = np.column_stack([flat, flat[:, 0] ** 2])
    scan = np.repeat(np.array([0, 1], dtype=np.uint8), [4000, 25_000])
    weights = share_of_surface(points, scan, np.zeros(len(points), dtype=np.int32), 2)
    assert weights.mean() == pytest.approx(1.0)
    start = Plane((0, 0, 0), (0, 0, 1))

    def slope(w):
        normal = np.array(fit_plane(points, start, w).shape.normal)
        return -normal[0] / normal[2]

    even = fit_plane(points[:4000], start).shape.normal
    assert abs(even[0] / even[2]) < 0.05
    assert abs(slope(None)) > 0.4
    assert abs(slope(weights)) < 0.12


def test_a_single_scan_has_no_weights(plate, plate_index, sides):
    assert scene_of(plate, plate_index, sides[0]).weights is None
    assert len(scene_of(plate, plate_index, *sides).weights) == len(scene_of(plate, plate_index, *sides).points)


def test_values_stay_but_decide_nothing_when_scans_disagree():
    results = make_inspection("1").results
    parts = (PartResult("a", 1.0, 0.0, Verdict.CONFORMS), PartResult("b", None, None, Verdict.NOT_MEASURED, "unseen"))
    from dataclasses import replace

    results = (replace(results[0], verdict=Verdict.CONFORMS, parts=parts), *results[1:])
    left = undecided(results, "the scans disagree")
    assert [r.value for r in left] == [r.value for r in results]
    assert not any(r.verdict in (Verdict.CONFORMS, Verdict.DOES_NOT_CONFORM) for r in left)
    assert [p.verdict for p in left[0].parts] == [Verdict.UNDECIDED, Verdict.NOT_MEASURED]
    kept = [a == b for a, b in zip(left, results, strict=True)]
    assert kept == [r.verdict not in (Verdict.CONFORMS, Verdict.DOES_NOT_CONFORM) for r in results]
