"""Of a part out of shape a robust fit may have several ends: which of them is the pose."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from runner.align.refine import between
from runner.align.settle import Settled
from runner.geometry.mesh import Floats

MUCH_MORE = 1.05
"""An end that leaves this much more of the scan than another is not the pose. Of 19 bent scans the end that the evened
pose leads to was the lowest known in 18, by up to a fifth, and left 1.8 % more in one."""


@dataclass(frozen=True, eq=False)
class Ends:
    """What was chosen."""

    best: Settled
    apart: float
    """mm at half a diagonal: how far the other end lies; 0 where both are one."""


def choose_end(
    found: Settled,
    evened: Settled | None,
    loss: Callable[[Floats], float],
    centre: Floats,
    half: float,
    free: Floats | None,
    near: float,
) -> Ends:
    """Choose between the end that was found and the one that a fit started at the evened pose comes to.

    Where a fit ends depends on where it starts, and the evened pose, unlike the one that was found, is the same however
    the scan lay and whichever candidate led there; so its end is taken unless it explains the scan plainly less well.

    Parameters
    ----------
    found, evened : the two ends; the second may be missing.
    loss : what a pose (4, 4) leaves of the scan.
    centre, half, free : the fit's own scale; a motion that is left open.
    near : mm at half a diagonal; ends closer than this are one.
    """
    if evened is None:
        return Ends(found, 0.0)
    better = loss(evened.nominal_from_scan) <= MUCH_MORE * loss(found.nominal_from_scan)
    apart = between(found.nominal_from_scan, evened.nominal_from_scan, centre, half, free)
    return Ends(evened if better else found, apart if apart > near else 0.0)
