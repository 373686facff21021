"""Best fit against SciPy's general least-squares solver and against known motions."""

from __future__ import annotations

import numpy as np
import pytest
import sampler
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from runner.align.best_fit import best_fit


def _points(part, seed=0, count=4000, noise=0.0):
    rng = np.random.default_rng(seed)
    mesh = part.nominal.mesh
    points, normals = sampler.area_samples(mesh.vertices, mesh.triangles, count, rng)
    return points + noise * rng.normal(size=(count, 1)) * normals, normals


def _nudge(angle, shift, axis=(1, 2, 3)):
    pose = np.eye(4)
    pose[:3, :3] = Rotation.from_rotvec(angle * np.array(axis) / np.linalg.norm(axis)).as_matrix()
    pose[:3, 3] = shift
    return pose


def test_known_motion_is_undone(prepared):
    part = prepared("block")
    points, _ = _points(part)
    start = _nudge(2e-3, (0.1, -0.15, 0.05))
    fit = best_fit(points, start, part.index, reach=1.0)
    assert not fit.reason
    assert np.abs(fit.nominal_from_scan - np.eye(4)).max() < 1e-6
    assert fit.last_step < 1e-8


def test_same_minimum_as_scipy(prepared):
    part = prepared("block")
    points, _ = _points(part, seed=1, count=3000, noise=0.05)
    fit = best_fit(points, _nudge(1e-3, (0.05, 0.02, -0.03)), part.index, reach=1.0)
    used = points[fit.used]

    def residuals(x):
        turn = Rotation.from_rotvec(x[:3] / 50.0).as_matrix()
        return part.index.closest(used @ turn.T + x[3:]).distance

    free = least_squares(residuals, np.zeros(6), xtol=1e-14, ftol=1e-14, gtol=1e-14)
    turn = Rotation.from_rotvec(free.x[:3] / 50.0).as_matrix()
    assert (
        np.abs(
            used @ turn.T + free.x[3:] - (used @ fit.nominal_from_scan[:3, :3].T + fit.nominal_from_scan[:3, 3])
        ).max()
        < 1e-5
    )
    ours = part.index.closest(used @ fit.nominal_from_scan[:3, :3].T + fit.nominal_from_scan[:3, 3]).distance
    assert (ours**2).sum() <= (free.fun**2).sum() * (1 + 1e-9)


def test_reach_keeps_a_bent_flange_from_pulling(prepared):
    part = prepared("clip")
    points, normals = _points(part, seed=2, count=6000)
    bent = points.copy()
    wing = points[:, 2] > 15
    bent[wing, 0] -= 1.5
    assert (
        np.abs(best_fit(bent, np.eye(4), part.index, reach=0.5, normals=normals).nominal_from_scan - np.eye(4)).max()
        < 2e-3
    )
    wide = best_fit(bent, np.eye(4), part.index, reach=5.0, normals=normals)
    assert np.abs(wide.nominal_from_scan[:3, 3]).max() > 0.02


def test_selected_faces_and_locked_degrees(prepared):
    part = prepared("block")
    points, _ = _points(part, seed=3)
    start = _nudge(0.0, (0.2, -0.1, 0.15))
    only_z = best_fit(points, start, part.index, reach=1.0, locked=("rx", "ry", "rz", "x", "y"))
    assert only_z.nominal_from_scan[:2, 3] == pytest.approx(start[:2, 3], abs=0)
    assert abs(only_z.nominal_from_scan[2, 3]) < 0.02
    # one plane can't hold a part
    face = np.bincount(part.index.closest(points).face).argmax()
    mask = np.zeros(len(part.nominal.faces), dtype=bool)
    mask[face] = True
    fit = best_fit(points, np.eye(4), part.index, reach=1.0, faces=mask)
    assert "don't hold" in fit.reason


def test_no_points_in_reach_is_a_reason(prepared):
    part = prepared("block")
    points, _ = _points(part)
    assert "points lie within" in best_fit(points + 500.0, np.eye(4), part.index, reach=1.0).reason
    with pytest.raises(ValueError, match="unknown degree"):
        best_fit(points, np.eye(4), part.index, reach=1.0, locked=("scale",))
