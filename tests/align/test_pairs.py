"""Pairs of scan points and nominal surface: the compiled loops against plain sums over one point at a time."""

from __future__ import annotations

import numpy as np
import parts
import pytest
from scipy.spatial.transform import Rotation

from runner.align.bins import DirectionBins
from runner.align.icp import COMPATIBLE
from runner.align.refine import pair_up, polish
from runner.geometry.bvh import closest_on_triangle

REACH = 4.0


@pytest.fixture(scope="module")
def nominal():
    return parts.nominal_of(*parts.mesh_of(parts.cut(parts.box(40, 30, 20), parts.rod(5, 30, (12, 14, -5)))))


def by_hand(nominal, point, normal, signed):
    """Foot, normal and distance of the nearest triangle among those of the bin of a normal, by trying each."""
    corners = nominal.mesh.vertices[nominal.mesh.triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    facing = cross / np.linalg.norm(cross, axis=1)[:, None]
    axis = int(np.argmax(np.abs(normal)))
    best = (np.inf, None, None)
    for sign in (np.sign(normal[axis]),) if signed else (1.0, -1.0):
        for k in np.flatnonzero(sign * facing[:, axis] > 0.34):
            d2, x, y, z, _ = closest_on_triangle(*point, np.ascontiguousarray(corners.reshape(-1, 9)), k)
            if np.sqrt(d2) < best[0] - 1e-12:
                best = (np.sqrt(d2), np.array([x, y, z]), facing[k])
    return best


@pytest.mark.parametrize("known", ["all", "none", "some"])
def test_each_pair_is_the_nearest_surface_that_faces_the_points_way(nominal, known):
    rng = np.random.default_rng(3)
    points = rng.uniform((-3, -3, -3), (43, 33, 23), (60, 3))
    normals = Rotation.random(60, random_state=4).as_matrix()[:, 0]
    signed = {"all": np.ones(60, bool), "none": np.zeros(60, bool), "some": rng.random(60) > 0.5}[known]
    turns, shifts = Rotation.random(3, random_state=5).as_matrix(), rng.normal(size=(3, 3))
    # poses that leave the points about the part
    shifts += np.array([20, 15, 10]) - turns @ np.array([20, 15, 10])
    pairs = pair_up(DirectionBins(nominal), turns, shifts, points, normals, signed, REACH)
    paired = 0
    for p in range(3):
        moved, turned = points @ turns[p].T + shifts[p], normals @ turns[p].T
        assert pairs.moved[p] == pytest.approx(moved, abs=1e-12)
        for i in range(60):
            distance, foot, facing = by_hand(nominal, moved[i], turned[i], signed[i])
            cosine = 0.0 if foot is None else turned[i] @ facing
            if not distance <= REACH or (cosine if signed[i] else abs(cosine)) < COMPATIBLE:
                if distance < REACH - 1e-9 and pairs.distance[p, i] < np.inf:
                    # two triangles at the same distance: either may stand for the surface
                    assert pairs.distance[p, i] == pytest.approx(distance, abs=1e-9)
                    continue
                assert pairs.distance[p, i] == np.inf
                assert pairs.r[p, i] == pairs.gap[p, i] == 0.0
                assert not pairs.across[p, i].any()
                continue
            if pairs.distance[p, i] == np.inf:
                continue
            paired += 1
            assert pairs.distance[p, i] == pytest.approx(distance, abs=1e-9)
            # along the normal and aside of it, together the distance
            assert np.hypot(pairs.r[p, i], pairs.gap[p, i]) == pytest.approx(distance, abs=1e-9)
            away = pairs.r[p, i] * pairs.normal[p, i] + pairs.gap[p, i] * pairs.across[p, i]
            assert away == pytest.approx(moved[i] - foot, abs=1e-9)
    assert paired > 20


def test_a_pose_that_stands_still_is_polished_alike_alone_and_among_others(nominal):
    rng = np.random.default_rng(6)
    points = rng.uniform(0, 1, (3000, 3)) * (40, 30, 20)
    face = rng.integers(3, size=3000)
    side = rng.integers(2, size=3000)
    points[np.arange(3000), face] = side * np.array([40.0, 30.0, 20.0])[face]
    normals = np.zeros((3000, 3))
    normals[np.arange(3000), face] = 2.0 * side - 1.0
    turns = Rotation.from_rotvec(np.radians([[0.0, 0, 0], [1.5, 0, 1], [0, 2, 0]])).as_matrix()
    shifts = np.array([[0.0, 0, 0], [0.4, -0.3, 0.2], [0.1, 0.5, -0.5]])
    bins, signed = DirectionBins(nominal), np.ones(3000, bool)
    rest = (points, normals, signed, np.array([20.0, 15, 10]), 27.0, 1.0, 25, 1e-4, 3.0)
    together = polish(bins, turns, shifts, *rest)
    for p in range(3):
        alone = polish(bins, turns[p : p + 1], shifts[p : p + 1], *rest)
        assert np.array_equal(alone[0][0], together[0][p])
        assert np.array_equal(alone[1][0], together[1][p])
        assert alone[2][0] == together[2][p] < 1e-4
        assert together[0][p] == pytest.approx(np.eye(3), abs=1e-4)
