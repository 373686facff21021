"""Specks near a surface are told from burrs: one stands alone, the other is a group, however small."""

import numpy as np
import pytest

from runner.measure.detached import detached
from runner.measure.features import measure_features

SPACING = 0.4


def plane(seed=0):
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(0, 20, SPACING), np.arange(0, 20, SPACING))
    flat = np.column_stack([x.ravel(), y.ravel()]) + rng.uniform(-0.1, 0.1, (x.size, 2))
    return np.column_stack([flat, 0.015 * rng.normal(size=len(flat))])


@pytest.mark.parametrize("height", [0.2, -0.2, 0.4, 0.9])
def test_a_lone_point_off_the_surface(height):
    p = np.vstack([plane(), [[10.1, 10.05, height]]])
    assert np.flatnonzero(detached(p, p[:, 2], SPACING)).tolist() == [len(p) - 1]


def test_a_burr_of_three_points_stays():
    burr = np.array([[10.0, 10.0, 0.30], [10.3, 10.1, 0.35], [10.1, 10.4, 0.28]])
    p = np.vstack([plane(), burr])
    assert not detached(p, p[:, 2], SPACING).any()


def test_a_dent_a_step_and_a_bow_stay():
    p = plane()
    p[:, 2] -= 0.5 * np.exp(-((p[:, 0] - 10) ** 2 + (p[:, 1] - 10) ** 2) / 2)
    assert not detached(p, p[:, 2], SPACING).any()
    p = plane()
    p[p[:, 0] > 19.0, 2] += 0.5
    assert not detached(p, p[:, 2], SPACING).any()
    p = plane()
    p[:, 2] += 0.01 * (p[:, 0] - 10) ** 2
    assert not detached(p, p[:, 2], SPACING).any()


def test_noise_alone_is_never_detached():
    assert sum(int(detached(p, p[:, 2], SPACING).sum()) for p in map(plane, range(20))) == 0


def test_nothing_to_judge():
    assert detached(np.zeros((0, 3)), np.zeros(0), SPACING).shape == (0,)
    assert not detached(np.zeros((3, 3)), np.array([0.0, 0.0, 5.0]), SPACING).any()


def test_a_bore_with_specks_and_unsigned_normals(
    plate, plate_index, plate_part, plate_sample, plate_specs, make_plan, make_scene
):
    points, normals = plate_sample(plate_part(noise=0.015), seed=3)
    rng = np.random.default_rng(4)
    angle, z = rng.uniform(0, 2 * np.pi, 8), rng.uniform(4, 16, 8)
    radius = 6.0 + rng.choice([-1, 1], 8) * rng.uniform(0.2, 0.7, 8)
    radial = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(8)])
    specks = np.array([30.0, 40.0, 0.0]) + radius[:, None] * radial + z[:, None] * [0, 0, 1]
    # estimated normals of a speck are those of the surface behind it
    scene = make_scene(np.vstack([points, specks]), np.vstack([normals, radial]), signed=False)
    found = measure_features(make_plan([plate_specs["bore a"]]), plate, plate_index, scene)["bore a"]
    assert found.ok, found.reason
    residual = np.hypot(found.points[:, 0] - 30, found.points[:, 1] - 40) - 6.0
    assert np.abs(residual).max() < 0.1
    assert found.rejected == 8
    assert found.shape.radius == pytest.approx(6.0, abs=0.002)
