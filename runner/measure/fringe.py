"""The border from the bare fringe beside it: how far the first points stand from it, judged by the gaps further in.

Between the border and the first point of a narrow strip across it lies a gap. Were there a border anywhere deeper in
the same strip, the gap behind it would be, on average over all its possible places, ``sum g^2 / (2 sum g)`` of the gaps
g between successive points there: the mean distance from a random place to the next point. So each strip carries its
own correction, whatever the pattern and its direction (grid, stripes, overlapping passes, random). It is a fraction of
the spacing, while counting weighs several spacings of material: an uneven density does less harm.

Thinning that does not depend on the place changes nothing, since it thins the gaps further in alike. Where the wall
below the edge was seen, its points tell the border directly and better than any gap.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats
from runner.measure.border import BorderFit, plausible, solve_outline
from runner.measure.outline import Outline, even_middles, even_place

WIDTH = 2.5
"""Width of a strip, spacings: wider ones tell more of a random pattern, narrower ones follow the border better."""
STEP = 0.5
"""Distance of the strips, widths."""
BEYOND = 1.5
"""Points up to this many spacings beyond the border are looked at."""
DEPTH = 7.0
"""The gaps are those down to this many spacings."""
LEAST_GAPS = 4
POOLED = 2
"""The gaps of this many strips on each side are averaged in: few gaps alone give too small a mean."""
OUTLIER = 6.0
"""Strips farther off than this many robust standard deviations are left out; first gaps are skewed, 4 would bias."""
BARE = 5.0
"""A strip whose first gap is this many times the expected one was not seen."""
LEAST_STRIPS = 0.4
"""Share of the strips, out of those that counting could use, that must tell."""
ROUNDS = 5
LEAST_WALL_SCATTER = 0.06
"""mm: points below the edge that scatter across it more than this (and more than three times the noise) are no wall."""
SHARED = 3.0
"""Neighbouring strips share points, and stripes that cross many of them: the variance of the parameters is this much
larger than that of independent strips. Set on simulated holes of 6.6 to 16 mm (60 seeds each of seven patterns)."""


def refine_by_fringe(
    counted: BorderFit,
    points: Floats,
    spacing: float,
    room: Floats,
    wall: Floats | None = None,
    noise: float = 0.0,
    unseen: NDArray[np.bool_] | None = None,
) -> BorderFit | None:
    """Refine a border that counting has found.

    Parameters
    ----------
    counted : where counting has found it.
    points : (n, 2) points of the sheet, none of its wall's, mm.
    spacing : root of the area per point, mm.
    room : (c,) depth of material at even places along the outline, mm.
    wall : (m, 2) points of the wall below the edge, as seen along the sheet's normal, mm.
    noise : standard deviation of the points, mm.
    unseen : (u,) which of even places along the outline are left out.

    Returns
    -------
    The refined fit, or None where the strips don't tell enough.
    """
    outline = counted.outline
    made: tuple[Outline, Floats, Floats, NDArray[np.bool_]] | None = None
    by_wall = 0.0
    for _ in range(ROUNDS):
        told = _wall_offsets(outline, wall, spacing, noise) if wall is not None and len(wall) else None
        strips = _strips(outline, points, spacing, room, told, unseen)
        if strips is None:
            return None
        along, offsets, spread, by_wall = strips
        places = outline.at(along)
        kept, step, covariance = solve_outline(places.rows, offsets, spread, OUTLIER)
        if step is None or covariance is None:
            return None
        rest = offsets - places.rows @ step
        moved = float(np.abs(places.rows @ step).max())
        if moved > 3.0 * spacing:
            return None
        outline = outline.changed(step)
        if not plausible(outline):
            return None
        made = (outline, covariance * SHARED, np.column_stack([along, rest, spread]), kept)
        if moved < 1e-3 * spacing:
            break
    assert made is not None
    outline, covariance, told_by, kept = made
    along, rest = told_by[kept, 0], told_by[kept, 1]
    return BorderFit(
        outline=outline,
        rms=float(np.sqrt(np.mean(rest**2))),
        along=along,
        offsets=rest,
        covariance=covariance,
        cells=_count(outline, spacing),
        left_out=int(np.count_nonzero(~kept)),
        by_fringe=True,
        shared=SHARED,
        walls=by_wall,
        strips=told_by,
    )


def _count(outline: Outline, spacing: float) -> int:
    """Return the number of strips."""
    return max(round(outline.length / (STEP * WIDTH * spacing)), 12)


def _wall_offsets(
    outline: Outline, wall: Floats, spacing: float, noise: float
) -> tuple[NDArray[np.int64], Floats, Floats] | None:
    """Per strip: the number of wall points in it, their mean offset and its scatter; None where they are no wall."""
    located = outline.locate(wall)
    near = np.isfinite(located.along) & (np.abs(located.depth) <= max(spacing, 0.3))
    along, depth = located.along[near], located.depth[near]
    count, length = _count(outline, spacing), outline.length
    if len(depth) < LEAST_GAPS:
        return None
    cell = even_place(along, length, count)
    order = np.lexsort((depth, cell))
    cell, depth, along = cell[order], depth[order], along[order]
    starts, sizes = np.unique(cell, return_index=True, return_counts=True)[1:]
    centre = np.repeat(np.array([np.median(depth[a : a + n]) for a, n in zip(starts, sizes, strict=True)]), sizes)
    rest = np.abs(depth - centre)[np.repeat(sizes, sizes) > 1]
    if len(rest) < LEAST_GAPS:
        return None
    # of n points about their own median the deviations come out too small; for the pairs and threes here by about 1.5
    scatter = 1.5 * 1.4826 * float(np.median(rest))
    limit = max(3.0 * noise, LEAST_WALL_SCATTER)
    if scatter > limit:
        return None
    good = np.abs(depth - centre) <= max(3.0 * scatter, 3.0 * noise, 0.02)
    cell, depth = cell[good], depth[good]
    number = np.bincount(cell, minlength=count)
    mean = np.bincount(cell, weights=depth, minlength=count) / np.maximum(number, 1)
    return number, mean, max(scatter, noise, 1e-3) / np.sqrt(np.maximum(number, 1))


def _strips(
    outline: Outline,
    points: Floats,
    spacing: float,
    room: Floats,
    told: tuple[NDArray[np.int64], Floats, Floats] | None,
    unseen: NDArray[np.bool_] | None = None,
) -> tuple[Floats, Floats, Floats, float] | None:
    """Return where the telling strips stand (k,) along the outline, the border's offset in each and its scatter.

    Last, the share of them that the wall told.
    """
    located = outline.locate(points)
    deepest = DEPTH * spacing
    inside = np.isfinite(located.along) & (located.depth >= -BEYOND * spacing) & (located.depth <= deepest)
    along, depth = located.along[inside], located.depth[inside]
    count, length, half = _count(outline, spacing), outline.length, 0.5 * WIDTH * spacing
    middle = even_middles(outline, count)
    places = outline.at(middle)
    if outline.closed:
        along = np.concatenate([along - length, along, along + length])
        depth = np.concatenate([depth, depth, depth])
    order = np.argsort(along)
    along, depth = along[order], depth[order]
    usable = _usable(outline, middle, half)
    limit = np.minimum(_least_room(room, count), deepest)
    usable &= limit >= 3.5 * spacing
    if unseen is not None:
        usable &= ~unseen[even_place(middle, length, len(unseen))]
    # a strip keeps its width at every depth: where the border bends, its ends draw together in terms of the border
    widest = half / np.maximum(1.0 + places.curvature * np.where(places.curvature < 0, deepest, -BEYOND * spacing), 0.2)
    first, last = np.searchsorted(along, middle - widest), np.searchsorted(along, middle + widest)
    nearest, bare = np.full(count, np.nan), np.zeros(count, dtype=bool)
    sums = np.zeros((count, 3))
    for k in np.flatnonzero(usable):
        d = depth[first[k] : last[k]]
        sideways = np.abs(along[first[k] : last[k]] - middle[k]) * (1.0 + places.curvature[k] * d)
        d = np.sort(d[(sideways <= half) & (d <= limit[k])])
        if len(d) <= LEAST_GAPS:
            bare[k] = True
            continue
        gaps = np.diff(d)
        nearest[k], sums[k] = d[0], (gaps.sum(), (gaps**2).sum(), (gaps**3).sum())
    pooled = sums.copy()
    for shift in range(1, POOLED + 1):
        for way in (shift, -shift):
            moved = np.roll(sums, way, axis=0)
            if not outline.closed:
                moved[slice(0, way) if way > 0 else slice(way, None)] = 0.0
            pooled += moved
    total = np.maximum(pooled[:, 0], 1e-12)
    expected = pooled[:, 1] / (2.0 * total)
    scatter = np.sqrt(np.maximum(pooled[:, 2] / (3.0 * total) - expected**2, 0.0))
    offset = nearest - expected
    bare |= nearest > BARE * expected + spacing
    # beside a place that was not seen, a strip was seen in part only
    reach = int(np.ceil(1.0 / STEP))
    near = bare.copy()
    for shift in range(1, reach + 1):
        near |= np.roll(bare, shift) | np.roll(bare, -shift)
    good = usable & ~near & np.isfinite(offset)
    by_wall = np.zeros(count, dtype=bool)
    if told is not None:
        number, mean, spread = told
        by_wall = (number > 0) & usable
        # a strip without wall points between strips with some: its sheet points may be wall points as well
        between = (np.roll(by_wall, 1) & np.roll(by_wall, -1)) & ~by_wall
        offset, scatter = np.where(by_wall, mean, offset), np.where(by_wall, spread, scatter)
        good = (good & ~between) | by_wall
    if good.sum() < max(2 * len(outline.names), LEAST_STRIPS * usable.sum()) or not usable.any():
        return None
    return middle[good], offset[good], scatter[good], float(by_wall.sum() / good.sum())


def _usable(outline: Outline, middle: Floats, half: float) -> NDArray[np.bool_]:
    """Which strips (k,) lie wholly on the outline and off its corners."""
    found = np.ones(len(middle), dtype=bool)
    if not outline.closed:
        found &= (middle >= half) & (middle <= outline.length - half)
    usable = getattr(outline, "usable", None)
    if usable is not None:
        for way in (-half, 0.0, half):
            found &= usable((middle + way) % outline.length)
    return found


def _least_room(room: Floats, count: int) -> Floats:
    """Return the least room within and beside each strip (k,)."""
    at = (np.arange(count) + 0.5) * len(room) / count
    least = np.full(count, np.inf)
    for way in np.linspace(-1.0, 1.0, 5):
        index = np.floor(at + way * len(room) / count).astype(np.int64) % len(room)
        least = np.minimum(least, room[index])
    return least
