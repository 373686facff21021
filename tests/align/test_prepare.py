"""Scan preparation: normals of awkward clouds, the table, thin sheet."""

from __future__ import annotations

import numpy as np

from runner.align.noise import local_noise
from runner.align.planes import find_supports, find_table
from runner.align.prepare import prepare_scan, scan_normals, voxel_mean
from runner.geometry.mesh import ScanGeometry


def test_normals_of_a_noisy_striped_cloud_see_the_plane():
    rng = np.random.default_rng(0)
    x, y = np.meshgrid(np.arange(0, 100, 0.4), np.arange(0, 100, 2.5), indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), rng.normal(scale=0.8, size=x.size)])
    normals, signed = scan_normals(ScanGeometry(points))
    assert not signed.any()
    assert np.median(np.abs(normals[:, 2])) > 0.97


def test_both_faces_of_thin_sheet_survive_thinning():
    rng = np.random.default_rng(1)
    flat = rng.uniform(0, 50, size=(20_000, 2))
    top = np.column_stack([flat, np.full(len(flat), 1.0)])
    bottom = np.column_stack([flat, np.zeros(len(flat))])
    normals = np.repeat([[0.0, 0, 1], [0, 0, -1]], len(flat), axis=0)
    mean, facing, _ = voxel_mean(np.vstack([top, bottom]), normals, np.ones(2 * len(flat), dtype=bool), 2.5)
    assert np.allclose(mean[facing[:, 2] > 0, 2], 1.0)
    assert np.allclose(mean[facing[:, 2] < 0, 2], 0.0)
    # without signs no mean may lie between the faces
    loose, _, _ = voxel_mean(np.vstack([top, bottom]), normals, np.zeros(2 * len(flat), dtype=bool), 2.5)
    assert set(np.round(loose[:, 2], 9)) <= {0.0, 1.0}


def test_a_large_plane_is_a_table_and_a_small_one_is_not():
    rng = np.random.default_rng(2)
    flat = rng.uniform(-150, 150, size=(8000, 2))
    up = np.tile([0.0, 0, 1], (8000, 1))
    points = np.column_stack([flat, rng.normal(scale=0.02, size=8000)])
    above = np.column_stack([rng.uniform(-20, 20, (500, 2)), rng.uniform(5, 30, 500)])
    everything, normals = np.vstack([points, above]), np.vstack([up, np.tile([1.0, 0, 0], (500, 1))])
    table = find_table(everything, normals, 100.0, 0.3)
    assert table is not None
    assert table.normal[2] > 0.9999
    assert abs(table.offset) < 0.01
    assert find_table(everything, normals, 500.0, 0.3) is None


def test_the_thickness_of_dense_sheet_is_not_noise():
    rng = np.random.default_rng(3)
    flat = rng.uniform(0, 200, size=(600_000, 2))
    points = np.column_stack([flat, np.where(rng.random(len(flat)) < 0.5, 0.0, 2.0)])
    points += rng.normal(scale=0.02, size=points.shape)
    # every seventh point of these would see both faces at once
    assert 0.015 < local_noise(points) < 0.025


def test_planes_with_nothing_beyond_them_are_supports():
    rng = np.random.default_rng(4)
    floor = np.column_stack([rng.uniform(0, 100, (6000, 2)), np.zeros(6000)])
    step = np.column_stack([rng.uniform(20, 60, (3000, 2)), np.full(3000, 20.0)])
    shelf = np.column_stack([rng.uniform(60, 80, (2000, 2)), np.full(2000, 10.0)])
    points = np.vstack([floor, step, shelf]) + rng.normal(scale=0.02, size=(11_000, 3))
    found = find_supports(points, np.tile([0.0, 0, 1], (11_000, 1)), 0.3, 140.0)
    heights = sorted(round(float(p.offset * p.normal[2]), 1) for p in found)
    # the shelf has the step above it and the floor below
    assert heights == [0.0, 20.0]
    assert all(np.mean(p.height(points) > -0.3) > 0.99 for p in found)


def test_an_empty_and_a_flat_scan_prepare_without_complaint():
    assert len(prepare_scan(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, dtype=bool), 100.0).points) == 0
    same = np.ones((300, 3))
    assert len(prepare_scan(same, np.tile([0.0, 0, 1], (300, 1)), np.ones(300, dtype=bool), 100.0).points) <= 300
