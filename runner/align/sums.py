"""Sums of the normal equations over many points: one pass, no arrays of rows in between."""

from __future__ import annotations

from typing import Any

import numpy as np

from runner.geometry.blocks import run_blocks
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats

_CHUNK = 16_384
"""Points whose sums one thread makes; the same however many threads there are, so that the digits are the same."""


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
    poses, count = weight.shape
    chunks = max(1, -(-count // _CHUNK))
    hessian, gradient = np.zeros((poses * chunks, 6, 6)), np.zeros((poses * chunks, 6))
    run_blocks(
        _sum, poses * chunks, chunks, moved, direction, np.ascontiguousarray(weight), residual, centre, float(half),
        hessian, gradient, block=1,
    )  # fmt: skip
    return hessian.reshape(poses, chunks, 6, 6).sum(axis=1), gradient.reshape(poses, chunks, 6).sum(axis=1)


@kernel
def _sum(
    start: Any, end: Any, chunks: Any, moved: Any, direction: Any, weight: Any, residual: Any, centre: Any, half: Any,
    hessian: Any, gradient: Any,
) -> None:  # fmt: skip
    """Sums of one chunk of one pose's points after another."""
    square = np.empty((6, 6))
    total = np.empty(6)
    row = np.empty(6)
    for k in range(start, end):
        p, chunk = k // chunks, k % chunks
        square[:] = 0.0
        total[:] = 0.0
        for m in range(chunk * _CHUNK, min((chunk + 1) * _CHUNK, moved.shape[1])):
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
            gradient[k, i] = total[i]
            for j in range(i + 1):
                hessian[k, i, j] = square[i, j]
                hessian[k, j, i] = square[i, j]
