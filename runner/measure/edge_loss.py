"""The border where the scanner loses a share of the points beside it: from how the points of the whole edge thin out.

The fringe (``measure.fringe``) judges the first gap of a strip by the gaps further in. Where points are lost near the
edge, the first gaps are wider than those, and the border seems to lie deeper than it does. How many are lost, and over
what depth, is the scanner's own; so both are left open. Against each other stand the supposition that nothing is lost
and a family of losses (a share ``q`` of the points beside the border, that stays or falls off, evenly or slowly at
first, over a depth ``w``), each with every place of the border that comes into question, and each with a border as
sharp or as blurred as it may be (how far points scatter in the sheet's plane is not known either). Each counts by how
well it foretells the depths of all points (of points that fall independently: a Poisson process, whose total says
nothing), and the border is the mean over all of them, with its spread as uncertainty: where the points can't tell, it
says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from runner.geometry.mesh import Floats
from runner.measure.border import BorderFit
from runner.measure.course import PLACES, Course
from runner.measure.fringe import WIDTH
from runner.measure.outline import CircleOutline, Outline, all_round, even_middles, even_place

DEEPEST = 6.0
"""Spacings into the material over which the points are looked at,"""
BEYOND = 1.6
"""and beyond the border found so far."""
FARTHEST = 1.2
"""The border is looked for so many spacings further out,"""
DEEPER = 0.3
"""and so many further in."""
STEP = 0.02
"""Spacings: of the depths that are told apart."""
SHARES = (0.15, 0.3, 0.45, 0.6, 0.75, 0.9, 1.0)
MOST_EVEN = 0.6
"""Largest share that stays over the depth: all points lost to some depth would be a border there, and no loss."""
LAWS = 3
"""Staying over the depth; falling off evenly from the border; falling off with the square of the depth."""
WIDTHS = (0.4, 0.63, 1.0, 1.6, 2.5)
"""Spacings."""
SHARP = (0.05, 0.3, 1.0)
"""Shares of the largest blur: how far the points of a scanner scatter in the sheet's own plane, out of what they do
across it, and how far the outline is off, is not known. Supposing too much of it puts the border too far in."""
STRAY = 0.003
"""Points beyond the border, over those in the material: mixed ones and strays."""
LEAST_POINTS = 60
LEAST_SWEEP = 1.5 * np.pi
"""rad: of a shorter arc a shift can't be told from a size."""


@dataclass(frozen=True)
class Thinning:
    """What the depths of the points say."""

    border: float
    """mm from the given outline, + into the material, where something is lost."""
    standard: float
    lost: float
    """Probability that anything is,"""
    share: float
    """and of how many of the points beside the border."""


def thinning_beside(
    outline: Outline,
    points: Floats,
    spacing: float,
    blur: float,
    room: Floats | None = None,
    course: Course | None = None,
    unseen: NDArray[np.bool_] | None = None,
) -> Thinning | None:
    """Tell what is lost beside an outline; None where too few points tell.

    Parameters
    ----------
    outline : the border found so far.
    points : (n, 2) points of the sheet, mm.
    spacing : root of the area per point, mm.
    blur : standard deviation of a point's depth, of its own error and the outline's, mm, at most.
    room : (c,) depth of material at even places along the outline, mm; None where there is enough.
    course : how the border runs beside the outline.
    unseen : (PLACES,) which even places along the outline are left out.
    """
    step = STEP * spacing
    low, count = -BEYOND * spacing, round((BEYOND + DEEPEST) / STEP)
    middles = low + (np.arange(count) + 0.5) * step
    located = outline.locate(points)
    fine = np.isfinite(located.along) & np.isfinite(located.depth)
    along, depth = located.along[fine], located.depth[fine]
    place = even_place(along, outline.length, PLACES)
    if course is not None:
        depth = depth - course.wave[place]
    middle = even_middles(outline, PLACES)
    places = outline.at(middle)
    deep = np.full(PLACES, np.inf)
    if room is not None and len(room):
        deep = room[even_place(middle, outline.length, len(room))] - spacing
    if unseen is not None:
        deep[unseen] = -np.inf
    depth = depth[depth < deep[place]]
    area = np.maximum(1.0 + places.curvature[:, None] * middles, 0.0)
    area = np.where(middles < deep[:, None], area, 0.0).sum(axis=0)
    seen = np.bincount(
        np.floor((depth[(depth >= low) & (depth < low + count * step)] - low) / step).astype(np.int64), minlength=count
    )[:count].astype(np.float64)
    seen[area <= 0] = 0.0
    if seen.sum() < LEAST_POINTS:
        return None
    shifts = np.arange(-round(FARTHEST / STEP), round(DEEPER / STEP) + 1)
    none = np.empty((len(SHARP), len(shifts)))
    losses = np.empty((len(SHARP), LAWS * len(WIDTHS), len(SHARES), len(shifts)))
    for j, sharp in enumerate(SHARP):
        full, missing = _shapes(round(max(sharp * blur, 1e-3 * spacing) / spacing, 3))
        window = _at_shifts(full, shifts, count)
        none[j] = _fit(window, seen, area)
        for k, shape in enumerate(missing):
            gone = _at_shifts(shape, shifts, count)
            for m, share in enumerate(SHARES):
                if k % LAWS == 0 and share > MOST_EVEN:
                    losses[j, k, m] = -np.inf
                    continue
                losses[j, k, m] = _fit(window - share * gone, seen, area)
    top = max(none.max(), losses.max())
    likely_none = float(np.exp(none - top).mean())
    weight = np.exp(losses - top)
    likely = float(weight.mean())
    weight /= weight.sum()
    at = weight.sum(axis=(0, 1, 2))
    border = float(at @ shifts) * step
    spread = float(np.sqrt(max(at @ (shifts * step - border) ** 2, 0.0)))
    share = float(weight.sum(axis=(0, 1, 3)) @ np.array(SHARES))
    return Thinning(border, spread, likely / (likely + likely_none), share)


