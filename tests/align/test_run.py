"""Whole alignments of simulated scans; the truth comes from the simulation's own pose."""

from __future__ import annotations

import numpy as np
import parts
import pytest
import sampler

from runner.align.run import align
from runner.align.types import KEPT, TABLE, AlignSettings
from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import ScanGeometry
from runner.records import PoseStatus


def _align(part, scan, **settings):
    return align(scan, part.nominal, part.index, part.model, AlignSettings(**settings))


@pytest.mark.parametrize(("name", "seed", "views"), [("bracket", 1, "table"), ("block", 2, "all"), ("clip", 3, "one")])
def test_right_from_a_random_pose(prepared, name, seed, views):
    part = prepared(name)
    sim = sampler.simulate(part.nominal, part.index, seed, views=views, table=views == "table")
    found = _align(part, sim.scan)
    assert found.status is PoseStatus.ALIGNED, found.reason
    angle_deg, off_mm = sampler.pose_error(found.nominal_from_scan, sim.nominal_from_scan, part.nominal)
    # noise 0.02 mm, 20,000 points: a handful of micrometres at the farthest corner
    assert angle_deg < 0.02
    assert off_mm < 0.02
    assert found.covariance.shape == (6, 6)
    assert np.linalg.eigvalsh(found.covariance).min() > 0


def test_table_fixture_and_strays_go_and_the_part_stays(prepared):
    part = prepared("clip")
    sim = sampler.simulate(part.nominal, part.index, 7, fixtures=2)
    found = _align(part, sim.scan)
    kept = found.removed == KEPT
    assert found.status is PoseStatus.ALIGNED
    assert np.mean(kept[sim.kind == 0]) > 0.999
    assert np.mean(found.removed[sim.kind == 1] == TABLE) > 0.99
    assert np.mean(kept[sim.kind == 1]) < 0.001
    assert np.mean(kept[sim.kind == 2]) < 0.25
    assert np.mean(kept[sim.kind == 3]) < 0.1


def test_a_turned_part_is_aligned_up_to_its_axis(prepared):
    part = prepared("bushing")
    assert len(part.model.symmetry.axis) == 1
    sim = sampler.simulate(part.nominal, part.index, 5)
    found = _align(part, sim.scan)
    assert found.status is PoseStatus.ALIGNED, found.reason
    assert "axis" in found.evidence["symmetry"]
    motion = found.nominal_from_scan @ np.linalg.inv(sim.nominal_from_scan)
    # the part's axis is z: its direction and place must stand, the turn about it is open
    assert np.linalg.norm(motion[:3, :3] @ [0, 0, 1] - np.array([0, 0, 1])) < 3e-4
    assert np.linalg.norm(motion[:3, 3]) < 0.02
    open_turn = _align(part, sim.scan, symmetric_axis=False)
    assert open_turn.status is PoseStatus.AMBIGUOUS


@pytest.mark.parametrize(("scanned", "asked"), [("block", "bracket"), ("bushing", "block"), ("bracket", "clip")])
def test_another_part_is_refused(prepared, scanned, asked):
    other = prepared(scanned)
    sim = sampler.simulate(other.nominal, other.index, 3)
    found = _align(prepared(asked), sim.scan)
    assert found.status is PoseStatus.NOT_ALIGNED
    assert found.nominal_from_scan is None
    assert "another part" in found.reason


@pytest.mark.parametrize("name", ["block", "clip"])
def test_the_other_hand_is_refused_and_named(prepared, name):
    part = prepared(name)
    twin = parts.mirrored(part.nominal)
    sim = sampler.simulate(twin, SurfaceIndex.build(twin), 1)
    found = _align(part, sim.scan)
    assert found.status is PoseStatus.NOT_ALIGNED
    assert "wrong hand" in found.reason


def test_the_one_hole_that_tells_unseen_is_ambiguous(prepared):
    part = prepared("bracket")
    places = [(118, 55), (22, 15), (22, 55), (118, 15)]
    sim = sampler.simulate(
        part.nominal, part.index, 4,
        hide=lambda p: np.min([np.hypot(p[:, 0] - x, p[:, 1] - y) for x, y in places], axis=0) < 12,
    )  # fmt: skip
    found = _align(part, sim.scan)
    assert found.status is PoseStatus.AMBIGUOUS
    assert len(found.rivals) >= 1
    # the hole at (118, 55), or where a half turn puts it
    assert "near (118" in found.reason or "near (22" in found.reason or "near (21" in found.reason


