"""Stretches of an edge beside which hardly a point stands, while points stand beside the rest and further in.

Where a shadow is deeper than the points are apart, counting tells it sooner than the first points of strips do: of a
small hole with few strips, or where points are lost beside the edge all round, their offsets scatter too much. An
outline that was fitted to all of the edge hides a part of the shadow, so each stretch is judged against the outline
that the rest of the edge gives.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import xlogy

from runner.geometry.mesh import Floats
from runner.measure.fringe import SHARED
from runner.measure.outline import Outline, even_middles, even_place

DEPTHS = (1.6, 2.5)
"""Spacings beside the border in which points are counted: with fewer, a stripe along a straight side might be missed by
chance."""
BEHIND = (3.5, 7.0)
"""Spacings between which the points are counted that say how many to expect."""
MOST_SHARE = 0.35
"""Of the points that are expected, a bare stretch has at most this share,"""
LEAST_GAIN = 12.0
"""and that it has not as many as the rest raises the logarithm of the likelihood by this: chance alone, over all places
and lengths, by more than 10 in one of a thousand."""
LENGTHS = (0.06, 0.09, 0.13, 0.18, 0.25)
"""Shares of the border: without more of it, half a wave would pass for a shadow."""
STARTS = 36
LEAST_HELD = 1e-6
"""Smallest eigenvalue of what is left of the strips' normal matrix, where all of them give ones on its diagonal."""
CELL = 0.05
"""Spacings of depth that are told apart."""
OUTSIDE = 4.0
"""Spacings outside the outline from which on points are looked at; a stretch's outline may lie half of it aside."""


def bare_stretch(
    outline: Outline,
    strips: Floats,
    points: Floats,
    spacing: float,
    room: Floats,
    form: Floats,
    known: NDArray[np.bool_],
) -> tuple[NDArray[np.bool_], Floats]:
    """Tell beside which places (u,) of the border hardly a point stands: the surest stretch, or none.

    And how the outline's parameters (p,) change without it.

    Parameters
    ----------
    outline : the border found so far.
    strips : (k, 3) along, offset and its scatter of the strips that it was found by, mm.
    points : (n, 2) points of the sheet, mm.
    spacing : root of the area per point, mm.
    room : (c,) depth of material at even places along the outline, mm.
    form : (u,) how the border runs beside the outline by the part's own form, mm, + into the material.
    known : (u,) which places are left out already.
    """
    count, length = len(known), outline.length
    middle = even_middles(outline, count)
    places = outline.at(middle)
    used = (room[even_place(middle, length, len(room))] >= (BEHIND[1] + 0.5 * OUTSIDE) * spacing) & ~known
    table = _counts(outline, points, spacing, count)
    stretches = _stretches(count, outline.closed)
    changes, doubts = _without_each(outline, strips, form, stretches, places.rows)
    # the outline may as well lie deeper there by what it is uncertain
    shifts = (form + changes @ places.rows.T + np.where(stretches, doubts, 0.0)) / spacing
    told = np.isfinite(shifts).all(axis=1) & (np.abs(shifts).max(axis=1) <= 0.5 * OUTSIDE)
    shifts = np.where(told[:, None], shifts, 0.0)
    gains = [_emptiness(table, shifts, places.curvature * spacing, d, stretches, used) for d in DEPTHS]
    gain = np.where(told, np.max(gains, axis=0), 0.0)
    best = int(np.argmax(gain))
    if gain[best] <= LEAST_GAIN:
        return np.zeros(count, dtype=bool), np.zeros(places.rows.shape[1])
    return stretches[best] & used, changes[best]


