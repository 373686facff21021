"""A table hardly wider than the part, and what must not pass for one."""

from __future__ import annotations

import numpy as np
import parts
import pytest
import sampler

from runner.align.model import prepare_model
from runner.align.run import align
from runner.align.types import KEPT, TABLE, AlignSettings
from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import ScanGeometry
from runner.records import PoseStatus


def scanned_all_round(nominal, seed, *, margin=None, signed=True, count=50_000, noise=0.02, seen=None):
    """The whole surface, base too (turned over), and a table flush with it that ends ``margin`` mm beyond the part."""
    rng = np.random.default_rng(seed)
    points, normals = sampler.area_samples(nominal.mesh.vertices, nominal.mesh.triangles, count, rng)
    if seen is not None:
        points, normals = points[seen(normals)], normals[seen(normals)]
    low, high = nominal.bounds
    table = np.zeros((0, 3))
    if margin is not None:
        xy = rng.uniform(low[:2] - margin, high[:2] + margin, size=(count, 2))
        xy = xy[np.any((xy < low[:2]) | (xy > high[:2]), axis=1)]
        table = np.column_stack([xy, np.full(len(xy), low[2])])
    on_table = np.arange(len(points) + len(table)) >= len(points)
    points = np.vstack([points, table])
    normals = np.vstack([normals, np.tile([0.0, 0, 1], (len(table), 1))])
    base = ~on_table & (normals[:, 2] < -0.9) & (points[:, 2] < low[2] + 1e-6)
    points = points + noise * rng.normal(size=points.shape)
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = sampler.random_rotation(rng), rng.uniform(-500, 500, 3)
    turned = normals @ pose[:3, :3].T
    scan = ScanGeometry(points @ pose[:3, :3].T + pose[:3, 3], normals=turned, normals_signed=True)
    if not signed:
        scan = ScanGeometry(scan.points)
    return scan, np.linalg.inv(pose), on_table, base


@pytest.mark.parametrize(
    ("name", "margin", "signed"),
    [("block", 5.0, True), ("block", 5.0, False), ("block", 14.0, False), ("clip", 5.0, True), ("clip", 5.0, False)],
)
def test_a_table_hardly_wider_than_the_part_is_a_table(prepared, name, margin, signed):
    """5 mm beyond the part is less than the 1.1 diagonals from which a plane is too large to be the part's."""
    part = prepared(name)
    scan, truth, on_table, base = scanned_all_round(part.nominal, 3, margin=margin, signed=signed)
    found = align(scan, part.nominal, part.index, part.model, AlignSettings())
    assert found.status is PoseStatus.ALIGNED, found.reason
    assert sampler.pose_error(found.nominal_from_scan, truth, part.nominal)[1] < 0.03
    # where table and part meet, the estimated normal of a point without sign is neither's
    assert np.mean(found.removed[on_table] == TABLE) > (0.99 if signed else 0.9)
    assert np.mean(found.removed[~on_table] == KEPT) > (0.995 if signed else 0.99)
    assert np.mean(found.removed[base] == KEPT) > (0.995 if signed else 0.98)


def test_a_base_scanned_without_table_stays(prepared):
    part = prepared("block")
    for signed in (True, False):
        scan, truth, _, base = scanned_all_round(part.nominal, 4, signed=signed)
        found = align(scan, part.nominal, part.index, part.model, AlignSettings())
        assert found.status is PoseStatus.ALIGNED, found.reason
        assert sampler.pose_error(found.nominal_from_scan, truth, part.nominal)[1] < 0.03
        assert not np.any(found.removed == TABLE)
        assert np.mean(found.removed[base] == KEPT) > 0.999


@pytest.fixture(scope="module")
def plate():
    nominal = parts.nominal_of(*parts.mesh_of(parts.cut(parts.box(100, 60, 10), parts.rod(8, 20, (25, 20, -1)))))
    index = SurfaceIndex.build(nominal)
    return nominal, index, prepare_model(nominal, index)


@pytest.mark.parametrize("signed", [True, False])
@pytest.mark.parametrize(
    "seen", [None, lambda n: n[:, 2] > -0.5, lambda n: n[:, 2] < 0.5], ids=["all round", "from above", "from below"]
)
def test_a_larger_plate_is_not_excused_as_a_table(plate, signed, seen):
    """The same plate, 30 and 20 mm larger: its faces run on where the nominal ends, tangent to it as a table is."""
    larger = parts.nominal_of(*parts.mesh_of(parts.cut(parts.box(130, 80, 10), parts.rod(8, 20, (25, 20, -1)))))
    scan, _, _, _ = scanned_all_round(larger, 5, signed=signed, seen=seen)
    found = align(scan, *plate, AlignSettings())
    assert found.status is PoseStatus.NOT_ALIGNED
    assert found.reason


def test_a_bare_table_is_no_part(plate):
    rng = np.random.default_rng(6)
    xy = rng.uniform(0, 115, size=(40_000, 2)) * (1.0, 0.65)
    points = np.column_stack([xy, 0.02 * rng.normal(size=len(xy))])
    for normals in (None, np.tile([0.0, 0, 1], (len(points), 1))):
        scan = ScanGeometry(points, normals=normals, normals_signed=normals is not None)
        assert align(scan, *plate, AlignSettings()).status is not PoseStatus.ALIGNED
