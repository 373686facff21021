"""Real scans from the shared data folder, when it is there (its licences don't allow a copy in here)."""

from __future__ import annotations

import models
import numpy as np
import parts
import pytest
import sampler

from runner.align.model import prepare_model
from runner.align.run import align
from runner.align.types import AlignSettings
from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import ScanGeometry
from runner.records import PoseStatus

SHARED = models.shared_folder()
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(SHARED is None or not (SHARED / "real").is_dir(), reason="the shared real scans are not here"),
]


def _truth(matrix):
    pose = np.array(matrix, dtype=float)
    pose[:3, 3] *= 1000.0
    return pose


def _cloud(path):
    import open3d

    return np.asarray(open3d.io.read_point_cloud(str(path)).points) * 1000.0


def _prepared(path, closed):
    from dataclasses import replace

    import open3d

    mesh = open3d.io.read_triangle_mesh(str(path))
    mesh.merge_close_vertices(1e-9)
    nominal = parts.nominal_of(np.asarray(mesh.vertices) * 1000.0, np.asarray(mesh.triangles).astype(np.int32))
    nominal = replace(nominal, closed=closed)
    index = SurfaceIndex.build(nominal)
    return nominal, index, prepare_model(nominal, index)


def _document():
    import yaml

    return yaml.safe_load((SHARED / "real" / "truth.yaml").read_text())


def test_range_views_meet_their_published_pose():
    """Published with the data, good to about 0.1 deg and 0.1 mm (README of the data)."""
    folder = SHARED / "real" / "range_views"
    part = _prepared(folder / "bun_zipper_res2.ply", closed=False)
    poses = {"bun000.ply": np.eye(4), "bun045.ply": _truth(_document()["range_views"]["T_bun000_from_bun045"])}
    for name, truth in poses.items():
        found = align(ScanGeometry(_cloud(folder / name)), *part, AlignSettings())
        assert found.status is PoseStatus.ALIGNED, found.reason
        angle_deg, off_mm = sampler.pose_error(found.nominal_from_scan, truth, part[0])
        assert angle_deg < 0.15
        assert off_mm < 0.4


@pytest.mark.parametrize("name", ["tee_x0y24", "tee_x4y24_45"])
def test_tube_on_a_table_is_right_or_refused(name):
    """Truth derived from commanded placement, good to 3 mm and 0.5 deg near the part's middle (README of the data)."""
    folder = SHARED / "real" / "part_on_table"
    part = _prepared(folder / "tee_nominal.ply", closed=True)
    found = align(
        ScanGeometry(_cloud(folder / f"{name}.pcd")), *part, AlignSettings(expected_form_error=2.0, fit_reach=5.0)
    )
    if found.status is PoseStatus.ALIGNED:
        truth = _truth(_document()["part_on_table"][f"T_nominal_from_{name}"])
        angle_deg, off_mm = sampler.pose_error(found.nominal_from_scan, truth, part[0])
        assert angle_deg < 1.5
        assert off_mm < 8.0
    else:
        assert found.reason
        assert found.advice
