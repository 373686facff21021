"""The last stage of the pose: one end from every start, as sure as least squares can be, or none."""

from __future__ import annotations

import numpy as np
import parts
import pytest
import sampler
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from runner.align import settle
from runner.align.settle import settle_pose
from runner.align.weights import COUNTED, area_weights, form_of
from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import invert, move_points, rigid

NOISE = 0.02


class Part:
    def __init__(self, nominal):
        self.nominal, self.index = nominal, SurfaceIndex.build(nominal)
        low, high = nominal.bounds
        self.centre, self.half = 0.5 * (low + high), 0.5 * float(np.linalg.norm(high - low))

    def scan(self, seed, count=12_000, keep=None):
        """Points and normals in a frame of their own, and the true nominal_from_scan."""
        rng = np.random.default_rng(seed)
        points, normals = sampler.area_samples(self.nominal.mesh.vertices, self.nominal.mesh.triangles, count, rng)
        if keep is not None:
            points, normals = points[keep(points, normals)], normals[keep(points, normals)]
        points = points + NOISE * rng.normal(size=points.shape)
        truth = rigid(sampler.random_rotation(rng), rng.uniform(-500, 500, 3))
        back = invert(truth)
        return move_points(back, points), normals @ back[:3, :3].T, truth

    def settle(self, pose, points, normals, free=None, signed=True):
        known = np.full(len(points), signed)
        return settle_pose(
            self.nominal, self.index, pose, points, normals, known, self.centre, self.half, 1.0, NOISE, free
        )

    def pushed(self, pose, rng, size=0.05):
        """The pose moved by about ``size`` mm at the part's corners."""
        turn = Rotation.from_rotvec(size / self.half * rng.normal(size=3)).as_matrix()
        return rigid(turn, self.centre - turn @ self.centre + size * rng.normal(size=3)) @ pose

    def apart(self, first, second):
        """Largest distance at the corners, um, and angle, arcsec."""
        low, high = self.nominal.bounds
        corners = np.array([[(low, high)[i >> k & 1][k] for k in range(3)] for i in range(8)])
        motion = first @ invert(second)
        # of so small a turn the sine is the angle; an arc cosine would see rounding only
        skew = 0.5 * np.array([motion[2, 1] - motion[1, 2], motion[0, 2] - motion[2, 0], motion[1, 0] - motion[0, 1]])
        off = 1000.0 * np.linalg.norm(move_points(motion, corners) - corners, axis=1).max()
        return off, 3600.0 * np.rad2deg(np.linalg.norm(skew))


@pytest.fixture(scope="module")
def block():
    return Part(parts.build("block"))


@pytest.mark.parametrize("signed", [True, False])
def test_every_start_leads_to_the_same_pose(block, signed):
    points, normals, truth = block.scan(1)
    rng = np.random.default_rng(2)
    ends = [block.settle(block.pushed(truth, rng), points, normals, signed=signed) for _ in range(5)]
    for end in ends[1:]:
        off_um, turn_arcsec = block.apart(end.nominal_from_scan, ends[0].nominal_from_scan)
        assert off_um < 0.1
        assert turn_arcsec < 0.1
    assert ends[0].last_step < 1e-5
    # Tukey's weights at six standard deviations leave 0.8924 of the mean square of normal noise (moments 1, 3, 15)
    assert ends[0].rms == pytest.approx(NOISE * 0.8924**0.5, rel=0.02)
    assert block.apart(ends[0].nominal_from_scan, truth)[0] < 5.0


def test_a_turned_scan_leads_to_the_same_pose(block):
    points, normals, truth = block.scan(3)
    rng = np.random.default_rng(4)
    first = block.settle(block.pushed(truth, rng), points, normals).nominal_from_scan
    for _ in range(3):
        turn = rigid(sampler.random_rotation(rng), rng.uniform(-2000, 2000, 3))
        found = block.settle(
            block.pushed(truth @ invert(turn), rng), move_points(turn, points), normals @ turn[:3, :3].T
        )
        off_um, turn_arcsec = block.apart(found.nominal_from_scan @ turn, first)
        assert off_um < 0.1
        assert turn_arcsec < 0.1


def test_the_error_is_what_the_covariance_says(block):
    """Squared errors over their covariance follow chi-square with six degrees of freedom (SciPy)."""
    total = 0.0
    for seed in range(12):
        points, normals, truth = block.scan(100 + seed, 6_000)
        end = block.settle(block.pushed(truth, np.random.default_rng(seed)), points, normals)
        motion = end.nominal_from_scan @ invert(truth)
        shift = motion[:3, :3] @ block.centre + motion[:3, 3] - block.centre
        error = np.concatenate([Rotation.from_matrix(motion[:3, :3]).as_rotvec(), shift])
        total += float(error @ np.linalg.solve(end.covariance, error))
    low, high = chi2.ppf([0.0005, 0.9995], 6 * 12)
    assert low < total < high


