"""Rivals that are the champion once more: poses of one basin that slid apart on a shallow part before the last fit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from runner.align.contest import Evidence
from runner.align.lay import Case
from runner.align.refine import Refined
from runner.align.symmetry import pose_distance
from runner.align.verdict import Judgement

_SAME_MM = 0.02
"""Fits that end this close, or within the scan's noise, are one."""
_BASIN = 0.05
"""Diagonals: a rival farther from the champion is none of its copies, and is not fitted to find that out."""
_MOST = 4


def without_copies(case: Case, judgement: Judgement, refined: Refined, fit: Callable[[Evidence], Refined]) -> Judgement:
    """Drop the rivals from which the last fit ends at the very pose that it ends at from the champion.

    On a panel with a shallow crown two candidates came to rest 1 mm apart, each explaining some places better than the
    other, and either led to the pose that was meant. A rival that ends elsewhere stays one, whichever fits better.
    """
    search, table = case.model.search, case.model.symmetry
    kept = []
    for place, (rival, contest) in enumerate(judgement.rivals):
        beside = pose_distance(rival.pose, judgement.champion.pose, table, search) < _BASIN * search.diagonal
        if place < _MOST and beside:
            apart = pose_distance(fit(rival).nominal_from_scan, refined.nominal_from_scan, table, search)
            if apart < max(_SAME_MM, case.scan.noise):
                continue
        kept.append((rival, contest))
    return replace(judgement, rivals=tuple(kept))
