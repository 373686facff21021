"""Gaussian filter for form on scattered points, and what noise alone would give.

The weighting function is that of ISO 16610-61: exp(-pi (d / (alpha L))^2) with alpha = sqrt(ln 2 / pi), so that a
wave of the cut-off length L passes with half its height. Near borders and gaps the weights are normed on the points
that exist (regression of order 0).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.fits.hold import frame
from runner.geometry.fits.result import FailedFit
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cylinder, Plane

ALPHA = float(np.sqrt(np.log(2.0) / np.pi))
CELLS = 24
"""Grid cells per cut-off."""
MOST_CELLS = 40_000_000


@dataclass(frozen=True, eq=False)
class Filtered:
    """Filtered heights over a surface."""

    heights: Floats
    """(n,) mm along the outward side of the reference element, at the given points."""
    support: Floats
    """(n,) weight found around each point as a share of the median: near 0.5 at a straight border, less in corners."""

    @property
    def zone(self) -> float:
        """Largest minus smallest filtered height, mm."""
        return float(np.ptp(self.heights))


def filter_plane(points: Floats, plane: Plane, cutoff: float) -> Filtered | FailedFit:
    """Return the filtered heights of points (n, 3) over a plane, + on the normal's side."""
    points = np.asarray(points, dtype=np.float64)
    if not len(points):
        return FailedFit("too few points: 0 given, a filter needs at least 1")
    turn = frame(unit(np.array(plane.normal)))
    local = (points - np.array(plane.point)) @ turn.T
    return gaussian(local[:, :2], local[:, 2], cutoff)


def filter_cylinder(points: Floats, cylinder: Cylinder, cutoff: float) -> Filtered | FailedFit:
    """Return the filtered radial distances of points (n, 3) from a cylinder, unrolled and closed around the seam."""
    points = np.asarray(points, dtype=np.float64)
    if not len(points):
        return FailedFit("too few points: 0 given, a filter needs at least 1")
    turn = frame(unit(np.array(cylinder.axis)))
    local = (points - np.array(cylinder.point)) @ turn.T
    heights = np.hypot(local[:, 0], local[:, 1]) - cylinder.radius
    around = np.arctan2(local[:, 1], local[:, 0]) * cylinder.radius
    return gaussian(np.column_stack([around, local[:, 2]]), heights, cutoff, 2.0 * np.pi * cylinder.radius)


