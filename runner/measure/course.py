"""How the border runs beside its outline: waves of the part's own form, and stretches that were not seen.

Where a stretch of the edge lies in shadow, the first points stand in from the border by the shadow's depth, and the
outline fitted to all of it is wrong and looks right. Against the rest of the border such a stretch is a step; a form
error of the part is a wave. Steps and waves are taken up one by one, each time the one that explains most of the
strips' offsets, as long as it explains more than chance would. A stretch that stands in is called unseen; what stands
out is material.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats
from runner.measure.fringe import SHARED
from runner.measure.outline import CircleOutline, Outline, SlotOutline

STEP_GAIN = 20.0
"""A step must lower the sum of squares (in variances of an independent strip) by this much. Of
38 to 157 independent strips the largest of the many places and lengths is 7 to 10 by chance, and below 12 to 15 in 19
of 20 (17 to 23 where their offsets are skewed): 60 simulated borders each."""
WAVE_GAIN = 13.8
"""A wave (two parameters) by this much: one in a thousand by chance."""
WAVES = 6
"""Waves per turn that are looked for, at most."""
MOST = 12
"""Steps and waves."""
LEAST_STRETCH = 0.04
MOST_STRETCH = 0.5
"""Share of the border that a step may take."""
LEAST_STRIPS = 24
"""Of fewer strips nothing is said."""
HEIGHT = 1.0
"""Spacings: what stands in by more is unseen; by less, it may be the part's form."""
BASE = 0.3
"""The outermost level that so much of the border reaches is the border's."""
BLOCKS = 12
MOST_RATIO = 2.0
"""Sums over blocks of strips vary by this, over what is expected, in about one of a hundred by chance (simulated)."""
LEAST_OWN = 0.015
"""Share of a step that the outline cannot follow: of less, nothing is said."""
CLIP = 8.0
"""Robust standard deviations: farther off, a single strip counts no more."""
PLACES = 360
"""Even places along the outline for which the course is given."""


@dataclass(frozen=True, eq=False)
class Course:
    """How the border runs beside the outline, at even places along it."""

    wave: Floats
    """(PLACES,) mm, + into the material; of steps and waves."""
    form: Floats
    """(PLACES,) mm, of waves alone."""
    unseen: NDArray[np.bool_]
    """(PLACES,) which stand in too far to be the part's form,"""
    doubtful: NDArray[np.bool_]
    """(PLACES,) and which stand in, but might be."""
    change: Floats
    """(p,) how the outline's parameters change where steps and waves are none of its border."""
    height: float
    """mm: how far the innermost of it stands in from the border's own level."""
    excess: float
    """Standard deviation of the offsets, mm, that neither these nor chance explain."""


def course_of(outline: Outline, strips: Floats, spacing: float) -> Course:
    """Take the offsets of strips apart.

    Parameters
    ----------
    outline : the fitted outline.
    strips : (k, 3) where they stand, their offsets from the outline (+ into the material) and the standard deviations
        of these by chance, mm.
    spacing : root of the area per point, mm.
    """
    nowhere = np.zeros(PLACES, dtype=bool)
    count = len(strips)
    if count < LEAST_STRIPS:
        return Course(np.zeros(PLACES), np.zeros(PLACES), nowhere, nowhere, np.zeros(len(outline.names)), 0.0, 0.0)
    along, offsets, spread = strips[np.argsort(strips[:, 0])].T
    share = along / outline.length
    weight = 1.0 / np.maximum(spread, float(np.median(spread)))
    # chance is judged by how neighbours differ, too, which no step and no wave changes much
    jumps = (offsets[2:] - offsets[:-2]) * np.minimum(weight[2:], weight[:-2])
    weight /= max(1.4826 * float(np.median(np.abs(jumps))) / np.sqrt(2.0), 1.0) * np.sqrt(SHARED)
    value = offsets * weight
    value = np.clip(value, -CLIP / np.sqrt(SHARED), CLIP / np.sqrt(SHARED))
    rows = outline.at(along).rows
    own = rows.shape[1]
    held = rows * weight[:, None]
    places = (np.arange(PLACES) + 0.5) / PLACES
    steps = _steps(outline, share)
    is_circle = isinstance(outline, CircleOutline)
    shown: list[Floats] = []
    for _ in range(MOST):
        base = np.linalg.qr(held)[0]
        rest = value - base @ (base.T @ value)
        gain_step, best = _best_step(rest, base, weight, share, steps)
        gain_wave, number = _best_wave(rest, base, weight, share, outline.closed, _first_wave(outline))
        if gain_step - STEP_GAIN <= 0 and gain_wave - WAVE_GAIN <= 0:
            break
        if gain_step - STEP_GAIN > gain_wave - WAVE_GAIN:
            more, there = _inside(share, best), _inside(places, best)
        else:
            more, there = _wave(share, number, outline.closed), _wave(places, number, outline.closed)
        held = np.column_stack([held, more * weight[:, None]])
        shown.append(there)
    factors = np.asarray(np.linalg.lstsq(held, value, rcond=None)[0], dtype=np.float64)
    rest = value - held @ factors
    wave, level = np.zeros(PLACES), np.zeros(PLACES)
    at = own
    for there in shown:
        part = there @ factors[at : at + there.shape[1]]
        at += there.shape[1]
        wave += part
        if there.shape[1] == 1:
            level += part
    if not is_circle and np.abs(wave).max() < HEIGHT * spacing:
        # along a straight border that runs almost with the stripes, chance itself comes in waves
        wave[:], level[:] = 0.0, 0.0
    form = wave - level
    level -= np.quantile(level, BASE)
    unseen = level > HEIGHT * spacing
    # sums over blocks show what is left over: chance alone gives 1
    blocks = [(b.sum() ** 2, len(b)) for b in np.array_split(rest, BLOCKS)]
    ratio = float(np.mean([s / max(n, 1) for s, n in blocks]))
    excess = 0.0
    if ratio > MOST_RATIO:
        excess = float(np.median(1.0 / weight)) * float(np.sqrt((ratio - 1.0) * BLOCKS / count))
    return Course(wave, form, unseen, (level > 1e-9) & ~unseen, factors[:own], float(level.max()), excess)


