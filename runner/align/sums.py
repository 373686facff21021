"""Sums of the normal equations over many points: one pass, no arrays of rows in between."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import prange

from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats


def equations(
    moved: Floats, direction: Floats, weight: Floats, residual: Floats, centre: Floats, half: float
) -> tuple[Floats, Floats]:
    """Sum the normal equations of small movements that change residuals along given directions.

    Parameters
    ----------
    moved, direction
        (P, M, 3) points of P poses, mm, and the unit directions along which their residuals lie.
    weight, residual
        (P, M), the latter in mm.
    centre, half
        Turns are taken about ``centre``, (3,), and scaled by ``half``, mm.

    Returns
    -------
    Hessians (P, 6, 6) and gradients (P, 6), turn first: sums of w * row * row^T and of w * row * residual.
    """
    hessian, gradient = np.zeros((len(moved), 6, 6)), np.zeros((len(moved), 6))
    _sum(moved, direction, np.ascontiguousarray(weight), residual, centre, float(half), hessian, gradient)
    return hessian, gradient


@kernel
def _sum(
    moved: Any, direction: Any, weight: Any, residual: Any, centre: Any, half: Any, hessian: Any, gradient: Any
) -> Any:
    # one pose is one thread's, point by point: the sums don't depend on the number of threads
    for p in prange(len(moved)):
        square = np.zeros((6, 6))
        total = np.zeros(6)
        row = np.empty(6)
        for m in range(moved.shape[1]):
            w = weight[p, m]
            if w == 0.0:
                continue
            x = (moved[p, m, 0] - centre[0]) / half
            y = (moved[p, m, 1] - centre[1]) / half
            z = (moved[p, m, 2] - centre[2]) / half
            row[3], row[4], row[5] = direction[p, m, 0], direction[p, m, 1], direction[p, m, 2]
            row[0] = y * row[5] - z * row[4]
            row[1] = z * row[3] - x * row[5]
            row[2] = x * row[4] - y * row[3]
            for i in range(6):
                pull = w * row[i]
                total[i] += pull * residual[p, m]
                for j in range(i + 1):
                    square[i, j] += pull * row[j]
        for i in range(6):
            gradient[p, i] = total[i]
            for j in range(i + 1):
                hessian[p, i, j] = square[i, j]
                hessian[p, j, i] = square[i, j]
