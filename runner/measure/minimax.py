"""The step along a few movements that makes the largest of many deviations least."""

from __future__ import annotations

from typing import Any

import numpy as np

from runner.geometry.mesh import Floats

ROUNDS = 60
STARTING = 24
"""Rows of the first programme per side."""


EXACT: Any = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}


def least_largest(
    rows: Floats, values: Floats, limit: Floats | None = None, stay: float = 0.0
) -> tuple[Floats, float] | None:
    """Return the step q (k,) and the least t with ``|values + rows q| <= t`` for all n; None when there is none.

    A linear programme over the few rows that matter, to which the most violated ones are added until none is left
    (exact to rounding). The cost is a few passes over all rows.

    Parameters
    ----------
    rows : (n, k)
    values : (n,)
    limit : (k,) largest step along each movement, or None.
    stay : price of moving some place by one, over what is gained: where several steps are equally good, a small price
        picks the least, so that what the largest deviations don't hold comes to rest.
    """
    from scipy.optimize import linprog

    n, k = rows.shape
    if not n:
        return None
    scale = np.maximum(np.abs(rows).max(axis=0), 1e-12)
    size = max(float(np.abs(values).max()), 1e-9)
    scaled, aims = rows / scale, values / size
    # a step as the difference of two parts, so that its size has a price
    most = [None] * k if limit is None else [float(b) for b in np.asarray(limit) * scale / size]
    bounds: list[tuple[float, float | None]] = [*((0.0, b) for b in most + most), (0.0, None)]
    cost = np.append(np.full(2 * k, stay), 1.0)
    chosen = _worst(aims, STARTING)
    # some spread over the whole, so that the first programme is bounded
    chosen = np.unique(np.concatenate([chosen, np.linspace(0, n - 1, min(n, 4 * STARTING)).astype(np.int64)]))
    step = np.zeros(k)
    for _ in range(ROUNDS):
        part, aim = scaled[chosen], aims[chosen]
        one = np.ones((len(chosen), 1))
        found = linprog(
            cost,
            A_ub=np.vstack([np.hstack([part, -part, -one]), np.hstack([-part, part, -one])]),
            b_ub=np.concatenate([-aim, aim]),
            bounds=bounds,
            method="highs",
            options=EXACT,
        )
        if not found.success:
            return None
        answer = np.asarray(found.x)
        step, width = answer[:k] - answer[k : 2 * k], float(answer[2 * k])
        left = aims + scaled @ step
        if float(np.abs(left).max()) <= width + 1e-9:
            break
        added = np.unique(np.concatenate([chosen, _worst(left, STARTING)]))
        if len(added) == len(chosen):
            break
        chosen = added
    left = aims + scaled @ step
    return step * size / scale, float(np.abs(left).max()) * size


def _worst(values: Floats, count: int) -> np.ndarray:
    """Rows of the highest and the lowest values."""
    few = min(count, len(values))
    return np.concatenate([np.argpartition(-values, few - 1)[:few], np.argpartition(values, few - 1)[:few]])
