"""Hints: the recipe's words become a start pose or allowed sides; the scan decides whether they hold.

Truth: rigid motions made here, SciPy's own solution of the landmark problem, and simulated scans.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import sampler
from scipy.spatial.transform import Rotation

from runner.align import hints, poses, rough, run
from runner.align.candidates import ROTATIONS, rotation_set
from runner.align.planes import Plane
from runner.align.types import AlignSettings
from runner.geometry.frames import invert, move_points, rigid
from runner.records import PoseStatus

RECIPE = """\
recipe: 1
part: {number: HT-7, revision: A, name: rest}
drawing: {standard: ISO GPS, edition: 2017, units: UNITS}
nominal: {file: rest.step}
scan: {surface: {noise: 0.02, spacing: 0.2}}
alignment: ALIGNMENT
features:
  base: {plane: {at: [0, 0, 0], normal: -z}}
characteristics:
  "1": {flatness: base, zone: 0.1, judge: all points}
decision: {rule: simple}
"""
NONE = SimpleNamespace(exact=np.zeros((0, 4, 4)), axis=np.zeros((0, 3)))


def recipe_of(alignment: str, units: str = "mm"):
    from runner.recipe.load import parse_recipe

    recipe, problems = parse_recipe(RECIPE.replace("ALIGNMENT", alignment).replace("UNITS", units), "hints.yaml")
    assert not [p for p in problems if p.severity == "error"], problems
    return recipe


def settings_of(alignment: str, units: str = "mm") -> AlignSettings:
    from runner.recipe.translate import to_align_settings

    return to_align_settings(recipe_of(alignment, units))


def some_pose(seed: int):
    rng = np.random.default_rng(seed)
    return rigid(sampler.random_rotation(rng), rng.uniform(-300, 300, 3))


def test_a_frame_is_where_the_nominal_lies():
    # a fixture that holds the part turned a quarter about z, its origin at (100, 0, 50)
    pose = settings_of("{hints: {frame: {origin: [100, 0, 50], x: +y, y: -x}}}").start_pose
    assert np.allclose(move_points(pose, np.array([[100.0, 0, 50], [100, 7, 50], [97, 0, 50], [100, 0, 52]])),
                       [[0, 0, 0], [7, 0, 0], [0, 3, 0], [0, 0, 2]], atol=1e-12)  # fmt: skip


def test_axes_that_are_not_quite_square_give_a_rigid_pose():
    pose = rough.pose_from_frame(np.array([1.0, 2, 3]), np.array([2.0, 0.1, 0]), np.array([0.3, 1, 0.2]))
    assert np.allclose(pose[:3, :3] @ pose[:3, :3].T, np.eye(3), atol=1e-12)
    assert np.linalg.det(pose[:3, :3]) == pytest.approx(1.0)
    assert np.allclose(pose @ [1, 2, 3, 1], [0, 0, 0, 1])
    assert (pose[:3, :3] @ [2.0, 0.1, 0])[1:] == pytest.approx([0, 0], abs=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_landmarks_are_fitted_as_scipy_fits_them(seed):
    rng = np.random.default_rng(seed)
    truth = some_pose(seed)
    scan = rng.uniform(-100, 100, (3 + seed % 3, 3))
    nominal = move_points(truth, scan) + rng.normal(scale=1.0, size=scan.shape)
    pose, off = rough.pose_from_landmarks(nominal, scan)
    turn, rssd = Rotation.align_vectors(nominal - nominal.mean(axis=0), scan - scan.mean(axis=0))
    assert np.allclose(pose[:3, :3], turn.as_matrix(), atol=1e-9)
    assert np.sqrt(np.sum(off**2)) == pytest.approx(rssd, rel=1e-9)
    assert np.linalg.det(pose[:3, :3]) == pytest.approx(1.0)


def test_landmarks_of_the_other_hand_are_not_mirrored_into_place():
    scan = np.array([[0.0, 0, 0], [50, 0, 0], [0, 30, 0], [0, 0, 20]])
    pose, off = rough.pose_from_landmarks(scan * [-1, 1, 1], scan)
    assert np.linalg.det(pose[:3, :3]) == pytest.approx(1.0)
    assert off.max() > 5.0


def test_recipe_in_inches_gives_the_same_start():
    landmarks = [([0, 0, 0], [100, 0, 50]), ([70, 0, 5], [100, 70, 55]), ([40, 10, 5], [90, 40, 55])]

    def text(scale: float) -> str:
        rows = [f"{{nominal: {[c / scale for c in a]}, scan: {[c / scale for c in b]}}}" for a, b in landmarks]
        return "{hints: {landmarks: [" + ", ".join(rows) + "], up: [+z, [0, 3, 4]]}}"

    metric, inches = settings_of(text(1.0)), settings_of(text(25.4), "in")
    assert np.allclose(metric.start_pose, inches.start_pose, atol=1e-9)
    assert np.allclose(move_points(metric.start_pose, np.array([[100.0, 70, 55]])), [[70, 0, 5]], atol=1e-9)
    for one in (metric, inches):
        assert np.allclose(one.up, [[0, 0, 1], [0, 0.6, 0.8]])


def test_the_fingerprint_covers_hints_and_only_where_there_are_some():
    from runner.recipe.fingerprint import canonical, fingerprint

    plain, hinted = recipe_of("{start: automatic}"), recipe_of("{hints: {up: [+z]}}")
    assert "hints" not in canonical(plain)
    prints = {fingerprint(r, "0" * 64) for r in (plain, hinted, recipe_of("{hints: {up: [-z]}}"))}
    assert len(prints) == 3


def test_a_resolved_recipe_with_hints_loads_again_to_the_same():
    from runner.recipe.defaults import resolved
    from runner.recipe.fingerprint import canonical
    from runner.recipe.load import parse_recipe

    rows = "[{nominal: [0, 0, 0], scan: [9, 0, 5]}, {nominal: [70, 0, 5], scan: [79, 0, 10]}, "
    recipe = recipe_of("{hints: {landmarks: " + rows + "{nominal: [4, 9, 5], scan: [13, 9, 10]}], up: [-x]}}")
    text = resolved(recipe)
    assert "landmark limit: 5" in text
    again, problems = parse_recipe(text, "again.yaml")
    assert again is not None, problems
    assert canonical(again) == canonical(recipe)


@pytest.mark.parametrize("seed", range(4))
def test_a_side_up_is_told_from_the_others(seed):
    pose = some_pose(seed)
    rng = np.random.default_rng(seed)
    up = np.eye(3)[seed % 3]
    tilt = rigid(Rotation.from_rotvec(0.5 * np.cross(up, rng.normal(size=3))).as_matrix(), np.zeros(3))
    normal = invert(pose)[:3, :3] @ up
    table = (Plane(normal, 0.0, 1.0),)
    assert hints.has_up(pose, (2.0 * up,), table, NONE)
    assert not hints.has_up(pose, (-up,), table, NONE)
    assert not hints.has_up(pose, (np.roll(up, 1),), table, NONE)
    leaning = Rotation.from_matrix(tilt[:3, :3]).magnitude()
    assert hints.has_up(tilt @ pose, (up,), table, NONE) == (leaning <= np.deg2rad(35.0))
    allowed = hints.rotations_with_up((up,), table)
    # a cap of 35 degrees is (1 - cos 35) / 2 of the sphere
    assert np.mean(allowed) == pytest.approx((1 - np.cos(np.deg2rad(35.0))) / 2, rel=0.05)
    away = np.rad2deg(np.arccos(rotation_set()[1][allowed] @ normal @ up))
    assert away.max() <= 35.0
    assert len(allowed) == ROTATIONS


def test_a_turned_part_has_every_side_of_its_axis_up():
    turned = SimpleNamespace(exact=np.zeros((0, 4, 4)), axis=np.array([[0.0, 0, 1]]))
    table = (Plane(np.array([1.0, 0, 0]), 0.0, 1.0),)
    assert hints.has_up(np.eye(4), (np.array([0.0, 1, 0]),), table, turned)
    assert not hints.has_up(np.eye(4), (np.array([0.0, 0, 1]),), table, turned)


def test_starts_lie_round_the_rough_pose():
    pose, centre = some_pose(2), np.array([10.0, 20, 30])
    turns, shifts = hints.starts_around(pose, centre)
    assert np.allclose(turns[0], pose[:3, :3])
    assert np.allclose(shifts[0], pose[:3, 3])
    at = invert(pose) @ [*centre, 1]
    assert np.allclose(turns @ at[:3] + shifts, centre)
    angle = Rotation.from_matrix(turns @ pose[:3, :3].T).magnitude()
    assert np.rad2deg(angle.max()) <= 20.0001
    assert 20 < len(turns) < 80


@pytest.fixture(scope="module")
def block(prepared):
    part = prepared("block")
    sim = sampler.simulate(part.nominal, part.index, 2, count=15_000)
    return part, sim


def _align(part, sim, **settings):
    return run.align(sim.scan, part.nominal, part.index, part.model, AlignSettings(**settings))


def _right(found, part, sim):
    assert found.status is PoseStatus.ALIGNED, found.reason
    assert sampler.pose_error(found.nominal_from_scan, sim.nominal_from_scan, part.nominal)[1] < 0.05


def test_a_rough_pose_is_pulled_in_without_a_search(block, monkeypatch):
    part, sim = block
    centre = part.model.search.centre
    turn = Rotation.from_rotvec(np.deg2rad(15.0) * np.array([0.6, 0.0, 0.8])).as_matrix()
    rough = rigid(turn, centre - turn @ centre + [6.0, -5.0, 4.0]) @ sim.nominal_from_scan
    monkeypatch.setattr(poses, "find_candidates", lambda *_, **__: pytest.fail("searched in spite of the hint"))
    found = _align(part, sim, start_pose=rough)
    assert found.evidence["start pose"] == "confirmed"
    _right(found, part, sim)


def test_the_allowed_side_is_searched_alone_and_a_wrong_one_is_set_aside(block, monkeypatch):
    part, sim = block
    asked = []
    find = poses.find_candidates

    def counted(model, points, normals, signed, rotations, **more):
        asked.append(rotations)
        return find(model, points, normals, signed, rotations, **more)

    monkeypatch.setattr(poses, "find_candidates", counted)
    # the sampler lays the part with +z up
    found = _align(part, sim, up=(np.array([0.0, 0, 1]),))
    assert found.evidence["side up"] == "confirmed"
    assert asked == [60]
    _right(found, part, sim)
    asked.clear()
    found = _align(part, sim, up=(np.array([0.0, 0, -1]),))
    assert "not confirmed" in found.evidence["side up"]
    assert asked == [60, 250]
    _right(found, part, sim)


def test_without_a_table_the_side_up_is_not_used(block):
    part, sim = block
    alone = replace(sim, scan=_only(sim, sim.kind == 0))
    found = _align(part, alone, up=(np.array([0.0, 0, -1]),))
    assert found.evidence["side up"] == "not used: no table was found in the scan"
    _right(found, part, sim)


def _only(sim, keep):
    from runner.geometry.mesh import ScanGeometry

    return ScanGeometry(sim.scan.points[keep], normals=sim.scan.normals[keep], normals_signed=True)