def test_cloud_without_normals(prepared):
    part = prepared("clip")
    sim = sampler.simulate(part.nominal, part.index, 1, normals="none")
    found = _align(part, sim.scan)
    assert found.status is PoseStatus.ALIGNED, found.reason
    assert sampler.pose_error(found.nominal_from_scan, sim.nominal_from_scan, part.nominal)[1] < 0.03
    assert found.normals.shape == sim.scan.points.shape


def test_a_plane_above_the_part_gives_no_signs(prepared):
    """Faces of fixtures that lie in one plane pass for a table; the sheet then looked the other way, and lay aside."""
    part = prepared("bracket")
    sim = sampler.simulate(part.nominal, part.index, 4, views="table", table=False, fixtures=0, normals="none")
    rng = np.random.default_rng(5)
    span = part.nominal.diagonal
    high = part.nominal.bounds[1][2] + 10.0
    plane = np.column_stack([rng.uniform(-0.2 * span, span, (15_000, 2)), np.full(15_000, high)])
    to_scan = np.linalg.inv(sim.nominal_from_scan)
    points = np.vstack([sim.scan.points, plane @ to_scan[:3, :3].T + to_scan[:3, 3]])
    found = _align(part, ScanGeometry(points))
    assert found.status is PoseStatus.ALIGNED, found.reason
    assert sampler.pose_error(found.nominal_from_scan, sim.nominal_from_scan, part.nominal)[1] < 0.01
    assert "not confirmed" in str(found.evidence["normals oriented"])


def test_mesh_scan_takes_its_normals_from_the_triangles(prepared):
    part = prepared("block")
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = sampler.random_rotation(np.random.default_rng(8)), (120.0, -40.0, 900.0)
    vertices, triangles = _split(part.nominal.mesh.vertices, part.nominal.mesh.triangles, 1.0)
    scan = ScanGeometry(vertices @ pose[:3, :3].T + pose[:3, 3], triangles=triangles)
    found = _align(part, scan)
    assert found.status is PoseStatus.ALIGNED, found.reason
    assert sampler.pose_error(found.nominal_from_scan, np.linalg.inv(pose), part.nominal)[1] < 0.01


def _split(vertices, triangles, edge):
    """Split triangles at their longest edge until none is longer than ``edge`` times 4."""
    corners = vertices[triangles]
    done = []
    while len(corners):
        sides = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2)
        longest = sides.argmax(axis=1)
        long = sides.max(axis=1) > 4.0 * edge
        done.append(corners[~long])
        corners, longest = corners[long], longest[long]
        rows = np.arange(len(corners))
        a, b, c = (corners[rows, (longest + k) % 3] for k in range(3))
        middle = 0.5 * (a + b)
        corners = np.concatenate([np.stack([a, middle, c], axis=1), np.stack([middle, b, c], axis=1)])
    flat = np.concatenate(done).reshape(-1, 3)
    points, back = np.unique(np.round(flat, 9), axis=0, return_inverse=True)
    return points, back.reshape(-1, 3).astype(np.int32)


def test_half_of_the_part_is_right_or_refused(prepared):
    part = prepared("block")
    sim = sampler.simulate(part.nominal, part.index, 9, hide=lambda p: p[:, 0] > 55.0)
    found = _align(part, sim.scan)
    if found.status is PoseStatus.ALIGNED:
        assert sampler.pose_error(found.nominal_from_scan, sim.nominal_from_scan, part.nominal)[1] < 0.2
    else:
        assert found.reason
        assert found.advice


def test_a_sliver_of_the_part_is_refused_with_the_share(prepared):
    part = prepared("block")
    sim = sampler.simulate(part.nominal, part.index, 9, hide=lambda p: p[:, 0] > 14.0, table=False, fixtures=0)
    found = _align(part, sim.scan)
    assert found.status is not PoseStatus.ALIGNED


@pytest.mark.parametrize(
    "around", [{"table": False, "fixtures": 0, "stray": 0.0}, {}], ids=["the part alone", "on a table, with strays"]
)
def test_wrong_unit_is_named(prepared, around):
    part = prepared("block")
    sim = sampler.simulate(part.nominal, part.index, 2, **around)
    scan = ScanGeometry(sim.scan.points / 25.4, normals=sim.scan.normals, normals_signed=True)
    found = _align(part, scan)
    assert found.status is PoseStatus.NOT_ALIGNED
    assert "inches" in found.reason


