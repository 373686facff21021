"""More than one part in a scan: poses that explain different points are different parts, not doubts about one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.align.contest import LEAST_COVERAGE, Evidence
from runner.align.lay import Case
from runner.align.search import VOLUME, SearchModel
from runner.align.verdict import MOST_INSIDE, Judgement
from runner.geometry.frames import invert, move_points
from runner.geometry.mesh import Floats

_SHARED = 0.15
"""Two poses of one part share most of the points that they explain; those of two parts, next to none."""
_LIKE = 0.5
"""A second part is seen at least half as well as the first: less may be clutter that happens to be like the nominal."""
_MOST_TIMES = 2
"""Candidates grow at most so many times by unfolding."""
_COUNTS = {2: "two", 3: "three", 4: "four", 5: "five"}


def parts_in(case: Case, judgement: Judgement) -> list[Evidence]:
    """Return the champion and every pose that explains other points about as well; the champion alone as a rule."""
    champion = judgement.champion
    found, taken = [champion], np.isfinite(champion.distance) & (champion.distance < case.tau)
    others = [*(other for other, _ in judgement.rivals), *judgement.beaten]
    for other in sorted(others, key=lambda e: -e.inliers):
        mine = np.isfinite(other.distance) & (other.distance < case.tau)
        seen = other.coverage >= max(LEAST_COVERAGE, _LIKE * champion.coverage) and other.inside <= MOST_INSIDE
        if seen and np.count_nonzero(mine & taken) < _SHARED * np.count_nonzero(mine):
            found.append(other)
            taken |= mine
    return found


def parts_text(parts: list[Evidence], centre: Floats) -> str:
    """Say how many parts lie in the scan and how far apart; ``centre`` (3,) is the nominal's, mm."""
    at = np.array([move_points(invert(part.pose), centre[None])[0] for part in parts])
    away = np.linalg.norm(at[1:] - at[0], axis=1)
    span = f"{away.min():.0f}" if len(away) == 1 else f"{away.min():.0f} to {away.max():.0f}"
    count = _COUNTS.get(len(parts), str(len(parts)))
    return f"{count} parts like the nominal lie in the scan, {span} mm apart"


def unfold(model: SearchModel, rotations: Floats, translations: Floats, points: Floats) -> tuple[Floats, Floats]:
    """Return candidate poses with those that the cyclic correlation folded onto them, where scan points lie there.

    Parameters
    ----------
    rotations, translations
        (c, 3, 3), (c, 3) from ``find_candidates``, which knows a shift only up to whole periods.
    points
        (m, 3) the thinned scan, mm. Where all of it lies within one period nothing is added.
    """
    from scipy.spatial import cKDTree

    period = VOLUME * model.volume_cell
    if not len(points) or float(np.ptp(points, axis=0).max()) < 0.75 * period:
        return rotations, translations
    tree = cKDTree(points[:: max(1, len(points) // 5000)])
    steps = np.arange(-2, 3)
    shifts = period * np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    shifts = shifts[np.argsort(np.abs(shifts).sum(axis=1), kind="stable")]
    # where each pose would have the nominal's middle in the scan
    moved = translations[:, None, :] + shifts
    middle = np.einsum("cji,ckj->cki", rotations, model.centre - moved)
    near = tree.query_ball_point(middle.reshape(-1, 3), 0.5 * model.diagonal, return_length=True, workers=2)
    share: NDArray[np.float64] = np.asarray(near).reshape(len(rotations), -1) / tree.n
    which, shift = np.nonzero(share > 0.01)
    # a scan much larger than the part has points nearly everywhere: the fullest places are tried, no others
    fullest = np.sort(np.argsort(-share[which, shift], kind="stable")[: _MOST_TIMES * len(rotations)])
    which, shift = which[fullest], shift[fullest]
    return rotations[which], moved[which, shift]
