"""The angle at which two flat faces meet, as a protractor laid across both would read it."""

from __future__ import annotations

import numpy as np

from runner.geometry.mesh import Floats
from runner.geometry.shapes import Plane
from runner.measure.element import array
from runner.measure.found import FoundFeature

PARALLEL = float(np.sin(np.radians(0.5)))
CLEAR = 0.2
"""A face lies on one side of another's plane when its middle is farther from it than this share of its own reach."""


def enclosed(a: FoundFeature, b: FoundFeature) -> float | str:
    """Return the angle, rad, between the half planes that run from the vertex towards the middles of two faces.

    The angle of the outward normals alone doesn't tell it: faces on the same side of the material enclose 180 degrees
    less that angle, faces on opposite sides of a bent sheet the angle itself. Which of the two holds is read from the
    nominal faces, the angle from the measured ones.
    """
    if not isinstance(a.shape, Plane) or not isinstance(b.shape, Plane):
        return "it is asked between two planes"
    side = same_side(a, b)
    if side is None:
        return "the faces cross in their middles: which of the angles at the vertex is meant can't be told"
    between = angle_of(array(a.shape.normal), array(b.shape.normal))
    return float(np.pi - between) if side else between


def same_side(a: FoundFeature, b: FoundFeature) -> bool | None:
    """Return whether two nominal faces lie on the same side of the material at their vertex; None: can't be told.

    They do where each lies below the other's plane (an outer corner) or each above it (an inner one).
    """
    nominal_a, nominal_b = a.spec.shape, b.spec.shape
    assert isinstance(nominal_a, Plane) and isinstance(nominal_b, Plane)
    normal_a, normal_b = array(nominal_a.normal), array(nominal_b.normal)
    if float(np.linalg.norm(np.cross(normal_a, normal_b))) < PARALLEL:
        # nearly flat: two faces that look the same way are the same side of the sheet
        return bool(normal_a @ normal_b > 0)
    b_over_a, a_over_b = _side_of(b, nominal_a), _side_of(a, nominal_b)
    return None if b_over_a == 0 or a_over_b == 0 else b_over_a == a_over_b


def _side_of(face: FoundFeature, plane: Plane) -> int:
    """+1 where a face lies over a plane, -1 below, 0 where it reaches across it."""
    nominal = face.spec.shape
    assert isinstance(nominal, Plane)
    places = array(nominal.point)[None] if face.patch is None else face.patch.samples
    height = (places - array(plane.point)) @ array(plane.normal)
    middle = float(height.mean())
    if abs(middle) <= CLEAR * float(np.ptp(height)) or middle == 0.0:
        return 0
    return 1 if middle > 0 else -1


def angle_of(first: Floats, second: Floats) -> float:
    """Return the angle, rad, between two directions (3,); good near 0 and 180 degrees too."""
    return float(np.arctan2(np.linalg.norm(np.cross(first, second)), first @ second))