def test_as_scanned_is_verified_not_moved(prepared):
    part = prepared("block")
    sim = sampler.simulate(part.nominal, part.index, 2)
    t = sim.nominal_from_scan
    laid = ScanGeometry(
        sim.scan.points @ t[:3, :3].T + t[:3, 3], normals=sim.scan.normals @ t[:3, :3].T, normals_signed=True
    )
    found = _align(part, laid, start="as scanned")
    assert found.status is PoseStatus.ALIGNED, found.reason
    assert np.array_equal(found.nominal_from_scan, np.eye(4))
    elsewhere = _align(part, sim.scan, start="as scanned")
    assert elsewhere.status is PoseStatus.NOT_ALIGNED


def test_start_pose_is_verified_like_any_other(prepared):
    part = prepared("block")
    sim = sampler.simulate(part.nominal, part.index, 2)
    near = sim.nominal_from_scan.copy()
    near[:3, 3] += (1.5, -1.0, 2.0)
    good = _align(part, sim.scan, start_pose=near)
    assert good.evidence["start pose"] == "confirmed"
    wrong = np.eye(4)
    bad = _align(part, sim.scan, start_pose=wrong)
    assert bad.evidence["start pose"] != "confirmed"
    for found in (good, bad):
        assert found.status is PoseStatus.ALIGNED
        assert sampler.pose_error(found.nominal_from_scan, sim.nominal_from_scan, part.nominal)[1] < 0.02


def test_a_hint_at_the_rival_pose_does_not_lead_astray(prepared):
    part = prepared("bracket")
    sim = sampler.simulate(part.nominal, part.index, 1)
    # half a turn about the bracket's middle: only the one small hole tells
    turn = np.diag([-1.0, -1.0, 1.0, 1.0])
    turn[:2, 3] = 140.0, 70.0
    found = _align(part, sim.scan, start_pose=turn @ sim.nominal_from_scan)
    assert found.evidence["start pose"] != "confirmed"
    assert found.status is PoseStatus.ALIGNED, found.reason
    assert sampler.pose_error(found.nominal_from_scan, sim.nominal_from_scan, part.nominal)[1] < 0.02


def test_a_confirmed_hint_is_not_searched_again(prepared, monkeypatch):
    import runner.align.poses as poses

    part = prepared("block")
    sim = sampler.simulate(part.nominal, part.index, 2)
    monkeypatch.setattr(poses, "find_candidates", lambda *_, **__: pytest.fail("searched in spite of the hint"))
    found = _align(part, sim.scan, start_pose=sim.nominal_from_scan)
    assert found.status is PoseStatus.ALIGNED, found.reason


def test_nothing_to_align_is_a_refusal_not_an_exception(prepared):
    part = prepared("block")
    found = _align(part, ScanGeometry(np.zeros((10, 3)), normals=np.tile([0.0, 0, 1], (10, 1)), normals_signed=True))
    assert found.status is PoseStatus.NOT_ALIGNED


@pytest.mark.parametrize("normals", ["signed", "none"])
def test_the_same_scan_gives_the_same_pose_to_the_last_digit_however_many_cores(prepared, monkeypatch, normals):
    part = prepared("block")
    sim = sampler.simulate(part.nominal, part.index, 6, count=20_000, normals=normals)
    found = []
    for threads in (1, 1, 2, 5):
        monkeypatch.setenv("NUMBA_NUM_THREADS", str(threads))
        found.append(_align(part, sim.scan))
    for other in found[1:]:
        assert np.array_equal(found[0].nominal_from_scan, other.nominal_from_scan)
        assert np.array_equal(found[0].removed, other.removed)
        assert found[0].evidence == other.evidence


def test_points_that_lie_closer_than_they_scatter_are_told_by_their_heights(prepared):
    """2 mm of scatter look like half of it to a local plane of points so close; such a pose was off by millimetres."""
    part = prepared("bushing")
    sim = sampler.simulate(part.nominal, part.index, 4, count=15_000, noise=2.0)
    found = _align(part, sim.scan, expected_form_error=2.0)
    assert found.status is not PoseStatus.ALIGNED
    assert 1.3 < found.evidence["scatter at pose"] < 2.3
    quiet = _align(part, sampler.simulate(part.nominal, part.index, 4, count=15_000, noise=0.02).scan)
    assert quiet.evidence["scatter at pose"] == pytest.approx(0.02, rel=0.1)
