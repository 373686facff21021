"""The synthetic scanner against a plate whose arrays are written by hand, and against Open3D's ray caster."""

import dataclasses
import functools

import numpy as np
import pytest

from runner.geometry.frames import check_rigid, move_points
from runner.rehearse.deviate import Bend, Deviation, Lobes
from runner.rehearse.scanner import ScannerSettings, scan
from runner.rehearse.truth import FIXTURE, PART, SPECK, TABLE
from tests.rehearse.plate import HEIGHT, LENGTH, RADIUS, WIDTH, plate

COARSE = ScannerSettings(seed=3, stripe_spacing=0.6, point_spacing=0.5, noise=0.0, table_margin=12.0)


@functools.cache
def scan_plate(settings):
    """Return the scan of the plate, made once for all tests that ask for it."""
    return scan(plate(), settings)


def seen(settings=COARSE, nominal=None, deviation=None):
    """Return points of the part in the nominal's frame, their faces, truth."""
    plain = nominal is None and deviation is None
    geometry, truth = scan_plate(settings) if plain else scan(nominal or plate(), settings, deviation)
    part = truth.label == PART
    return move_points(truth.nominal_from_scan, geometry.points)[part], truth.face[part], truth


def test_points_lie_on_exact_trimmed_faces_although_the_mesh_is_coarse():
    points, face, _truth = seen()
    rho = np.hypot(points[:, 0], points[:, 1])
    # expected values are the plate's own dimensions; the bore's mesh is up to 0.19 mm off
    heights = {0: points[:, 2], 1: points[:, 2] - HEIGHT, 2: points[:, 0] + LENGTH / 2, 3: points[:, 0] - LENGTH / 2}
    heights |= {4: points[:, 1] + WIDTH / 2, 5: points[:, 1] - WIDTH / 2, 6: rho - RADIUS}
    for f, off in heights.items():
        assert (face == f).sum() > 500
        assert np.abs(off[face == f]).max() < 1e-9
    flat = face <= 1
    assert rho[flat].min() > RADIUS - 1e-9
    assert rho[flat].min() < RADIUS + 0.02  # and the border is reached
    assert points[face == 6, 2].min() > -1e-9 and points[face == 6, 2].max() < HEIGHT + 1e-9
    assert np.abs(points[:, :2]).max(axis=0) == pytest.approx([LENGTH / 2, WIDTH / 2], abs=1e-9)


def test_a_coarse_mesh_leaves_the_bore_unbiased():
    # area share of the bore's wall must not depend on the mesh: 16 chords against 256
    counts = []
    for chords in (16, 256):
        points, face, _ = seen(nominal=plate(chords))
        rho = np.hypot(points[:, 0], points[:, 1])
        counts.append(((face == 6).sum(), ((face <= 1) & (rho < RADIUS + 1.0)).sum()))
    assert counts[0] == pytest.approx(counts[1], rel=0.1)


def test_line_of_sight_against_open3d():
    import open3d

    nominal = plate(256)
    _, truth = scan(nominal, COARSE)
    scene = open3d.t.geometry.RaycastingScene()
    scene.add_triangles(nominal.mesh.vertices.astype(np.float32), nominal.mesh.triangles.astype(np.uint32))
    rows = np.flatnonzero(truth.label == PART)
    back = -truth.directions[truth.view[rows]]
    # a start 0.01 mm above the surface along the ray, so that the point's own face does not count
    starts = truth.exact[rows] + 0.01 * back
    rays = np.concatenate([starts, back], axis=1).astype(np.float32)
    hidden = np.isfinite(scene.cast_rays(open3d.core.Tensor(rays))["t_hit"].numpy())
    assert hidden.mean() < 2e-4  # float32 and the chords of 256 sides at the bore's rim
    wrong = scan(nominal, COARSE)[1].directions.copy()
    flipped = np.concatenate([truth.exact[rows] - 0.01 * back, -wrong[truth.view[rows]] * -1], axis=1)
    assert np.isfinite(scene.cast_rays(open3d.core.Tensor(flipped.astype(np.float32)))["t_hit"].numpy()).mean() > 0.9


def test_on_table_hides_the_lower_side_and_one_side_sees_less():
    _, face, truth = seen(dataclasses.replace(COARSE, mode="on table"))
    assert not (face == 0).any() and (face == 1).any()
    assert (truth.label == TABLE).sum() > 1000
    _, face, truth = seen(dataclasses.replace(COARSE, mode="one side", table=False))
    assert len(truth.directions) == 3 and not (truth.label == TABLE).any()
    assert (truth.directions[:, 2] < -np.cos(np.radians(45))).all()


