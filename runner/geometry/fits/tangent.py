"""Planes and lines associated outside the material (ISO 5459), also under a held direction, with their rocking.

Rule: among all planes that have every point on the inner side and touch, the one whose largest distance to a point
is least. That is the minimum zone's outer border: minimax, so one burr decides as it would on a surface plate, and
unique also for a convex or a concave surface.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np

from runner.geometry.fits.flatness import zone_line2d, zone_plane
from runner.geometry.fits.hold import frame, towards
from runner.geometry.fits.result import FailedFit, Fixed
from runner.geometry.fits.solve import prepare
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Line, Plane, vector
from runner.records import Vector

S = TypeVar("S")


@dataclass(frozen=True)
class Tangent(Generic[S]):
    """An element that touches the material from outside."""

    shape: S
    """A plane's normal points out of the material; a line has the material on its right."""
    depth: float
    """Largest distance of a point below it, mm."""
    contacts: tuple[Vector, ...]
    """Highest points, within a millionth of ``depth``."""
    rocking_rad: float
    """Largest angle to another tangent plane that the part could come to rest on; 0: it doesn't rock."""
    rocking_mm: float
    """That angle over the extent of the points."""
    points: int


def tangent_plane(points: Floats, outward: Vector, fixed: Fixed | None = None) -> Tangent[Plane] | FailedFit:
    """Return the plane outside the material that is least far from its farthest point.

    Parameters
    ----------
    points : (n, 3) mm of a surface.
    outward : direction out of the material, roughly.
    fixed : ``axis`` (the whole direction, for a tertiary datum), or ``perpendicular_to`` (for a secondary datum).

    Returns
    -------
    ``Tangent``; ``FailedFit`` for too few points, or a line of points that leaves the plane open.
    """
    held = fixed or Fixed()
    out = unit(np.array(outward, dtype=np.float64))
    if held.axis is not None:
        cloud = prepare(points, None, 1, "plane")
        if isinstance(cloud, FailedFit):
            return cloud
        normal = towards(unit(np.array(held.axis)), out)
        return _at(cloud.points, cloud.centre, normal, 0.0, 0.0)
    if held.perpendicular_to is not None:
        return _under(np.asarray(points, dtype=np.float64), out, unit(np.array(held.perpendicular_to)))
    zone = zone_plane(points, Plane((0.0, 0.0, 0.0), vector(out)))
    if isinstance(zone, FailedFit):
        return zone
    points = np.asarray(points, dtype=np.float64)
    normal = np.array(zone.shape.normal)
    angle, height = _rocking(points, normal)
    return _at(points, np.array(zone.shape.point), normal, angle, height)


def _at(points: Floats, base: Floats, normal: Floats, angle: float, height: float) -> Tangent[Plane]:
    """Return the plane of a direction moved out until it touches."""
    heights = (points - base) @ normal
    top = float(heights.max())
    depth = top - float(heights.min())
    touching = points[heights >= top - 1e-6 * depth]
    shape = Plane(vector(base + top * normal), vector(normal))
    return Tangent(shape, depth, tuple(vector(p) for p in touching[:8]), angle, height, len(points))


def _under(points: Floats, out: Floats, across: Floats) -> Tangent[Plane] | FailedFit:
    """Return the plane whose normal is perpendicular to ``across``: the line problem seen along it."""
    turn = frame(across)
    base = points.mean(axis=0) if len(points) else np.zeros(3)
    flat = (points - base) @ turn[:2].T
    wanted = turn[:2] @ out
    found = tangent_line2d(flat, (float(wanted[0]), float(wanted[1])))
    if isinstance(found, FailedFit):
        return found
    along = np.array(found.shape.direction)[:2]
    normal = np.array([-along[1], along[0]]) @ turn[:2]
    return _at(points, base, normal, found.rocking_rad, found.rocking_mm)


def tangent_line2d(points: Floats, outward: tuple[float, float]) -> Tangent[Line] | FailedFit:
    """Return the line outside the material that is least far from its farthest point (n, 2); material on its right."""
    out = np.array(outward, dtype=np.float64)
    if not np.linalg.norm(out) > 0:
        raise ValueError("the outward direction must not be zero in the plane of the points")
    wish = Line((0.0, 0.0, 0.0), (float(out[1]), float(-out[0]), 0.0))
    zone = zone_line2d(points, wish)
    if isinstance(zone, FailedFit):
        return zone
    points = np.asarray(points, dtype=np.float64)
    along = np.array(zone.shape.direction)[:2]
    normal = np.array([-along[1], along[0]])
    base = np.array(zone.shape.point)[:2]
    heights = (points - base) @ normal
    top, depth = float(heights.max()), float(np.ptp(heights))
    touching = points[heights >= top - 1e-6 * depth]
    angle, height = _rocking(points, normal)
    at = base + top * normal
    return Tangent(
        Line((float(at[0]), float(at[1]), 0.0), vector(np.array([*along, 0.0]))),
        depth,
        tuple((float(p[0]), float(p[1]), 0.0) for p in touching[:8]),
        angle,
        height,
        len(points),
    )


def _rocking(points: Floats, normal: Floats) -> tuple[float, float]:
    """Return the largest angle to a tangent facet that the part could rest on, and that angle over the extent.

    A facet of the hull is a resting place unless its contacts all lie in the outer third of the surface, at the same
    end, in some direction (the one-third rule for candidate datums of ASME Y14.5.1; quoted from memory).
    """
    from scipy.spatial import ConvexHull, QhullError

    d = points.shape[1]
    turn = frame(normal) if d == 3 else np.array([[normal[1], -normal[0]], normal])
    seen = (points - points.mean(axis=0)) @ turn.T
    try:
        hull = ConvexHull(seen)
    except QhullError:
        return 0.0, 0.0
    upper = hull.equations[:, d - 1] > 0.5
    facets, tilts = hull.simplices[upper], hull.equations[upper]
    angles = np.pi * np.arange(18 if d == 3 else 1) / 18
    looks = np.column_stack([np.cos(angles), np.sin(angles)])[:, : d - 1]
    spans = seen[:, : d - 1] @ looks.T
    low, reach = spans.min(axis=0), np.ptp(spans, axis=0)
    share = (spans[facets] - low) / np.where(reach > 0, reach, 1.0)
    rests = ~np.any((share.max(axis=1) < 1 / 3) | (share.min(axis=1) > 2 / 3), axis=1)
    if not np.any(rests):
        return 0.0, 0.0
    lean = np.linalg.norm(tilts[rests][:, : d - 1], axis=1)
    angle = float(np.arctan2(lean.max(), np.sqrt(max(0.0, 1.0 - lean.max() ** 2))))
    return angle, angle * float(reach.max())
