"""A border without the stretches of it that were not seen: found, left out, and the rest fitted anew."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats
from runner.measure.bare import bare_stretch
from runner.measure.border import BorderFit
from runner.measure.course import PLACES, Course, course_of, waves
from runner.measure.fringe import WIDTH, refine_by_fringe
from runner.measure.outline import all_round, even_middles, even_place

ROUNDS = 5
HELD = 1.0
"""Spacings: what is left holds the outline where its place, all along, is this certain (standard uncertainty)."""
MOST_MOVE = 2.0
"""Spacings: by more than this, and what the unseen stands in, the rest of the border does not move without it."""
BETTER = 1.3
"""A step is sure where one number of waves leaves so many times the sum of squares that it leaves."""
LIKE = 3.0
"""A shadow's stretch is found to a tenth of the border only: a step there leaves 0.3 to 2.8 times the sum of squares
that the waves leave which pass for it; beside a true wave, 5 times and more (seen on holes of 6 mm)."""
BESIDE = 1.0
"""Widths of a strip: so much beside an unseen stretch is left out with it."""


@dataclass(frozen=True, eq=False)
class Seen:
    """The border of what was seen."""

    border: BorderFit
    course: Course
    """How it runs beside its outline."""
    settled: bool
    """Whether what was seen holds the outline; else all of it stays, and what the unseen part may do to it is in the
    covariance."""
    either: Floats
    """(p, k) changes of the outline's parameters where something that was left out is the part's form after all."""

    def doubted(self, border: BorderFit) -> BorderFit:
        """Return a border with these in its covariance."""
        return replace(border, covariance=border.covariance + self.either @ self.either.T)


def without_unseen(
    counted: BorderFit,
    points: Floats,
    spacing: float,
    room: Floats,
    wall: Floats | None = None,
    noise: float = 0.0,
) -> Seen | None:
    """Refine a counted border by the fringe (``refine_by_fringe``), without the stretches that were not seen.

    What stands in but may be the part's own form stays, and what it does to the outline is in its covariance.
    """
    unseen, best, either = np.zeros(PLACES, dtype=bool), None, np.zeros((len(counted.outline.names), 0))
    beside = int(np.ceil(BESIDE * WIDTH * spacing / counted.outline.length * PLACES))

    def seen(out: NDArray[np.bool_], before: BorderFit | None, height: float) -> tuple[BorderFit, Course] | None:
        found = refine_by_fringe(counted, points, spacing, room, wall, noise, out)
        if found is None or found.strips is None:
            return None
        if before is not None and not _holds(found, before, height, out, spacing):
            return None
        return found, course_of(found.outline, found.strips, spacing)

    def bare(found: BorderFit, form: Floats) -> tuple[NDArray[np.bool_], Floats]:
        assert found.strips is not None
        return bare_stretch(found.outline, found.strips, points, spacing, room, form, unseen)

    made = seen(unseen, None, 0.0)
    for _ in range(ROUNDS):
        if made is None:
            break
        found, course = made
        more, change = course.unseen, course.change
        if more.any():
            sure = min(_left_by(found, w) for w in waves(found.outline)) > BETTER * _left_by(found, more[:, None])
        else:
            more, change = bare(found, np.zeros(PLACES))
            if more.any() and course.form.any():
                # a shadow can look like a form, and a form like a shadow: it was a shadow if a step explains the
                # strips about as well, and without it no form is left
                without = None
                if _left_by(found, more[:, None]) < LIKE * _left_by(found, course.form[:, None]):
                    without = seen(unseen | _widened(more, beside, found.outline.closed), found, course.height)
                if without is None or without[1].form.any():
                    more, change = bare(found, course.form)
            sure = not more.any()
        if not sure:
            # likely, but a form of the part would do as well: that reading stays within the uncertainty
            either = np.column_stack([either, change])
        more = _widened(more, beside, found.outline.closed)
        if not (more & ~unseen).any():
            doubt = _moved_by(found, course.doubtful)
            covariance = found.covariance + np.outer(doubt, doubt)
            return Seen(replace(found, covariance=covariance, unseen=unseen), course, True, either)
        unseen = unseen | more
        around = all_round(found.outline) * course.height * float(unseen.mean())
        doubt = np.column_stack([change, around])
        best = replace(found, covariance=found.covariance + doubt @ doubt.T), course
        made = seen(unseen, found, course.height)
    if best is None:
        return None
    return Seen(replace(best[0], unseen=unseen), best[1], False, either)


def _holds(found: BorderFit, before: BorderFit, height: float, unseen: NDArray[np.bool_], spacing: float) -> bool:
    """Whether what is left holds the outline: all of it certain, and the seen part about where it was before."""
    places = found.outline.at(even_middles(found.outline, PLACES))
    doubt = np.sqrt(np.einsum("ij,jk,ik->i", places.rows, found.covariance, places.rows))
    moved = np.abs(before.outline.locate(places.points[~unseen]).depth)
    return bool(doubt.max() <= HELD * spacing and not (moved > MOST_MOVE * spacing + height).any())


def _widened(places: NDArray[np.bool_], reach: int, closed: bool) -> NDArray[np.bool_]:
    """The places (u,) and those beside them."""
    held = np.pad(places, reach, mode="wrap" if closed else "constant")
    found: NDArray[np.bool_] = np.convolve(held, np.ones(2 * reach + 1), mode="valid") > 0.5
    return found


def _weighed_strips(found: BorderFit) -> tuple[Floats, Floats, Floats]:
    """Where the strips (k,) stand, their offsets, mm, and weights: none counts for more than the middle one."""
    assert found.strips is not None
    along, offsets, spread = found.strips.T
    weight: Floats = 1.0 / np.maximum(spread, float(np.median(spread)))
    return along, offsets, weight


def _left_by(found: BorderFit, shapes: NDArray[np.bool_] | Floats) -> float:
    """The sum of squares that shapes (u, k) of the border leave of the strips' offsets, in their variances."""
    along, offsets, weight = _weighed_strips(found)
    there = shapes[even_place(along, found.outline.length, len(shapes))].astype(np.float64)
    held = np.hstack([found.outline.at(along).rows, there]) * weight[:, None]
    rest = offsets * weight - held @ np.linalg.lstsq(held, offsets * weight, rcond=None)[0]
    return float(rest @ rest)


def _moved_by(found: BorderFit, places: NDArray[np.bool_]) -> Floats:
    """How the outline's parameters (p,) would change without some places."""
    along, offsets, weight = _weighed_strips(found)
    rows = found.outline.at(along).rows
    out = places[even_place(along, found.outline.length, len(places))]
    if not out.any() or np.linalg.matrix_rank(rows[~out], tol=1e-9) < rows.shape[1]:
        return np.zeros(rows.shape[1])
    change = np.linalg.lstsq(rows[~out] * weight[~out, None], offsets[~out] * weight[~out], rcond=None)[0]
    return np.asarray(change, dtype=np.float64)
