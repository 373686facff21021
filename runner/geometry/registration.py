"""Rigid registration of points whose partners are known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.fits.result import FailedFit
from runner.geometry.frames import rigid
from runner.geometry.mesh import Floats


@dataclass(frozen=True, eq=False)
class Registration:
    """The rigid transform that brings points of frame b nearest to their partners in frame a."""

    a_from_b: Floats
    """(4, 4)."""
    rms: float
    """mm, weighted."""
    sum_squares: float
    """Weighted."""
    points: int
    weakest: float
    """mm: root mean square extent of the points across the axis they hold the rotation about least."""


def register(
    points_b: Floats, points_a: Floats, weights: Floats | None = None, *, move: bool = True
) -> Registration | FailedFit:
    """Return the rotation and translation with the least weighted sum of squared distances a - (R b + t).

    The rotation is proper (determinant +1) also where a mirror image would lie nearer.

    Parameters
    ----------
    points_b, points_a : (n, 3) mm, partners in the same row; n >= 3, or n >= 2 with ``move=False``.
    weights : (n,) not negative.
    move : False keeps the origin: rotation only.

    Returns
    -------
    ``Registration``; ``FailedFit`` when the points leave a rotation open (one place, one line) or mirror images
    fit equally well.

    Source: S. Umeyama, IEEE Trans. PAMI 13 (1991) 376-380, without scale.
    """
    b, a = np.asarray(points_b, dtype=np.float64), np.asarray(points_a, dtype=np.float64)
    if b.shape != a.shape or b.ndim != 2 or b.shape[1] != 3:
        raise ValueError(
            f"both must be (n, 3) with partners in the same row; these have shapes {b.shape} and {a.shape}"
        )
    w = np.ones(len(b)) if weights is None else np.asarray(weights, dtype=np.float64)
    if w.shape != (len(b),):
        raise ValueError(f"weights must be ({len(b)},); these have shape {w.shape}")
    if not (np.all(np.isfinite(b)) and np.all(np.isfinite(a))):
        return FailedFit("some coordinates are not finite")
    if not np.all(np.isfinite(w)) or np.any(w < 0):
        return FailedFit("weights must be finite and not negative")
    b, a, w = b[w > 0], a[w > 0], w[w > 0]
    least = 3 if move else 2
    if len(b) < least:
        return FailedFit(f"too few points: {len(b)} given, a rigid registration needs at least {least}")
    share = (w / w.sum())[:, None]
    middle_b, middle_a = (np.zeros(3), np.zeros(3)) if not move else ((share * b).sum(axis=0), (share * a).sum(axis=0))
    local_b, local_a = b - middle_b, a - middle_a
    left, values, right = np.linalg.svd((share * local_a).T @ local_b)
    sign = np.sign(np.linalg.det(left @ right))
    spread = np.linalg.svd(np.sqrt(share) * local_b, compute_uv=False)
    reach = float(np.abs(b).max() + np.abs(a).max())
    if spread[1] <= max(1e-10 * spread[0], 1e-15 * reach):
        return FailedFit("the points lie in one place or one straight line: they leave a rotation open")
    if values[1] + sign * values[2] <= 1e-12 * values[0]:
        return FailedFit("the partners don't fix the rotation: several turns fit equally well")
    rotation = left @ np.diag([1.0, 1.0, sign]) @ right
    rest = local_a - local_b @ rotation.T
    total = float(np.sum(w * np.einsum("ij,ij->i", rest, rest)))
    return Registration(
        a_from_b=rigid(rotation, middle_a - rotation @ middle_b),
        rms=float(np.sqrt(total / w.sum())),
        sum_squares=total,
        points=len(b),
        weakest=float(np.hypot(spread[1], spread[2])),
    )
