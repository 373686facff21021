"""Features of a set of scans: a dense detail scan must not outweigh the rest of a face.

Truth: the same bowed plate seen evenly by one scan.
"""

from dataclasses import replace

import numpy as np
import pytest

from runner.measure.scene import AlignedScan, build_scene
from runner.measure.surface_features import measure_surface_feature
from tests.measure.conftest import Part, sample_plate


@pytest.fixture(scope="module")
def scans():
    """The plate with its top bowed by 0.5 mm, and one end of that top once more with 9 times the points."""
    part = Part(top_bow=0.5)
    whole = sample_plate(part, step=0.9, seed=1)
    points, normals = sample_plate(part, step=0.3, seed=2)
    end = (points[:, 0] > 90.0) & (normals[:, 2] > 0.9)
    return whole, (points[end], normals[end])


def test_a_dense_detail_scan_does_not_tilt_a_bowed_face(plate, plate_index, plate_specs, scans):
    def measured(*chosen, even=True):
        scene = build_scene([AlignedScan(p, n, normals_signed=True) for p, n in chosen], plate, plate_index, 5.0)
        scene = scene if even else replace(scene, weights=None)
        assert (scene.weights is not None) is (even and len(chosen) > 1)
        # the same margin for every spacing, so that the same stretch of the face is compared
        found = measure_surface_feature(replace(plate_specs["top"], margin=1.0), plate, scene)
        assert found.ok, found.reason
        return np.array(found.shape.normal), len(found.points)

    alone, few = measured(scans[0])
    together, many = measured(*scans)
    outweighed, _ = measured(*scans, even=False)
    assert many > 2 * few
    # slopes over x. What is left comes from the cubes of 3.6 mm, in which it is told who saw a place, that the detail's
    # border at x = 90 cuts: seen here 12 % of the naive tilt
    naive, even = abs(outweighed[0] - alone[0]), abs(together[0] - alone[0])
    assert naive > 1e-3 and even < 0.15 * naive
