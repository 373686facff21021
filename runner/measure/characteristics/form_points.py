"""The surface of a feature as it is judged for form: all points, or their filtered profile."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits.filters import filter_cylinder, filter_plane
from runner.geometry.fits.result import FailedFit
from runner.geometry.frames import perpendicular
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cone, Cylinder, Plane, Shape, Sphere
from runner.measure.characteristics.smooth import longest_face, smoothed
from runner.measure.element import array, as_surface, axial, natural_normals, signed_distance
from runner.measure.specs import FormFilter

SECTION_POINTS = 800
MOST_SECTIONS = 9
LEAST_SECTION = 24
LEAST_SUPPORT = 0.15
"""Filtered heights that rest on less than this share of the usual weight are mostly noise."""


def plane_profile(points: Floats, plane: Plane, judge: FormFilter) -> Floats | str:
    """Return the points (k, 3) of a face that its zone has to hold. ``plane``: its least-squares plane.

    The filter works on the heights above that plane, so that the face's tilt passes it untouched.
    """
    return _profile(points, plane, judge)


def cylinder_profile(points: Floats, cylinder: Cylinder, judge: FormFilter) -> Floats | str:
    """Return the points (k, 3) of a cylinder that its zone has to hold. ``cylinder``: its least-squares cylinder."""
    return _profile(points, cylinder, judge)


def surface_profile(points: Floats, shape: Shape, judge: FormFilter) -> Floats | str:
    """Return the points (k, 3) of a face that its zone has to hold. ``shape``: its least-squares element.

    On cones and spheres the filter's means are taken over straight-line distances, a quarter cut-off apart.
    """
    surface = as_surface(shape)
    if not isinstance(surface, Plane | Cylinder | Cone | Sphere):
        return f"there is no profile of a {type(shape).__name__.lower()}"
    return _profile(points, surface, judge)


def _profile(points: Floats, shape: Plane | Cylinder | Cone | Sphere, judge: FormFilter) -> Floats | str:
    if judge.kind == "none":
        return points
    heights = signed_distance(shape, points)
    if judge.kind == "central 95 %":
        low, high = np.quantile(heights, [0.025, 0.975])
        return points[(heights >= low) & (heights <= high)]
    if judge.kind != "gaussian":
        return f"unknown filter {judge.kind!r}"
    if judge.cutoff is None or not judge.cutoff > 0:
        return "a gaussian filter needs a cut-off"
    if isinstance(shape, Cone | Sphere):
        longest = longest_face(points, np.zeros(len(points), dtype=np.int64))
        if judge.cutoff > longest:
            return f"the cut-off {judge.cutoff:g} mm would take away all form: the surface is {longest:.4g} mm across"
        means, rows = smoothed(points, heights, judge.cutoff)
        return points[rows] + (means - heights[rows])[:, None] * natural_normals(shape, points[rows])
    if isinstance(shape, Plane):
        filtered = filter_plane(points, shape, judge.cutoff)
    else:
        filtered = filter_cylinder(points, shape, judge.cutoff)
    if isinstance(filtered, FailedFit):
        return filtered.reason
    kept = filtered.support >= LEAST_SUPPORT
    if not kept.any():
        return "the points are too thin for the filter's cut-off"
    outward = natural_normals(shape, points)
    return (points + (filtered.heights - heights)[:, None] * outward)[kept]


def sections_across(points: Floats, cylinder: Cylinder) -> list[Floats]:
    """Return points (k, 3) of each section across the axis: two coordinates in its plane, and the height along it."""
    axis, origin = array(cylinder.axis), array(cylinder.point)
    u, v = perpendicular(axis)
    height, _, _ = axial(points, origin, axis)
    offset = points - origin
    local = np.column_stack([offset @ u, offset @ v, height])
    count = int(np.clip(len(height) // SECTION_POINTS, 1, MOST_SECTIONS))
    borders = np.linspace(height.min(), height.max() + 1e-12, count + 1)
    number: NDArray[np.int64] = np.clip(np.searchsorted(borders, height, side="right") - 1, 0, count - 1)
    return [local[number == k] for k in range(count) if np.count_nonzero(number == k) >= LEAST_SECTION]
