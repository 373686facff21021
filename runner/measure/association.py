"""Association of datums outside the material, over the movements that are still free.

Faces that enclose each other (bores, shafts, widths, spheres, patterns of them) grow out of the material by equal
amounts until they fit: the largest inscribed or smallest circumscribed ones (ISO 5459:2011, annex A; ASME
Y14.5.1-2019, 4.3). Faces that are open on one side (planes, coplanar planes, cones) are touched from outside: by ISO
with the least largest distance, by ASME with the least sum of squared distances (its constrained rule). Clauses are
quoted from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from runner.geometry.fits.contact import OUTER, associate
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cone, Plane
from runner.measure.contact import Face
from runner.measure.element import array, place
from runner.measure.twists import as_rigid, null_space, rows_of_direction, rows_of_points

ROUNDS = 8
SETTLED = 1e-12
FARTHEST = 2.0
"""mm: an answer farther than this from the least-squares element is none: the faces don't hold the part."""
EXACT: Any = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}


def encloses(faces: Sequence[Face], basis: Floats, centre: Floats) -> bool:
    """Whether the faces hold the part in all movements ``basis`` (6, k) from both sides."""
    from scipy.optimize import linprog

    rows = np.vstack([_thinned(f.rows(np.eye(4), centre)) for f in faces]) @ basis
    rows = rows / np.maximum(np.abs(rows).max(axis=0), 1e-12)
    # a movement that takes every face away from contact: rows q <= 0, not all zero
    for k in range(rows.shape[1]):
        for sign in (1.0, -1.0):
            aim = np.zeros(rows.shape[1])
            aim[k] = sign
            found = linprog(aim, A_ub=rows, b_ub=np.full(len(rows), 1e-3), bounds=(-1, 1), method="highs")
            if found.success and float(np.mean(np.maximum(-(rows @ found.x), 0.0))) > 0.05:
                return False
    return True


