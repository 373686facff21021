"""What noise adds to values that are bounded by zero: widths of zones and lengths of deviations.

A zone is held by the outermost points, and noise pushes the outermost ones outwards: the expected largest of many
normal values lies sigma d2 / 2 beyond their mean (for 1e5 points 4.4 sigma). The verdict is taken on the value as the
standard defines it; the noise part and the value less it stand beside it, with an interval that is not symmetric.
"""

from __future__ import annotations

import numpy as np

from runner.geometry.fits.filters import filtered_noise, filtered_noise_zone, noise_zone
from runner.geometry.mesh import Floats
from runner.measure.specs import FormFilter

LOOKED_AT = 4_000
"""Points whose nearest neighbours tell the noise."""
CELL_POINTS = 40.0
"""Points of a local mean."""
BINS = 400
MEDIAN_OF_NORMAL = 0.6744897501960817


def scatter(points: Floats, heights: Floats) -> float:
    """Return the standard deviation, mm, of one point about the surface it lies on, from differences of neighbours.

    Heights (n,) of nearest neighbours differ by noise, hardly by form. Noise that neighbours share is not seen: a
    smoothed mesh has less noise by this count than it has. Points that repeat are left out.
    """
    from scipy.spatial import cKDTree

    if len(points) < 8:
        return 0.0
    step = max(1, len(points) // LOOKED_AT)
    looked = np.arange(0, len(points), step)
    got = cKDTree(points).query(points[looked], k=2)
    away, row = np.asarray(got[0]), np.asarray(got[1])
    good = (away[:, 1] > 1e-9) & (row[:, 1] != looked)
    if np.count_nonzero(good) < 8:
        return 0.0
    difference = np.abs(heights[looked[good]] - heights[row[good, 1]])
    return float(np.median(difference) / (MEDIAN_OF_NORMAL * np.sqrt(2.0)))


def local_means(points: Floats, heights: Floats, sigma: float, spacing: float) -> Floats:
    """Return the heights (n,) without noise: means over cells, drawn together by as much as noise spreads them."""
    side = np.sqrt(CELL_POINTS) * max(spacing, 1e-9)
    index = np.floor((points - points.min(axis=0)) / side).astype(np.int64)
    cell = np.unique(index, axis=0, return_inverse=True)[1].reshape(-1)
    count = np.bincount(cell).astype(np.float64)
    mean = np.bincount(cell, weights=heights) / count
    # few points make a bad mean: lean on the whole
    middle = float(heights.mean())
    noise = sigma**2 * float(np.mean(1.0 / count[cell]))
    seen = float(np.mean((mean[cell] - middle) ** 2))
    share = np.sqrt(max(0.0, 1.0 - noise / seen)) if seen > 0.0 else 0.0
    return np.asarray(middle + share * (mean[cell] - middle))


def beyond(smooth: Floats, sigma: float, weight: float = 1.0) -> float:
    """Return by how much, mm, normal noise is expected to lift the highest of heights (n,) above the highest without.

    The largest of independent values has the product of their distributions; each counts ``weight`` times.
    """
    from scipy.special import log_ndtr

    if sigma <= 0.0 or not len(smooth):
        return 0.0
    top = float(smooth.max())
    depth = np.minimum((top - smooth) / sigma, 12.0)
    count, edges = np.histogram(depth, bins=BINS, range=(0.0, 12.0))
    middle = 0.5 * (edges[1:] + edges[:-1])
    middle[0] = 0.0 if count[0] == np.count_nonzero(depth == 0.0) else middle[0]
    filled = count > 0
    x = np.linspace(-6.0, 9.0, 1501)
    spread = np.exp(weight * (log_ndtr(x[:, None] + middle[filled][None]) @ count[filled].astype(np.float64)))
    # mean of a variable from its distribution: integral of 1 - F above zero, less that of F below
    above = x >= 0.0
    return float(sigma * (np.trapezoid(1.0 - spread[above], x[above]) - np.trapezoid(spread[~above], x[~above])))


def zone_details(
    points: Floats, heights: Floats, width: float, judge: FormFilter, area: float | None = None
) -> dict[str, float | str]:
    """Return what noise adds to the width, mm, of a zone over points (n, 3), as details of a value.

    Parameters
    ----------
    points, heights : (n, 3) and (n,) mm, of all points, not filtered, over the element that suits them best.
    width : as judged.
    judge : the filter it is judged by.
    area : of the surface, mm^2; None: from the spacing.
    """
    sigma = scatter(points, heights)
    if sigma <= 0.0 or len(points) < 16:
        return {}
    spacing = _spacing(points, area)
    smooth = local_means(points, heights, sigma, spacing)
    if judge.kind == "gaussian" and judge.cutoff:
        behind = filtered_noise(sigma, spacing, judge.cutoff)
        whole = filtered_noise_zone(sigma, spacing, judge.cutoff, spacing**2 * len(points))
        share = _places(whole, behind, len(points)) / len(points)
        part = beyond(smooth, behind, share) + beyond(-smooth, behind, share)
    elif judge.kind == "central 95 %":
        # both quantiles of normal noise lie 1.96 sigma out; form of size s widens them to the root of both squared
        whole = 2.0 * 1.959964 * sigma
        part = width - np.sqrt(max(0.0, width**2 - whole**2)) if width > whole else width
    else:
        whole = noise_zone(sigma, len(points))
        part = beyond(smooth, sigma) + beyond(-smooth, sigma)
    part = float(min(max(part, 0.0), width))
    return {
        "noise of a point": sigma,
        "noise part": part,
        "corrected for noise": width - part,
        # the largest of many spreads by less than one standard deviation about its mean
        "corrected, at least": float(max(0.0, width - whole - (sigma if judge.kind == "none" else 0.0))),
        "corrected, at most": width,
    }


def one_sided_details(
    points: Floats, heights: Floats, value: float, width: float, judge: FormFilter
) -> dict[str, float | str]:
    """Return what noise adds to twice the largest height from a fixed middle, as details of a value.

    Half of what noise adds to the zone over the same points, of the given ``width``, falls on the side that counts, and
    counts twice. Arguments as of ``zone_details``.
    """
    found = zone_details(points, heights, width, judge)
    if not found:
        return {}
    part = min(float(found["noise part"]), value)
    return found | {
        "noise part": part,
        "corrected for noise": value - part,
        "corrected, at least": max(0.0, value - (width - float(found["corrected, at least"]))),
        "corrected, at most": value,
    }


def length_details(length: float, covariance: Floats | None, times: float = 2.0) -> dict[str, float | str]:
    """Return what noise adds to ``times`` the length, mm, of a deviation, from its covariance (k, k), mm^2.

    The expected square of a length is the square of the true one plus the trace of the covariance.
    """
    if covariance is None:
        return {}
    trace = float(np.trace(covariance))
    if not np.isfinite(trace) or trace <= 0.0:
        return {}
    true = float(np.sqrt(max(0.0, length**2 - trace)))
    spread = float(np.sqrt(np.linalg.eigvalsh(covariance).max()))
    return {
        "noise part": times * (length - true),
        "corrected for noise": times * true,
        "corrected, at least": times * max(0.0, true - 2.0 * spread),
        "corrected, at most": times * (true + 2.0 * spread),
    }


def _spacing(points: Floats, area: float | None) -> float:
    """Mean distance of points, mm: the root of the area of each."""
    from scipy.spatial import cKDTree

    if area is not None and area > 0.0:
        return float(np.sqrt(area / len(points)))
    step = max(1, len(points) // LOOKED_AT)
    away = np.asarray(cKDTree(points).query(points[::step], k=2)[0])[:, 1]
    # nearest neighbours of random places lie half the root of the area apart, those of a grid the whole
    return float(max(np.median(away) * 1.5, 1e-9))


def _places(zone: float, sigma: float, most: int) -> float:
    """Number of independent values with the range ``zone``, by halving on a logarithmic scale."""
    low, high = 1.0, max(2.0, float(most))
    for _ in range(40):
        middle = np.sqrt(low * high)
        if noise_zone(sigma, max(2, round(middle))) < zone:
            low = middle
        else:
            high = middle
    return float(high)
