"""The border where the scanner loses a share of the points beside it: from the very first points of the whole edge.

The fringe (``measure.fringe``) judges the first gap of a strip by the gaps further in. Where points are lost near the
edge, the first gaps are wider than those and the border seems to lie deeper than it does. But as long as some points
are left, the first ones of the whole edge together stand close to the border, and how fast their number grows tells
how many are missing before the first: with ``N(s)`` points up to depth s and a steady growth there, the border is where
the growth, drawn backwards, reaches zero. Nothing is assumed of the loss but that it changes little over the window.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from runner.geometry.mesh import Floats
from runner.measure.border import BorderFit
from runner.measure.outline import CircleOutline

WINDOW = 0.2
"""mm: the growth is taken over this depth, or"""
LEAST_POINTS = 10
"""until so many points stand in it, but not beyond"""
WIDEST = 1.0
"""spacings."""
BLUR = 2.5
"""The window begins this many standard deviations of the points inside the border, where their own error, which smears
the border, no longer matters."""
CLEAR = 2.0
"""The growth must be this many standard deviations below that further in for a loss to be believed,"""
OUTSIDE = 1.0
"""and the border it points to lie this many outside the fringe's."""
ROUNDS = 20
LEAST_SWEEP = 1.5 * np.pi
"""rad: of a shorter arc a shift can't be told from a size."""


@dataclass(frozen=True)
class Growth:
    """How the number of points grows beside a border."""

    border: float
    """mm from the given outline, + into the material."""
    standard: float
    share: float
    """Points per area beside the border over that further in,"""
    doubt: float
    """and its standard uncertainty, of points that fall independently."""


def growth_beside(outline: CircleOutline, points: Floats, spacing: float, sigma: float) -> Growth | None:
    """Return where the growth of the number of points (n, 2) with depth begins; None where too few points tell."""
    located = outline.locate(points)
    sign = 1.0 if outline.hole else -1.0
    depth = located.depth[np.isfinite(located.depth)]
    depth = np.sort(depth[(depth > -1.5 * spacing) & (depth < 8.0 * spacing)])
    inner = (depth > 3.0 * spacing) & (depth < 7.0 * spacing)
    area = 4.0 * spacing * (1.0 + sign * 5.0 * spacing / outline.radius)
    if inner.sum() < 4 * LEAST_POINTS or area <= 0:
        return None
    further_in = float(inner.sum()) / area
    start = BLUR * sigma
    border = float(depth[min(2, len(depth) - 1)]) - start
    for _ in range(ROUNDS):
        first = border + start
        last = first + WINDOW
        after = depth[depth >= first]
        if len(after) <= LEAST_POINTS:
            return None
        last = min(max(last, float(after[LEAST_POINTS])), first + max(WIDEST * spacing, WINDOW))
        inside = int(np.count_nonzero((depth >= first) & (depth < last)))
        if inside < LEAST_POINTS // 2:
            return None
        rate = inside / (last - first)
        before = int(np.count_nonzero(depth < first))
        found = first - before / rate
        if abs(found - border) < 1e-5:
            break
        border = 0.5 * (border + found)
    standard = float(np.sqrt(max(before, 1) + before**2 / inside) / rate)
    curved = 1.0 + sign * 0.5 * (first + last) / outline.radius
    share = rate / (further_in * max(curved, 1e-3))
    return Growth(border, standard, share, share / np.sqrt(inside))


def with_loss(border: BorderFit, points: Floats, spacing: float, sigma: float) -> BorderFit:
    """Return the border moved outwards where points were plainly lost beside it; as given where not."""
    outline = border.outline
    if not isinstance(outline, CircleOutline) or outline.sweep < LEAST_SWEEP:
        return border
    growth = growth_beside(outline, points, spacing, sigma)
    if growth is None:
        return border
    doubt = float(np.hypot(growth.standard, np.sqrt(max(border.covariance[2, 2], 0.0))))
    if growth.border > -OUTSIDE * doubt or growth.share + CLEAR * growth.doubt > 1.0:
        return border
    step = np.array([0.0, 0.0, growth.border if outline.hole else -growth.border])
    covariance = border.covariance.copy()
    covariance[2, 2] = growth.standard**2 + (0.25 * growth.border) ** 2
    covariance[2, :2] = covariance[:2, 2] = 0.0
    return replace(
        border, outline=outline.changed(step), covariance=covariance, thinned=float(np.clip(1 - growth.share, 0, 1))
    )
