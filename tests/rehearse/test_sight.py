"""Line of sight of laser and camera on a real part with its table, judged by Open3D's ray caster."""

from pathlib import Path

import numpy as np
import pytest

from runner.nominal.step import read
from runner.rehearse.scanner import ScannerSettings, scan
from runner.rehearse.truth import PART, TABLE

RECIPES = Path(__file__).resolve().parents[2] / "recipes"
STEP_BACK = 0.05
"""mm towards the eye before casting: more than the mesh's chord error of 0.01 mm at the grazing limit."""


@pytest.fixture(scope="module")
def bracket():
    path = RECIPES / "mast-bracket.step"
    return read(path, path.read_bytes(), "")


def hidden_share(nominal, truth, rows, towards_eye):
    """Share of the rows whose way to the eye is barred by the part."""
    import open3d

    scene = open3d.t.geometry.RaycastingScene()
    scene.add_triangles(nominal.mesh.vertices.astype(np.float32), nominal.mesh.triangles.astype(np.uint32))
    starts = truth.exact[rows] + STEP_BACK * towards_eye
    rays = np.concatenate([starts, towards_eye], axis=1).astype(np.float32)
    return np.isfinite(scene.cast_rays(open3d.core.Tensor(rays))["t_hit"].numpy()).mean()


@pytest.mark.parametrize("mode", ["all round", "on table"])
def test_laser_and_camera_see_every_point(bracket, mode):
    _, truth = scan(bracket, ScannerSettings(seed=31, mode=mode, stripe_spacing=0.7, point_spacing=0.7))
    for rows in (np.flatnonzero(truth.label == PART), np.flatnonzero(truth.label == TABLE)):
        assert len(rows) > 10_000
        view = truth.view[rows]
        assert hidden_share(bracket, truth, rows, -truth.directions[view]) < 5e-4
        assert hidden_share(bracket, truth, rows, -truth.cameras[view]) < 5e-4
        # the check can fail: another pass's eye does not see them all
        other = (view + 3) % len(truth.directions)
        assert hidden_share(bracket, truth, rows, -truth.directions[other]) > 0.02


def test_camera_makes_shadows(bracket):
    blind = scan(bracket, ScannerSettings(seed=31, mode="on table", camera_angle=0.0, layers=99, stripe_spacing=0.7))[1]
    seen = scan(bracket, ScannerSettings(seed=31, mode="on table", camera_angle=25.0, layers=99, stripe_spacing=0.7))[1]
    assert len(seen.view) < 0.95 * len(blind.view)
    angle = np.degrees(np.arccos(np.einsum("ij,ij->i", seen.directions, seen.cameras)))
    assert angle == pytest.approx(25.0)


def test_table_is_seen_around_the_part_but_not_under_it(bracket):
    _, truth = scan(bracket, ScannerSettings(seed=32, mode="on table", stripe_spacing=0.7, point_spacing=0.7))
    table = truth.exact[truth.label == TABLE]
    assert np.abs(table[:, 2]).max() < 1e-9
    # the base plate lies on it: 0 to 140 by 0 to 65 mm, with holes through which the table shows
    under = (table[:, 0] > 6) & (table[:, 0] < 139) & (table[:, 1] > 1) & (table[:, 1] < 64)
    holes = np.array([[42, 28], [108, 28], [70, 12], [70, 48], [128, 10], [128, 50]], float)
    nearest = np.min(np.linalg.norm(table[under][:, None, :2] - holes, axis=2), axis=1)
    assert under.sum() > 20 and nearest.max() < 10.0
    low, high = table.min(axis=0), table.max(axis=0)
    assert low[:2] == pytest.approx([-25, -25], abs=1.0) and high[:2] == pytest.approx([165, 95], abs=1.0)