def _without_each(
    outline: Outline, strips: Floats, form: Floats, stretches: NDArray[np.bool_], rows: Floats
) -> tuple[Floats, Floats]:
    """How the outline's parameters change without each stretch (m, p), and how certain its places then are (m, u).

    NaN where the rest of the strips does not hold the outline, or the stretch has hardly one.
    """
    along, offset, spread = strips.T
    at = even_place(along, outline.length, len(rows))
    weight = 1.0 / np.maximum(spread, float(np.median(spread)))
    held, value = outline.at(along).rows * weight[:, None], (offset - form[at]) * weight
    scale = np.maximum(np.linalg.norm(held, axis=0), 1e-12)
    held = held / scale
    left = (~stretches[:, at]).astype(np.float64)
    normal = np.einsum("mk,ki,kj->mij", left, held, held)
    good = (np.linalg.eigvalsh(normal)[:, 0] > LEAST_HELD) & (left.sum(axis=1) <= len(along) - 2)
    inverse = np.linalg.inv(np.where(good[:, None, None], normal, np.eye(len(scale))))
    change = np.einsum("mij,mj->mi", inverse, np.einsum("mk,ki,k->mi", left, held, value))
    rest = value - change @ held.T
    scatter = np.einsum("mk,mk->m", left, rest**2) / np.maximum(left.sum(axis=1), 1.0)
    reach = rows / scale
    doubt = np.sqrt(SHARED * scatter[:, None] * np.einsum("ui,mij,uj->mu", reach, inverse, reach))
    nowhere = np.where(good, 0.0, np.nan)[:, None]
    return change / scale + nowhere, doubt + nowhere


def _stretches(count: int, closed: bool) -> NDArray[np.bool_]:
    """The stretches (m, u) that come into question."""
    sizes = np.repeat([max(round(share * count), 1) for share in LENGTHS], STARTS)
    starts = np.tile(np.arange(STARTS) * count // STARTS, len(LENGTHS))
    fits = closed | (starts + sizes <= count)
    found: NDArray[np.bool_] = (np.arange(count) - starts[fits, None]) % count < sizes[fits, None]
    return found


def _counts(outline: Outline, points: Floats, spacing: float, count: int) -> Floats:
    """Points (u, d + 1) beside each place that lie less deep than each of even depths from ``OUTSIDE`` on."""
    located = outline.locate(points)
    cells = round((2.0 * OUTSIDE + BEHIND[1]) / CELL)
    depth = (located.depth / spacing + OUTSIDE) / CELL
    inside = np.isfinite(located.along) & (depth >= 0) & (depth < cells)
    place = even_place(located.along[inside], outline.length, count)
    table = np.bincount(place * cells + depth[inside].astype(np.int64), minlength=count * cells).reshape(count, cells)
    found: Floats = np.concatenate([np.zeros((count, 1)), np.cumsum(table, axis=1)], axis=1)
    return found


def _between(table: Floats, shift: Floats, first: float, last: float) -> Floats:
    """Points (m, u) beside each place between two depths, in spacings, below the outline shifted there (m, u)."""
    low, high = (np.rint((shift + depth + OUTSIDE) / CELL).astype(np.int64) for depth in (first, last))
    here = np.arange(len(table))
    return np.asarray(table[here, high] - table[here, low], dtype=np.float64)


def _emptiness(
    table: Floats, shift: Floats, curvature: Floats, deepest: float, stretch: NDArray[np.bool_], used: NDArray[np.bool_]
) -> Floats:
    """How much surer (m,) the points are of a stretch with few of them than of none; 0 where it has enough."""

    def area(first: float, last: float) -> Floats:
        return np.maximum((last - first) * (1.0 + (0.5 * (first + last) + shift) * curvature), 1e-9)

    seen = np.where(used, _between(table, shift, 0.0, deepest), 0.0)
    expected = np.where(used, _between(table, shift, *BEHIND) / area(*BEHIND) * area(0.0, deepest), 0.0)
    total = seen.sum(axis=1)
    expected *= (total / np.maximum(expected.sum(axis=1), 1e-9))[:, None]
    n, e = (np.where(stretch, x, 0.0).sum(axis=1) for x in (seen, expected))
    bare = (n <= MOST_SHARE * e) & (e > 0) & (e < total)
    n, e, total = np.where(bare, n, 0.0), np.where(bare, e, 1.0), np.where(bare, total, 2.0)
    gain: Floats = xlogy(n, n / e) + (total - n) * np.log((total - n) / (total - e))
    return np.where(bare, gain, 0.0)
