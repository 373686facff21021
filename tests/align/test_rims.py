"""Sharp borders of a nominal; the lengths come from the solids' own dimensions."""

from __future__ import annotations

import numpy as np
import parts
import pytest
import sampler

from runner.align.rims import Rims, rims_of, sharp_edges

LOW, HIGH = np.array([0.0, 0, 0]), np.array([40.0, 30, 10])


@pytest.fixture(scope="module")
def box():
    return parts.nominal_of(*sampler.box_mesh(LOW, HIGH))


def length(segments):
    return np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1).sum()


def test_a_box_has_its_twelve_edges_and_no_diagonals(box):
    segments = sharp_edges(box)
    assert len(segments) == 12
    assert length(segments) == pytest.approx(4 * (40 + 30 + 10))


def test_a_smooth_wall_has_no_rims_but_its_ends():
    vertices, triangles, face = parts.mesh_of(parts.rod(10, 20, (0, 0, 0)))
    segments = sharp_edges(parts.nominal_of(vertices, triangles, face))
    # two circles of radius 10, as polygons with a chord error of 0.02 mm
    assert length(segments) == pytest.approx(2 * 2 * np.pi * 10, rel=0.01)
    assert np.allclose(np.hypot(segments[..., 0], segments[..., 1]), 10.0, atol=1e-6)


def test_where_a_sheet_ends_there_is_a_rim():
    sheet = parts.nominal_of(np.array([[0.0, 0, 0], [20, 0, 0], [20, 10, 0], [0, 10, 0]]),
                             np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32))  # fmt: skip
    assert length(sharp_edges(sheet)) == pytest.approx(2 * (20 + 10))


@pytest.mark.parametrize("within", [0.05, 0.3, 1.0, 8.0])
def test_nearness_is_the_distance_to_the_nearest_edge(box, within):
    rng = np.random.default_rng(1)
    points = rng.uniform(LOW - 12, HIGH + 12, (40_000, 3))
    # half of them about an upright edge
    points[:20_000, :2] = HIGH[:2] + rng.normal(scale=within, size=(20_000, 2))
    # to an axis-parallel edge: along the edge clamp, across it both coordinates count
    away = np.full(len(points), np.inf)
    for axis in range(3):
        others = [k for k in range(3) if k != axis]
        along = np.maximum(np.maximum(LOW[axis] - points[:, axis], points[:, axis] - HIGH[axis]), 0)
        for a in (LOW, HIGH):
            for b in (LOW, HIGH):
                across = points[:, others] - np.array([a[others[0]], b[others[1]]])
                away = np.minimum(away, np.sqrt((across**2).sum(axis=1) + along**2))
    near = rims_of(box).near(points, within)
    # the samples lie 0.1 mm apart
    sure = np.abs(away - within) > 0.025
    assert np.array_equal(near[sure], away[sure] < within)
    assert near.any()
    assert not near.all()


def test_made_once_and_nothing_near_nothing(box):
    assert rims_of(box) is rims_of(box)
    assert rims_of(box).near(np.zeros((0, 3)), 1.0).shape == (0,)
    assert Rims(box, 0.1).step == pytest.approx(0.1)