def _thinned(rows: Floats) -> Floats:
    return rows[:: max(1, len(rows) // 300)]


def grow(
    faces: Sequence[Face], move: Floats, basis: Floats, centre: Floats, loose: Floats | None = None
) -> tuple[Floats, float] | str:
    """Move the part so that its faces, grown out of the material by equal amounts, need the least growth.

    Parameters
    ----------
    faces : of one or several features.
    move : (4, 4) movement so far, near the answer.
    basis : (6, k) movements that this datum may use.
    centre : (3,) about which they turn.
    loose : (6, m) movements that the datum's own place may take without moving the part (its place says nothing);
        None: none.

    Returns
    -------
    The new movement (4, 4) and the growth, mm (negative: smaller than nominal); or the reason why there is none.
    """
    free = basis.shape[1]
    ways = basis if loose is None else np.hstack([basis, loose])
    slopes = np.vstack([f.rows(move, centre) for f in faces]) @ ways
    size = np.maximum(np.abs(slopes).max(axis=0), 1e-12)
    number = np.concatenate([np.full(len(f.points), float(k)) for k, f in enumerate(faces)])
    packed = np.column_stack([np.vstack([f.points for f in faces]), number])

    def heights(x: Floats, some: Floats) -> tuple[Floats, Floats]:
        now = as_rigid(ways @ (x / size), centre) @ move
        value, slope = np.zeros(len(some)), np.zeros((len(some), len(x)))
        for k, face in enumerate(faces):
            mine = some[:, 3] == k
            if mine.any():
                part = Face(some[mine, :3], face.wanted, face.outward)
                value[mine] = part.heights(now)
                # the slope per twist at the frame reached: to second order that per step from the start
                slope[mine] = part.rows(now, centre) @ ways / size
        return value, slope

    x = np.zeros(ways.shape[1])
    value = np.inf
    for _ in range(ROUNDS):
        answer = associate(heights, packed, x, OUTER)
        if not np.all(np.isfinite(answer.x)) or float(np.abs(answer.x).max(initial=0.0)) > FARTHEST:
            return "its faces don't hold it from all sides"
        step = ways @ (answer.x / size)
        if loose is not None:
            # only what moves the part is kept; the loose place is found anew
            step = basis @ (answer.x[:free] / size[:free])
            return as_rigid(step, centre) @ move, float(answer.high)
        move = as_rigid(step, centre) @ move
        gained, value = value - float(answer.high), float(answer.high)
        if float(np.abs(answer.x).max(initial=0.0)) < 1e-9 or gained < 1e-11:
            break
    return move, value


def touch(faces: Sequence[Face], move: Floats, basis: Floats, centre: Floats, *, squares: bool = False) -> Floats | str:
    """Move the part so that its faces touch their places from inside the material.

    Parameters
    ----------
    faces : planes (of one datum plane, or several) or cones.
    move, basis, centre : as in ``grow``.
    squares : least sum of squared distances (ASME Y14.5.1-2019) and not least largest distance (ISO 5459:2011).

    Returns
    -------
    The new movement (4, 4), or the reason why there is none.
    """
    # a datum whose place is held by higher ones touches wherever it is: a common offset that moves nothing
    loose = not all(_can_shift(f, basis, centre) for f in faces)
    for _ in range(ROUNDS):
        heights = np.concatenate([f.heights(move) for f in faces])
        rows = np.vstack([f.rows(move, centre) for f in faces]) @ basis
        scale = np.maximum(np.abs(rows).max(axis=0), 1e-12)
        table = np.hstack([rows / scale, np.ones((len(rows), 1))]) if loose else rows / scale
        answer = _least_squares(table, heights) if squares else _least_width(table, heights)
        if isinstance(answer, str):
            return answer
        step = basis @ (answer[: basis.shape[1]] / scale)
        move = as_rigid(step, centre) @ move
        if float(np.abs(step).max()) < SETTLED:
            break
    return move


def _can_shift(face: Face, basis: Floats, centre: Floats) -> bool:
    """Whether some movement of the basis shifts the face along its normal without turning it."""
    wanted = face.wanted
    if isinstance(wanted, Cone):
        axis = array(wanted.axis)
    elif isinstance(wanted, Plane):
        axis = array(wanted.normal)
    else:
        return True
    still = null_space(rows_of_direction(axis)[0], basis)
    row = rows_of_points(place(wanted)[None], axis[None], centre)
    return bool(still.shape[1]) and float(np.abs(row @ still).max()) > 1e-9


def _least_width(table: Floats, heights: Floats) -> Floats | str:
    """Minimise t with -t <= heights + table q <= 0, by a linear programme to which violated rows are added."""
    from scipy.optimize import linprog

    n, k = table.shape
    unit = max(float(np.ptp(heights)), 1e-9)
    aims = heights / unit
    few = min(n, 60)
    chosen = np.unique(
        np.concatenate(
            [
                np.argpartition(-heights, few - 1)[:few],
                np.argpartition(heights, few - 1)[:few],
                np.linspace(0, n - 1, min(n, 300)).astype(np.int64),
            ]
        )
    )
    cost = np.append(np.zeros(k), 1.0)
    solution = np.zeros(k)
    for _ in range(60):
        part, aim = table[chosen], aims[chosen]
        found = linprog(
            cost,
            A_ub=np.vstack([np.hstack([part, np.zeros((len(part), 1))]), np.hstack([-part, -np.ones((len(part), 1))])]),
            b_ub=np.concatenate([-aim, aim]),
            bounds=[(None, None)] * k + [(0.0, None)],
            method="highs",
            options=EXACT,
        )
        if not found.success:
            return f"no plane touches it ({found.message})"
        answer = np.asarray(found.x)
        solution = answer[:k]
        after = aims + table @ solution
        wrong = np.maximum(after, -answer[k] - after)
        if float(wrong.max()) <= 1e-9:
            break
        worst = np.argpartition(-wrong, min(24, n - 1))[: min(25, n)]
        added = np.unique(np.concatenate([chosen, worst]))
        if len(added) == len(chosen):
            break
        chosen = added
    return solution * unit


def _least_squares(table: Floats, heights: Floats) -> Floats | str:
    """Minimise the sum of squares of ``heights + table q`` with none above 0.

    Source: C. L. Lawson, R. J. Hanson, Solving Least Squares Problems (1974), chapter 23: problem LSI made a problem
    of least distance, and that one of non-negative least squares.
    """
    from scipy.optimize import nnls

    n, k = table.shape
    unit = max(float(np.ptp(heights)), 1e-9)
    aims = heights / unit
    u, values, vt = np.linalg.svd(table, full_matrices=False)
    if values[-1] < 1e-9 * values[0]:
        return "it leaves open how it is touched"
    # q = V S^-1 (z - U^T h): the least z with  U z <= U U^T h - h
    start = u.T @ aims
    right = u @ start - aims
    try:
        force, left = nnls(np.vstack([-u.T, -right[None]]), np.append(np.zeros(k), 1.0), maxiter=50 * n)
    except RuntimeError as error:
        return f"no plane touches it ({error})"
    if left < 1e-12:
        return "no plane touches it"
    rest = np.append(np.zeros(k), 1.0) - np.vstack([-u.T, -right[None]]) @ force
    z = -rest[:k] / rest[k]
    return np.asarray(vt.T @ ((z - start) / values)) * unit