def gaussian(places: Floats, heights: Floats, cutoff: float, closed: float | None = None) -> Filtered | FailedFit:
    """Return the Gaussian filter of ``heights`` (n,) at scattered ``places`` (n, 2), mm.

    Points are spread linearly on a grid of ``cutoff`` / 24, filtered there along both directions, and read back
    linearly; the widening by the two linear steps is taken off the filter's width; what remains is a few 1e-3 of
    the height of a wave. ``closed`` is the period of the first coordinate.

    A cut-off longer than the surface would smooth away all form and make everything flat: it is refused. Round a
    closed surface two waves per turn, the fewest that are form, must be no shorter than the cut-off; of a surface that
    takes part of the turn only, the part must not be.
    """
    if not cutoff > 0:
        raise ValueError(f"the cut-off must be a positive length, not {cutoff}")
    if not (np.all(np.isfinite(places)) and np.all(np.isfinite(heights))):
        return FailedFit("some points are not finite")
    cell = np.full(2, cutoff / CELLS)
    low = places.min(axis=0)
    span = np.ptp(places, axis=0)
    longest = float(span.max())
    if closed is not None:
        part = closed - _widest_gap(places[:, 0], closed)
        longest = closed / 2.0 if part > 0.9 * closed else max(min(part, closed / 2.0), float(span[1]))
    if cutoff > longest:
        half = closed is not None and longest == closed / 2.0
        what = f"half a turn is {longest:.4g} mm" if half else f"the surface is {longest:.4g} mm long"
        return FailedFit(f"the cut-off {cutoff:g} mm would take away all form: {what}")
    if closed is not None:
        number = max(CELLS // 4, int(np.ceil(closed / cell[0])))
        cell[0] = closed / number
        size = (number, int(span[1] / cell[1]) + 2)
    else:
        size = (int(span[0] / cell[0]) + 2, int(span[1] / cell[1]) + 2)
    if size[0] * size[1] > MOST_CELLS:
        return FailedFit(f"the cut-off {cutoff:g} mm is too short for a surface of {span[0]:.4g} x {span[1]:.4g} mm")
    at = (places - low) / cell
    first = np.floor(at).astype(np.int64)
    share = at - first
    corners, parts = [], []
    for i in (0, 1):
        for j in (0, 1):
            row, column = first[:, 0] + i, first[:, 1] + j
            row = row % size[0] if closed is not None else np.minimum(row, size[0] - 1)
            corners.append(row * size[1] + np.minimum(column, size[1] - 1))
            parts.append(np.abs(1 - i - share[:, 0]) * np.abs(1 - j - share[:, 1]))
    middle = float(np.mean(heights))
    total = size[0] * size[1]
    weight, moment = np.zeros(total), np.zeros(total)
    for corner, part in zip(corners, parts, strict=True):
        weight += np.bincount(corner, weights=part, minlength=total)
        moment += np.bincount(corner, weights=part * (heights - middle), minlength=total)
    wide = _smooth(weight.reshape(size), cutoff, cell, closed is not None).ravel()
    high = _smooth(moment.reshape(size), cutoff, cell, closed is not None).ravel()
    seen, carried = np.zeros(len(places)), np.zeros(len(places))
    for corner, part in zip(corners, parts, strict=True):
        seen += part * wide[corner]
        carried += part * high[corner]
    return Filtered(middle + carried / seen, seen / float(np.median(seen)))


def _widest_gap(around: Floats, closed: float) -> float:
    """The longest stretch, mm, of a closed line without points (n,)."""
    order = np.sort(np.mod(around, closed))
    return float(np.diff(order, append=order[0] + closed).max())


def _smooth(grid: Floats, cutoff: float, cell: Floats, closed: bool) -> Floats:
    """Filter a grid along both directions; beyond the border there is nothing."""
    from scipy.ndimage import convolve1d

    for axis in (0, 1):
        # variance of the weighting function, less what spreading and reading add (h^2 / 6 each)
        variance = (ALPHA * cutoff) ** 2 / (2.0 * np.pi) - cell[axis] ** 2 / 3.0
        reach = int(np.ceil(cutoff / cell[axis]))
        offset = np.arange(-reach, reach + 1) * cell[axis]
        kernel = np.exp(-0.5 * offset**2 / variance)
        grid = convolve1d(grid, kernel / kernel.sum(), axis=axis, mode="wrap" if closed and axis == 0 else "constant")
    return grid


def noise_zone(sigma: float, n: int) -> float:
    """Return the expected range (largest minus smallest), mm, of ``n`` independent normal residuals.

    sigma times d2(n) = integral of 1 - F^n - (1 - F)^n, as for control charts (ISO 7870-2).
    """
    if n < 2 or sigma <= 0:
        return 0.0
    from scipy.special import ndtr

    x = np.linspace(0.0, 12.0, 4001)
    inner = 1.0 - ndtr(x) ** n - ndtr(-x) ** n
    return float(sigma * 2.0 * np.trapezoid(inner, x))


def filtered_noise(sigma: float, spacing: float, cutoff: float) -> float:
    """Return the standard deviation, mm, that white noise of points ``spacing`` apart keeps behind the filter."""
    points = 2.0 * (ALPHA * cutoff / spacing) ** 2
    return float(sigma / np.sqrt(max(points, 1.0)))


def filtered_noise_zone(sigma: float, spacing: float, cutoff: float, area: float) -> float:
    """Return the expected range, mm, of white noise behind the filter over a compact surface of ``area`` mm^2.

    Largest value of a smooth Gaussian field from its expected Euler characteristic (R. J. Adler, The Geometry of
    Random Fields, 1981; formula from memory, checked by simulation in the tests). Never above the zone that the same
    number of independent points would give.
    """
    from scipy.special import ndtr

    if sigma <= 0 or area <= 0:
        return 0.0
    behind = filtered_noise(sigma, spacing, cutoff)
    # mean squared slope of the filtered field over its variance: 1 / (2 s^2), s the filter's own width
    slope = np.pi / (ALPHA * cutoff) ** 2
    u = np.linspace(0.0, 12.0, 4001)
    bell = np.exp(-0.5 * u * u)
    peaks = area * slope * u * bell / (2.0 * np.pi) ** 1.5
    edges = 2.0 * np.sqrt(area) * np.sqrt(slope) * bell / (2.0 * np.pi)
    largest = float(np.trapezoid(1.0 - np.exp(-(peaks + edges + ndtr(-u))), u))
    return min(2.0 * behind * largest, noise_zone(behind, max(2, round(area / spacing**2))))
