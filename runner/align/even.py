"""A pose in which the largest deviations are small, for judging parts that are bent by about as much as is expected.

A robust fit lays most of a bent part onto the nominal and leaves the rest far off, farther than the part is bent at
all. Whether a pose exists in which everything lies within the expected form error is asked of the fit to the fourth
powers instead, which is near the one whose largest deviation is least and, unlike it, can stand clutter.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.align.bins import DirectionBins
from runner.align.refine import normal_equations, pair_up, push_all
from runner.geometry.mesh import Floats

POWER = 4
FULL = 0.6
"""Up to this share of the reach points pull by the power alone; from there on less and less."""
STEPS = 40
STILL_MM = 1e-3


def even_out(
    bins: DirectionBins,
    rotations: Floats,
    translations: Floats,
    points: Floats,
    normals: Floats,
    signed: NDArray[np.bool_],
    centre: Floats,
    half: float,
    reach: float,
) -> tuple[Floats, Floats]:
    """Move P poses, (P, 3, 3), (P, 3), to where the fourth powers of the deviations of scan points (M, 3) are least.

    Points farther than ``reach``, mm, from surface that faces their way don't count. Turns are taken about ``centre``,
    (3,), and scaled by ``half``, mm.
    """
    rotations, translations = rotations.copy(), translations.copy()
    moving = np.arange(len(rotations))
    for _ in range(STEPS):
        pairs = pair_up(bins, rotations[moving], translations[moving], points, normals, signed, reach)
        part = np.minimum(np.abs(pairs.r) / reach, 1.0)
        weights = part ** (POWER - 2) * np.clip((1.0 - part) / (1.0 - FULL), 0.0, 1.0) * (pairs.distance < reach)
        hessian, right = normal_equations(pairs, weights, 0.02 + 0.05 * reach, centre, half)
        hessian += (1e-9 * np.trace(hessian, axis1=1, axis2=2) + 1e-12)[:, None, None] * np.eye(6)
        # Newton's step for a power is the one of weighted squares over (power - 1); twice that is as safe, and faster
        moves = np.asarray(np.linalg.solve(hessian, right[..., None]), dtype=np.float64)[..., 0] * (2.0 / (POWER - 1))
        # the others go on alone
        moving = moving[push_all(rotations, translations, moving, moves, centre, half) >= STILL_MM]
        if not len(moving):
            break
    return rotations, translations