def _steps(outline: Outline, share: Floats) -> Floats:
    """Starts and ends (m, 2) of the stretches that come into question, as shares of the length."""
    closed = outline.closed
    bounds = np.concatenate([share - 0.25 / len(share), [share[-1] + 0.25 / len(share)]])
    n = len(share)
    sizes = np.unique(np.geomspace(max(LEAST_STRETCH * n, 3.0), MOST_STRETCH * n, 14).astype(int))
    found = []
    for size in sizes:
        for k in range(n if closed else n - size + 1):
            last = k + size
            found.append((bounds[k], bounds[last] if last <= n else 1.0 + bounds[last - n]))
    if isinstance(outline, SlotOutline):
        # a whole end that stands in is nearly a longer slot: exactly this stretch must be among those tried
        found += [(a / outline.length, b / outline.length) for a, b in outline.ends]
    return np.array(found)


def _best_step(rest: Floats, base: Floats, weight: Floats, share: Floats, steps: Floats) -> tuple[float, Floats]:
    """The largest gain of a step over what is held already, and where that is."""
    inside = (share[:, None] - steps[None, :, 0]) % 1.0 < (steps[:, 1] - steps[:, 0])[None]
    shape = inside * weight[:, None]
    shape = shape - base @ (base.T @ shape)
    norm = np.einsum("ij,ij->j", shape, shape)
    free = norm > LEAST_OWN * np.einsum("ij,i->j", inside, weight**2)
    gain = np.where(free, (rest @ shape) ** 2 / np.maximum(norm, 1e-12), 0.0)
    best = int(np.argmax(gain))
    return float(gain[best]), steps[best]


def _inside(share: Floats, step: Floats) -> Floats:
    """Column (k, 1): 1 within a step."""
    return ((share - step[0]) % 1.0 < step[1] - step[0]).astype(np.float64)[:, None]


def waves(outline: Outline) -> list[Floats]:
    """Each form (PLACES, 2) of one number of waves that a border may have beside its outline."""
    places = (np.arange(PLACES) + 0.5) / PLACES
    return [_wave(places, number, outline.closed) for number in range(_first_wave(outline), WAVES + 1)]


def _first_wave(outline: Outline) -> int:
    """The smallest number of waves that the outline does not follow itself."""
    return 2 if isinstance(outline, CircleOutline) else 1


def _wave(share: Floats, number: int, closed: bool) -> Floats:
    """Columns (k, 2) of one wave; on an open border of waves that need not end as they began."""
    angle = (2.0 if closed else 1.0) * np.pi * number * share
    return np.column_stack([np.cos(angle), np.sin(angle)])


def _best_wave(
    rest: Floats, base: Floats, weight: Floats, share: Floats, closed: bool, first: int
) -> tuple[float, int]:
    """The largest gain of a wave over what is held already, and its number."""
    best, found = 0.0, first
    for number in range(first, WAVES + 1):
        shape = _wave(share, number, closed) * weight[:, None]
        shape = shape - base @ (base.T @ shape)
        if np.linalg.matrix_rank(shape, tol=1e-6 * np.sqrt(len(share))) < 2:
            continue
        q = np.linalg.qr(shape)[0]
        gain = float(((rest @ q) ** 2).sum())
        if gain > best:
            best, found = gain, number
    return best, found
