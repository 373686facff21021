"""Minimum-zone circle of a section that has some thickness, as every section of a scan has."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits.contact import ZONE, associate
from runner.geometry.fits.result import FailedFit
from runner.geometry.fits.roundness import BALANCED, zone_circle
from runner.geometry.fits.zone import Zone
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, vector

HARMONICS = 3
OWN_HEIGHT = 0.5
"""Least share of the heights' variance that must not follow the angle, or a lean could hide lobes."""
LEAST = 24


def zone_section(points: Floats) -> Zone[Circle] | FailedFit:
    """Return the minimum-zone circle of a slab's section, at the slab's middle.

    The line of the section's centres is free to lean within the slab: seen along any direction, the slab shows at least
    the form of the section in its middle, so the direction that shows least is nearest to it. What the axis of the
    whole surface leans or bends within a slab then adds nothing. The lean shears the slab, it doesn't tilt the circle
    into an ellipse. Where heights follow the angle (a scanner's stripes that run slantwise) a lean could hide lobes:
    there the slab is taken as it is.

    Parameters
    ----------
    points : (n, 3) mm: two coordinates across the axis and the height along it.

    Returns
    -------
    Zone of a ``Circle`` at the middle height; proof local.
    """
    points = np.asarray(points, dtype=np.float64)
    flat, height = points[:, :2], points[:, 2]
    upright = zone_circle(flat)
    if isinstance(upright, FailedFit):
        return upright
    low, high = float(height.min()), float(height.max())
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    centre = np.array(upright.shape.centre[:2])
    if half < 1e-9 or len(points) < LEAST or not _independent(flat - centre, height):
        return upright
    scale = max(float(np.linalg.norm(flat - centre, axis=1).max()), 1e-300)
    local = np.column_stack([(flat - centre) / scale, (height - middle) / half])
    found = associate(_from_leaning_line, local, np.zeros(4), ZONE)
    width = scale * (found.high - found.low)
    if found.imbalance >= BALANCED or not width < upright.width:
        return upright
    at = centre + scale * found.x[:2]
    return Zone(
        Circle(vector(np.array([*at, middle])), (0.0, 0.0, 1.0), scale * 0.5 * (found.high + found.low)),
        width,
        tuple(vector(points[k]) for k in found.touching),
        found.imbalance,
        "local",
        len(points),
    )


def _from_leaning_line(x: Floats, points: Floats) -> tuple[Floats, Floats]:
    """Distances (n,), square to the height, from the line through (x0, x1) that goes (x2, x3) per height; (n, 4)."""
    offset = points[:, :2] - x[:2] - points[:, 2:] * x[2:]
    rho = np.linalg.norm(offset, axis=1)
    n = offset / np.where(rho > 0, rho, 1.0)[:, None]
    return rho, np.hstack([-n, -points[:, 2:] * n])


def _independent(flat: Floats, height: Floats) -> bool:
    """Whether the heights are spread over the turn by themselves rather than going with the angle."""
    angle = np.arctan2(flat[:, 1], flat[:, 0])
    table = np.column_stack(
        [np.ones(len(angle)), *(f(k * angle) for k in range(1, HARMONICS + 1) for f in (np.cos, np.sin))]
    )
    offset = height - height.mean()
    rest = offset - table @ np.linalg.lstsq(table, offset, rcond=None)[0]
    return float(rest @ rest) >= OWN_HEIGHT * float(offset @ offset)
