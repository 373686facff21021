"""Of a part out of shape a fit may have several ends: they are looked for around the one found, and compared."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.align.refine import between, pushed
from runner.align.settle import Settled
from runner.geometry.mesh import Floats

DRAWN = 6000
"""So many points tell where a fit started aside goes."""
ASIDE = 1.0
"""Starts lie aside by so many times the limit of the distances that count."""
ALIKE = 0.01
"""Ends whose losses differ by less, of the lower one, explain the scan alike. Of nine bent scans with several ends four
lay within 0.2 to 0.9 %, one of these far from where the fit from the truth ends; five lay 2 to 3.7 % higher, and the
lowest was right."""
NO_MATCH = 0.05
"""Ends of the fit to some points that leave so much more of all than the lowest are not fitted to all, which changes
what is left by up to 2.5 %."""

Fit = Callable[[Floats, "NDArray[np.intp] | None"], "Settled | None"]
"""From a start (4, 4) and rows of the points, or all, to the end."""


@dataclass(frozen=True, eq=False)
class Ends:
    """What was found."""

    best: Settled
    apart: float
    """mm at half a diagonal: how far an end lies that explains the scan as well; 0 where there is none."""


def lowest_end(
    fit: Fit,
    loss: Callable[[Floats], float],
    found: Settled,
    points: int,
    centre: Floats,
    half: float,
    free: Floats | None,
    near: float,
) -> Ends:
    """Start fits all around an end and return the one of lowest loss.

    Parameters
    ----------
    fit, loss : of all points or some, and what a pose (4, 4) leaves of all.
    found : the end to start around.
    points : how many there are.
    centre, half, free : the fit's own scale; a motion that is left open.
    near : mm at half a diagonal; ends closer than this are one.
    """
    drawn = None
    if points > DRAWN:
        drawn = np.sort(np.random.default_rng(5).choice(points, DRAWN, replace=False))
    here = fit(found.nominal_from_scan, drawn)
    if here is None:
        return Ends(found, 0.0)
    seen = [here.nominal_from_scan]
    rough: list[tuple[float, Floats]] = []
    for way in np.vstack([np.eye(6), -np.eye(6)]):
        start = pushed(found.nominal_from_scan, ASIDE * found.limit * way, centre, half)
        end = fit(start, drawn)
        if end is None or any(between(end.nominal_from_scan, k, centre, half, free) < near for k in seen):
            continue
        seen.append(end.nominal_from_scan)
        rough.append((loss(end.nominal_from_scan), end.nominal_from_scan))
    if not rough:
        return Ends(found, 0.0)
    rough.sort(key=lambda pair: pair[0])
    ends, left = [found], [loss(found.nominal_from_scan)]
    enough = min(left[0], rough[0][0]) * (1.0 + NO_MATCH)
    for what, pose in rough:
        if what > enough:
            break
        full = fit(pose, None)
        if full is None or any(
            between(full.nominal_from_scan, e.nominal_from_scan, centre, half, free) < near for e in ends
        ):
            continue
        ends.append(full)
        left.append(loss(full.nominal_from_scan))
        best = int(np.argmin(left))
        apart = max(
            between(ends[best].nominal_from_scan, end.nominal_from_scan, centre, half, free)
            if k != best and left[k] <= left[best] * (1.0 + ALIKE)
            else 0.0
            for k, end in enumerate(ends)
        )
        if apart > 0.0:
            # lowest first: no further end would tell these two apart
            return Ends(ends[best], apart)
    return Ends(ends[int(np.argmin(left))], 0.0)