def test_a_face_scanned_twenty_times_as_densely_does_not_outweigh_the_rest():
    """A block 0.1 mm too long between two faces: each pulls alike, however densely it was scanned."""
    part = Part(parts.nominal_of(*sampler.box_mesh(np.zeros(3), np.array([40.0, 40, 40]))))

    def sits(thinned):
        rng = np.random.default_rng(7)
        points, normals = sampler.area_samples(part.nominal.mesh.vertices, part.nominal.mesh.triangles, 60_000, rng)
        points = points + 0.05 * normals * (np.abs(normals[:, :1]) > 0.5) + NOISE * rng.normal(size=points.shape)
        keep = (rng.random(len(points)) < 0.05) | (normals[:, 0] > 0.5) | (not thinned)
        return part.settle(np.eye(4), points[keep], normals[keep]).nominal_from_scan[0, 3]  # mm along x

    # all points equal would put the fit 0.045 mm off, on the dense face; weights are limited to eight times either way
    assert abs(sits(False)) < 0.001
    assert abs(sits(True)) < 0.035


def test_weights_are_the_area_that_a_point_stands_for():
    rng = np.random.default_rng(3)
    points = np.column_stack([rng.uniform(0, 100, 20_000), rng.uniform(0, 100, 20_000), np.zeros(20_000)])
    dense = points[:, 0] < 50
    keep = dense | (rng.random(20_000) < 0.25)
    weight = area_weights(points[keep])
    sums = [weight[dense[keep]].sum(), weight[~dense[keep]].sum()]
    assert sums[0] == pytest.approx(sums[1], rel=0.05)
    # the same however the scan lies, also where only a part of the points is asked
    turn = rigid(sampler.random_rotation(rng), rng.uniform(-500, 500, 3))
    assert np.allclose(area_weights(move_points(turn, points[keep])), weight)
    many = np.repeat(points[keep], 8, axis=0) + rng.normal(scale=0.02, size=(8 * int(keep.sum()), 3))
    sums = [area_weights(many)[np.repeat(side[keep], 8)].sum() for side in (dense, ~dense)]
    assert sums[0] == pytest.approx(sums[1], rel=0.05)


def test_a_true_part_shows_no_form_to_the_fit(block, monkeypatch):
    """Its faces lie at borders of places: were the points counted and not their feet, noise would part them by sign."""
    seen = []

    def watched(*given):
        seen.append(form_of(*given))
        return seen[-1]

    monkeypatch.setattr(settle, "form_of", watched)
    points, normals, truth = block.scan(8, 60_000)
    block.settle(truth, points, normals)
    assert len(seen) >= 1
    assert max(seen) < 0.1


def test_a_free_turn_is_left_alone():
    part = Part(parts.build("bushing"))
    points, normals, truth = part.scan(5)
    start = part.pushed(truth, np.random.default_rng(6), 0.02)
    # the bushing's axis is z through the origin
    axis = np.array([0.0, 0, 1])
    free = np.concatenate([axis, np.cross(axis, part.centre) / part.half])
    end = part.settle(start, points, normals, free / np.linalg.norm(free))
    motion = end.nominal_from_scan @ invert(start)
    assert abs(Rotation.from_matrix(motion[:3, :3]).as_rotvec()[2]) < 1e-6
    true = end.nominal_from_scan @ invert(truth)
    assert np.linalg.norm(true[:2, 2]) < 1e-4
    assert np.linalg.norm(true[:3, 3]) < 0.005


def test_surfaces_that_hold_nothing_settle_nothing(block):
    points, normals, truth = block.scan(1, keep=lambda p, n: n[:, 2] > 0.9)
    assert block.settle(truth, points, normals) is None
    assert block.settle(truth, points[:20], normals[:20]) is None


def test_one_point_less_leaves_the_other_weights_as_they_were():
    """Were the neighbours drawn by place, all weights would change, and a bent part's pose by 20 um with them."""
    points = np.random.default_rng(3).uniform(0.0, 100.0, (2 * COUNTED, 3))
    points[:, 2] *= 0.001
    whole, less = area_weights(points), area_weights(points[1:])
    assert np.mean(np.abs(whole[1:] / less - 1.0) < 1e-3) > 0.999
    assert whole.min() < 0.9 < 1.1 < whole.max()