def _fit(shape: Floats, seen: Floats, area: Floats) -> Floats:
    """Logarithm of the likelihood (s,) of the counts (k,) in depths of some ``area`` (k,), for densities (s, k)."""
    rate = (np.maximum(shape, 0.0) * (1.0 - STRAY) + STRAY) * area
    total = rate.sum(axis=1)
    some = seen > 0
    return np.log(rate[:, some] / total[:, None]) @ seen[some]


def _at_shifts(shape: Floats, shifts: np.ndarray, count: int) -> Floats:
    """Rows (s, count) of a shape, sampled about the border, with the border at each shift from the outline."""
    start = len(shape) // 2 - round(BEYOND / STEP)
    return np.stack([shape[start - s : start - s + count] for s in shifts])


@lru_cache(maxsize=64)
def _shapes(blur: float) -> tuple[Floats, tuple[Floats, ...]]:
    """Densities over depth (in steps, the border in the middle) blurred by ``blur`` spacings: all, and what is lost.

    What is lost is one at the border: all the way to each of ``WIDTHS``, or falling off evenly, or slowly at first.
    """
    half = round((BEYOND + DEEPEST + FARTHEST + DEEPER) / STEP) + 2
    depth = (np.arange(-half, half) + 0.5) * STEP
    whole = ndtr(depth / blur)
    lost = []
    for width in WIDTHS:
        lost.append(whole - ndtr((depth - width) / blur))
        fine = (np.arange(40) + 0.5) / 40
        # falling off is the mean of staying to depths up to the width: to all alike, or more to great ones
        for depths in (fine * width, np.sqrt(fine) * width):
            lost.append(np.mean([whole - ndtr((depth - w) / blur) for w in depths], axis=0))
    return whole, tuple(lost)


def with_loss(
    border: BorderFit,
    points: Floats,
    spacing: float,
    sigma: float,
    room: Floats | None,
    course: Course | None = None,
) -> BorderFit:
    """Return the border moved outwards by what the points lost beside it make of it, with what is left in doubt.

    ``course``: how the border runs beside its outline; only what no strip told of is left out, where None.
    """
    outline = border.outline
    if isinstance(outline, CircleOutline) and outline.sweep < LEAST_SWEEP:
        return border
    blur = np.hypot(np.hypot(sigma, _unevenness(border)), course.excess if course is not None else 0.0)
    told = thinning_beside(outline, points, spacing, float(blur), room, course, _untold(border, spacing))
    if told is None:
        return border
    move = told.lost * told.border
    doubt = told.lost * told.standard**2 + told.lost * (1.0 - told.lost) * told.border**2
    rows = all_round(outline)
    covariance = border.covariance * (1.0 - told.lost) + doubt * np.outer(rows, rows)
    covariance += told.lost * _without(border, rows)
    return replace(border, outline=outline.changed(rows * move), covariance=covariance, thinned=told.lost * told.share)


def _untold(border: BorderFit, spacing: float) -> NDArray[np.bool_] | None:
    """Even places along the outline that no strip told of: points there may end where the scan does."""
    if border.strips is None:
        return None
    length = border.outline.length
    middle = even_middles(border.outline, PLACES)
    told = np.sort(border.strips[:, 0])
    if border.outline.closed:
        told = np.concatenate([[told[-1] - length], told, [told[0] + length]])
    after = np.clip(np.searchsorted(told, middle), 1, len(told) - 1)
    away = np.minimum(np.abs(middle - told[after - 1]), np.abs(middle - told[after]))
    found: NDArray[np.bool_] = away > WIDTH * spacing
    return found if border.unseen is None else found | border.unseen


def _unevenness(border: BorderFit) -> float:
    """Standard uncertainty, mm, of the border's place along the outline, but for what moves it all round alike."""
    outline = border.outline
    rows = outline.at(even_middles(outline, 90)).rows
    rows = rows - rows.mean(axis=0)
    return float(np.sqrt(max(np.einsum("ij,jk,ik->i", rows, border.covariance, rows).mean(), 0.0)))


def _without(border: BorderFit, rows: Floats) -> Floats:
    """The covariance without what moves the border all round alike, as ``rows`` (p,) do: that is found anew."""
    outline = border.outline
    mean = outline.at(even_middles(outline, PLACES)).rows.mean(axis=0)
    kept = np.eye(len(rows)) - np.outer(rows, mean) / float(mean @ rows)
    return kept @ border.covariance @ kept.T