def test_grazing_limit():
    nominal = plate()
    _, truth = scan(nominal, dataclasses.replace(COARSE, grazing_limit=60.0, camera_angle=0.0, layers=99))
    flat = (truth.face >= 0) & (truth.face < 6)
    cosine = -np.einsum("ij,ij->i", nominal.faces.axis[truth.face[flat]], truth.directions[truth.view[flat]])
    assert cosine.min() >= np.cos(np.radians(60)) - 1e-12
    _, truth = scan(nominal, dataclasses.replace(COARSE, layers=99))
    flat = (truth.face >= 0) & (truth.face < 6)
    cosine = -np.einsum("ij,ij->i", nominal.faces.axis[truth.face[flat]], truth.directions[truth.view[flat]])
    assert np.cos(np.radians(75)) - 1e-12 <= cosine.min() < np.cos(np.radians(60))


def test_stripes():
    settings = dataclasses.replace(COARSE, layers=99, hand=0.1, table=False)
    _, truth = scan_plate(settings)
    rows = (truth.view == 0) & (truth.face == 1)
    across = truth.exact[rows] @ np.cross(truth.directions[0], truth.stripes[0])
    places = np.unique(np.round(across, 6))
    gaps = np.diff(places)
    assert gaps.mean() == pytest.approx(settings.stripe_spacing, rel=0.03)
    assert gaps.std() == pytest.approx(0.1 * settings.stripe_spacing, rel=0.35)
    one = np.abs(across - places[len(places) // 2]) < 1e-5
    along = np.sort(truth.exact[rows][one] @ truth.stripes[0])
    steps = np.diff(along)
    assert np.median(steps) == pytest.approx(settings.point_spacing, rel=1e-9)


def test_layers_limit_the_overlap():
    counts = [len(scan_plate(dataclasses.replace(COARSE, layers=k, table=False))[1].view) for k in (1, 2, 99)]
    assert counts[0] < counts[1] < counts[2]
    # one layer on the upper face: one point for each stripe_spacing x point_spacing as seen by the straightest pass
    _, truth = scan_plate(dataclasses.replace(COARSE, layers=1, table=False))
    area = LENGTH * WIDTH - np.pi * RADIUS**2
    expected = area * -truth.directions[0][2] / (COARSE.stripe_spacing * COARSE.point_spacing)
    assert (truth.face == 1).sum() == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("along", ["normal", "ray"])
def test_white_noise(along):
    sigma = 0.03
    geometry, truth = scan_plate(dataclasses.replace(COARSE, noise=sigma, noise_along=along))
    error = move_points(truth.nominal_from_scan, geometry.points) - truth.exact
    rows = truth.face == 1
    length = np.linalg.norm(error[rows], axis=1) * np.sign(error[rows, 2])
    count = rows.sum()
    assert length.std() == pytest.approx(sigma, rel=4 / np.sqrt(2 * count))
    assert abs(length.mean()) < 4 * sigma / np.sqrt(count)
    if along == "normal":
        assert np.abs(error[rows, :2]).max() < 1e-9
    else:
        parallel = np.cross(error[rows], truth.directions[truth.view[rows]])
        assert np.abs(parallel).max() < 1e-9


def test_correlated_noise_has_its_amplitude_and_length():
    from runner.rehearse.effects import smooth_noise

    settings = dataclasses.replace(COARSE, correlated_noise=0.01, correlation_length=5.0)
    places = np.column_stack([np.linspace(0, 20, 5), np.zeros(5)])  # 0, 5, 10, 15, 20 mm
    fields = np.array([smooth_noise(places, settings, np.random.default_rng(k)) for k in range(4000)])
    covariance = fields.T @ fields / len(fields)
    expected = 0.01**2 * np.exp(-0.5 * (places[:, 0] / 5.0) ** 2)
    assert covariance[0] == pytest.approx(expected, abs=6e-6)


def test_edge_loss_models():
    reach = 0.8

    def distance(truth):
        # only the upper face: its four sides and the bore's rim
        p = truth.exact[truth.face == 1]
        return np.min(
            [LENGTH / 2 - abs(p[:, 0]), WIDTH / 2 - abs(p[:, 1]), np.hypot(p[:, 0], p[:, 1]) - RADIUS], axis=0
        )

    nothing = distance(scan_plate(COARSE)[1])
    near = (nothing < reach).sum()
    assert near > 500
    all_lost = distance(scan_plate(dataclasses.replace(COARSE, edge_reach=reach, edge_loss=1.0))[1])
    assert all_lost.min() >= reach - 1e-9
    assert (all_lost >= reach).sum() == (nothing >= reach).sum()
    half = distance(scan_plate(dataclasses.replace(COARSE, edge_reach=reach, edge_loss=0.5))[1])
    assert (half < reach).sum() == pytest.approx(0.5 * near, abs=4 * np.sqrt(near) / 2)
    ramp = distance(scan_plate(dataclasses.replace(COARSE, edge_reach=reach, edge_loss=1.0, edge_model="ramp"))[1])
    kept = (ramp < reach).sum() / near
    assert kept == pytest.approx(0.5, abs=0.08)
    assert (ramp < reach / 2).sum() < 0.5 * (nothing < reach / 2).sum()


def test_mixed_points_slip_away_from_the_scanner():
    settings = dataclasses.replace(COARSE, edge_reach=0.8, mixed_points=0.5, mixed_depth=1.0)
    geometry, truth = scan_plate(settings)
    error = move_points(truth.nominal_from_scan, geometry.points) - truth.exact
    slip = np.einsum("ij,ij->i", error, truth.directions[truth.view])
    assert slip.min() > -1e-9 and 0.9 < slip.max() < 1.0 + 1e-9
    assert 0 < (slip > 1e-9).mean() < 0.2


def test_patches_and_specks_and_fixtures():
    settings = dataclasses.replace(COARSE, patches=3, patch_radius=5.0, specks=0.01, fixtures=2)
    geometry, truth = scan_plate(settings)
    whole = scan_plate(dataclasses.replace(settings, patches=0))[1]
    assert (truth.label == PART).sum() < (whole.label == PART).sum()
    count = len(geometry.points)
    assert (truth.label == SPECK).sum() == pytest.approx(0.01 * count, rel=0.02)
    block = truth.exact[truth.label == FIXTURE]
    assert len(block) > 200 and block[:, 2].min() > -1e-9
    assert block[:, 2].max() == pytest.approx(settings.fixture_size[2], abs=1e-9)
    outside = (np.abs(block[:, 0]) > LENGTH / 2 - 1e-6) | (np.abs(block[:, 1]) > WIDTH / 2 - 1e-6)
    assert outside.all()
    # the first block touches, and stands off where a gap is asked for
    gap = scan_plate(dataclasses.replace(settings, fixture_gap=4.0))[1]
    apart = gap.exact[gap.label == FIXTURE]
    over = np.maximum(np.abs(apart[:, :2]) - [LENGTH / 2, WIDTH / 2], 0.0)
    assert 2.5 < np.linalg.norm(over, axis=1).min() < 6.0


def test_pose_is_the_truth_and_rigid():
    geometry, truth = scan_plate(dataclasses.replace(COARSE, seed=11))
    check_rigid(truth.nominal_from_scan)
    assert np.linalg.norm(truth.nominal_from_scan - np.eye(4)) > 1
    back = move_points(truth.nominal_from_scan, geometry.points)
    assert np.abs(back - truth.exact).max() < 1e-9
    moves = np.array(
        [scan_plate(dataclasses.replace(COARSE, seed=k, mode="one side"))[1].nominal_from_scan for k in range(6)]
    )
    assert np.unique(np.round(moves[:, 0, 0], 6)).size == 6
    unmoved, truth = scan_plate(dataclasses.replace(COARSE, pose="as nominal"))
    assert np.array_equal(truth.nominal_from_scan, np.eye(4)) and np.array_equal(unmoved.points, truth.exact)


def test_seed_decides_everything_and_effects_do_not_disturb_each_other():
    settings = dataclasses.replace(COARSE, noise=0.02, normals="signed", shuffle=True, specks=0.01)
    first, second = scan(plate(), settings)[0], scan(plate(), settings)[0]
    assert np.array_equal(first.points, second.points) and np.array_equal(first.normals, second.normals)
    other = scan_plate(dataclasses.replace(settings, seed=4))[0]
    assert other.points.shape != first.points.shape or not np.array_equal(other.points, first.points)
    plain = scan_plate(COARSE)[1].exact
    noisy = scan_plate(dataclasses.replace(COARSE, noise=0.05, specks=0.01))[1]
    assert np.array_equal(noisy.exact[noisy.label != SPECK], plain)


def test_normals():
    geometry, truth = scan_plate(dataclasses.replace(COARSE, normals="signed", pose="as nominal"))
    rows = truth.face == 1
    assert np.linalg.norm(geometry.normals, axis=1) == pytest.approx(1.0)
    tilt = np.degrees(np.arccos(np.clip(geometry.normals[rows, 2], -1, 1)))
    # two directions of 2 degrees each: Rayleigh, mean 2 sqrt(pi / 2)
    assert tilt.mean() == pytest.approx(2.0 * np.sqrt(np.pi / 2), rel=0.05)
    assert geometry.normals_signed
    loose, _ = scan_plate(dataclasses.replace(COARSE, normals="unsigned", pose="as nominal"))
    assert 0.45 < (loose.normals[rows, 2] > 0).mean() < 0.55 and not loose.normals_signed


def test_mesh():
    settings = dataclasses.replace(COARSE, output="mesh", layers=1, specks=0.01, shuffle=True, pose="as nominal")
    geometry, truth = scan_plate(settings)
    triangles, points = geometry.triangles, geometry.points
    assert np.array_equal(np.unique(triangles), np.arange(len(points)))
    corners = points[triangles]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    assert sides.max() <= 4 * settings.stripe_spacing + 1e-9
    # wound towards the scanner, and as the exact faces say where all three corners lie on one flat face
    face = truth.face[triangles]
    same = (face == face[:, :1]).all(axis=1) & (face[:, 0] >= 0) & (face[:, 0] < 6)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    agree = np.einsum("ij,ij->i", normal[same], plate().faces.axis[face[same, 0]])
    assert agree.min() == pytest.approx(1.0, abs=1e-9)
    # no edge has more than two triangles, each direction once
    directed = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    assert len(np.unique(directed, axis=0)) == len(directed)
    label = truth.label[triangles]
    assert (label == label[:, :1]).all()  # nothing joins part, table and specks
    # lower and upper face are 10 mm apart and never joined
    assert not ((face == 0).any(axis=1) & (face == 1).any(axis=1)).any()


def test_deviations_move_exact_points_by_what_they_say():
    points, face, _ = seen(deviation=Deviation(face_offset={1: 0.1, 6: -0.05}))
    assert points[face == 1, 2] == pytest.approx(HEIGHT + 0.1, abs=1e-9)
    assert np.hypot(points[face == 6, 0], points[face == 6, 1]) == pytest.approx(RADIUS + 0.05, abs=1e-9)
    assert points[face == 0, 2] == pytest.approx(0.0, abs=1e-9)
    lobes = Lobes((0, 0, 0), (0, 0, 1), (1, 0, 0), 3, 0.02)
    points, face, _ = seen(deviation=Deviation(lobes={6: lobes}))
    wall = points[face == 6]
    # out of the material of a bore is towards the axis
    radial = RADIUS - np.hypot(wall[:, 0], wall[:, 1])
    assert radial == pytest.approx(0.02 * np.cos(3 * np.arctan2(wall[:, 1], wall[:, 0])), abs=1e-9)
    points, face, _truth = seen(deviation=Deviation(bend=Bend((1, 0, 0), (0, 0, 1), 0.5)))
    top = points[face == 1]
    assert top[:, 2] - HEIGHT == pytest.approx(0.5 * (top[:, 0] / (LENGTH / 2)) ** 2, abs=1e-9)


def test_settings_are_checked():
    wrongs = [{"mode": "sideways"}, {"output": "picture"}, {"stripe_spacing": 0.0}, {"grazing_limit": 90.0}]
    wrongs += [{"layers": 0}, {"seed": -1}, {"noise": float("nan")}, {"specks": 1.5}, {"camera_angle": 90.0}]
    for wrong in wrongs:
        with pytest.raises(ValueError):
            ScannerSettings(**wrong)


def test_a_mesh_nominal_is_scanned_too():
    # without exact faces the points lie on the mesh; here a plate whose bore has 16 flats
    from runner.nominal.patches import nominal_from_mesh

    nominal = nominal_from_mesh(plate().mesh, "")
    settings = dataclasses.replace(COARSE, output="mesh", layers=1, pose="as nominal", table=False)
    geometry, truth = scan(nominal, settings)
    rho = np.hypot(truth.exact[:, 0], truth.exact[:, 1])
    wall = (truth.exact[:, 2] > 0.01) & (truth.exact[:, 2] < HEIGHT - 0.01) & (rho < RADIUS + 1)
    assert wall.sum() > 500
    assert RADIUS * np.cos(np.pi / 16) - 1e-9 <= rho[wall].min() < RADIUS - 0.1
    assert rho[wall].max() <= RADIUS + 1e-9
    assert geometry.triangles is not None and len(geometry.triangles) > 10_000


def test_mesh_runs_over_edges_that_one_pass_sees_from_both_sides():
    settings = dataclasses.replace(COARSE, output="mesh", layers=99, pose="as nominal", table=False)
    geometry, truth = scan_plate(settings)
    face = truth.face[geometry.triangles]
    mixed = (face != face[:, :1]).any(axis=1)
    assert 0.005 < mixed.mean() < 0.2


def test_nothing_in_sight_is_an_empty_scan():
    geometry, truth = scan_plate(dataclasses.replace(COARSE, patches=1, patch_radius=500.0, table=False))
    assert geometry.points.shape == (0, 3) and len(truth.label) == 0
