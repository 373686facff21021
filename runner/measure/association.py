"""Association of datums outside the material, as linear programmes over the movements that are still free."""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import move_points
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cylinder, Plane
from runner.measure.element import array, axial
from runner.measure.twists import as_rigid, rows_of_points

ROUNDS = 6


def touch_plane(points: Floats, plane: Plane, move: Floats, basis: Floats, centre: Floats) -> Floats | str:
    """Move the part so that the nominal plane touches it from outside with the least largest distance.

    Parameters
    ----------
    points : (n, 3) of the fitted frame, on the datum feature.
    plane : the nominal plane, its normal out of the material.
    move : (4, 4) movement so far.
    basis : (6, k) movements that this datum may use.

    Returns
    -------
    The new movement (4, 4), or the reason why there is none.

    Source: ISO 5459:2011, 7.4.2 and annex A (associated plane tangent outside the material, minimised largest
    distance); solved as a linear programme.
    """
    normal, origin = array(plane.normal), array(plane.point)
    for _ in range(ROUNDS):
        now = move_points(move, points)
        heights = (now - origin) @ normal
        rows = rows_of_points(now, np.broadcast_to(normal, now.shape), centre) @ basis
        # unknowns: steps along the basis, a free offset that only counts when no movement can give it, the width
        solution = _least_width(rows, heights, movable=_can_shift(basis, plane, centre))
        if isinstance(solution, str):
            return solution
        step = basis @ solution
        move = as_rigid(step, centre) @ move
        if float(np.abs(step).max()) < 1e-12:
            break
    return move


def _can_shift(basis: Floats, plane: Plane, centre: Floats) -> bool:
    """Whether some movement of the basis shifts the plane's own point along its normal without turning it."""
    from runner.measure.twists import null_space, rows_of_direction

    normal = array(plane.normal)
    still = null_space(rows_of_direction(normal)[0], basis)
    row = rows_of_points(array(plane.point)[None], normal[None], centre)
    return bool(still.shape[1]) and float(np.abs(row @ still).max()) > 1e-9


def _least_width(rows: Floats, heights: Floats, *, movable: bool) -> Floats | str:
    """Minimise t with -t <= heights + rows q + c <= 0, c = 0 when ``movable``."""
    from scipy.optimize import linprog

    n, k = rows.shape
    scale = np.maximum(np.abs(rows).max(axis=0), 1e-12)
    scaled = rows / scale
    ones = np.ones((n, 1))
    above = np.hstack([scaled, ones, 0 * ones])
    below = np.hstack([-scaled, -ones, -ones])
    bounds: list[tuple[float | None, float | None]] = [(None, None)] * k
    bounds += [(0.0, 0.0) if movable else (None, None), (0.0, None)]
    cost = np.zeros(k + 2)
    cost[-1] = 1.0
    found = linprog(
        cost,
        A_ub=np.vstack([above, below]),
        b_ub=np.concatenate([-heights, heights]),
        bounds=bounds,
        method="highs",
    )
    if not found.success:
        return f"no tangent plane was found ({found.message})"
    solution: Floats = np.asarray(found.x)[:k] / scale
    return solution


def touch_cylinder(
    points: Floats, cylinder: Cylinder, outward: int, move: Floats, basis: Floats, centre: Floats
) -> Floats | str:
    """Move the part so that the nominal axis is that of the largest inscribed or smallest circumscribed one.

    ``outward`` is -1 for a bore, +1 for a shaft; the other parameters as in ``touch_plane``.

    Source: ISO 5459:2011, annex A (maximum inscribed, minimum circumscribed); successive linear programmes.
    """
    from scipy.optimize import linprog

    axis, origin = array(cylinder.axis), array(cylinder.point)
    best, best_move = -np.inf, move
    limit = 0.05
    for _ in range(4 * ROUNDS):
        now = move_points(move, points)
        _, distance, radial = axial(now, origin, axis)
        value = -float(distance.max()) if outward > 0 else float(distance.min())
        if value > best + 1e-10:
            gain, best, best_move = value - best, value, move
            if gain < 1e-8:
                break
        else:
            move, limit = best_move, limit / 4.0
            if limit < 1e-7:
                break
            now = move_points(move, points)
            _, distance, radial = axial(now, origin, axis)
        rows = rows_of_points(now, radial, centre) @ basis
        scale = np.maximum(np.abs(rows).max(axis=0), 1e-12)
        scaled = rows / scale
        ones = np.ones((len(now), 1))
        if outward > 0:  # radius >= distance + rows q, as small as possible
            table, right, cost_of_radius = np.hstack([scaled, -ones]), -distance, 1.0
        else:  # radius <= distance + rows q, as large as possible
            table, right, cost_of_radius = np.hstack([-scaled, ones]), distance, -1.0
        cost = np.zeros(basis.shape[1] + 1)
        cost[-1] = cost_of_radius
        bounds: list[tuple[float | None, float | None]] = [(-limit, limit)] * basis.shape[1] + [(None, None)]
        found = linprog(cost, A_ub=table, b_ub=right, bounds=bounds, method="highs")
        if not found.success:
            return f"no {'circumscribed' if outward > 0 else 'inscribed'} cylinder was found ({found.message})"
        move = as_rigid(basis @ (np.asarray(found.x)[:-1] / scale), centre) @ move
    return best_move
