"""Minimax association: the element held by the few points it touches, proved by its contacts.

A small working set of points is solved, then every point is looked at, and those that violate the answer join the
set. The answer on a subset is a bound for the whole, so an answer that no point violates is the answer for all.
The contacts are then made exact by Newton steps, and proved by non-negative contact forces in balance
(the Karush-Kuhn-Tucker condition; for circles the 2-2 and 3-point criteria are its special cases).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats

Distance = Callable[[Floats, Floats], tuple[Floats, Floats]]
"""(x (p,), points (n, d)) to the distance (n,) from axis or centre and its derivative (n, p)."""
ZONE, OUTER, INNER = "zone", "outer", "inner"
"""Least largest-minus-smallest distance; least largest; greatest smallest."""


@dataclass(frozen=True, eq=False)
class Contact:
    """A minimax answer with its proof."""

    x: Floats
    high: float
    low: float
    """Largest and smallest distance over all points."""
    touching: NDArray[np.intp]
    """Rows of the points that hold the element."""
    forces: Floats
    """Their contact forces: at the outer element positive, at the inner negative; each side sums to 1."""
    imbalance: float
    """Norm of the remaining force and moment; 0 proves that no small movement is better."""

    def value(self, goal: str) -> float:
        """Return what was minimised."""
        return {ZONE: self.high - self.low, OUTER: self.high, INNER: -self.low}[goal]


def associate(distance: Distance, points: Floats, x: Floats, goal: str, *, most: int = 60) -> Contact:
    """Return the local optimum reached from ``x``; lengths should be of order 1, derivatives too."""
    d, _ = distance(x, points)
    chosen = _extremes(points, d, goal, np.empty(0, dtype=np.intp))
    answer: Contact | None = None
    for _ in range(most):
        x = _subset(distance, points[chosen], x, goal)
        d, _ = distance(x, points)
        answer = _prove(distance, points, x, d, chosen, goal)
        x, d = answer.x, distance(answer.x, points)[0]
        inside = d[chosen]
        slack = 1e-13 * max(1.0, float(np.abs(d).max()))
        over = (d > inside.max() + slack) if goal != INNER else np.zeros(len(d), dtype=bool)
        under = (d < inside.min() - slack) if goal != OUTER else np.zeros(len(d), dtype=bool)
        if not np.any(over | under):
            return answer
        chosen = _extremes(points, d, goal, chosen)
    assert answer is not None
    return answer


def _extremes(points: Floats, d: Floats, goal: str, chosen: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return ``chosen`` with the most violating points of each octant and of the whole."""
    middle = np.median(points[:: max(1, len(points) // 10_000)], axis=0)
    octant = ((points > middle) * (1 << np.arange(points.shape[1]))).sum(axis=1)
    new = [chosen]
    for cell in [*range(1 << points.shape[1]), None]:
        rows = np.arange(len(points)) if cell is None else np.flatnonzero(octant == cell)
        if not len(rows):
            continue
        few = min(3, len(rows))
        if goal != INNER:
            new.append(rows[np.argpartition(-d[rows], few - 1)[:few]])
        if goal != OUTER:
            new.append(rows[np.argpartition(d[rows], few - 1)[:few]])
    return np.unique(np.concatenate(new))


def _subset(distance: Distance, points: Floats, x: Floats, goal: str) -> Floats:
    """Return the optimum on few points by sequential quadratic programming, in units of the present zone."""
    for _ in range(4):
        new, moved = _programme(distance, points, x, goal)
        if not np.all(np.isfinite(new)) or _worth(distance(new, points)[0], goal) > _worth(
            distance(x, points)[0], goal
        ):
            return x
        x = new
        if moved < 1e-6:
            break
    return x


def _programme(distance: Distance, points: Floats, x: Floats, goal: str) -> tuple[Floats, float]:
    """Run one programme scaled by the zone at ``x``; return where it ends and how far it went, in zones."""
    from scipy.optimize import minimize

    d, _ = distance(x, points)
    p, n = len(x), len(points)
    middle = 0.5 * float(d.max() + d.min())
    unit = max(float(d.max() - d.min()), 1e-9)
    aim = np.zeros(p + 2)
    aim[p] = float(goal != INNER)
    aim[p + 1] = -float(goal != OUTER)
    zero, one = np.zeros((n, 1)), np.ones((n, 1))

    def gap(v: Floats) -> Floats:
        here = (distance(x + unit * v[:p], points)[0] - middle) / unit
        parts = ([v[p] - here] if goal != INNER else []) + ([here - v[p + 1]] if goal != OUTER else [])
        return np.concatenate(parts)

    def gap_slope(v: Floats) -> Floats:
        slope = distance(x + unit * v[:p], points)[1]
        parts = ([np.hstack([-slope, one, zero])] if goal != INNER else []) + (
            [np.hstack([slope, zero, -one])] if goal != OUTER else []
        )
        return np.vstack(parts)

    first = np.concatenate([np.zeros(p), [float(d.max() - middle) / unit, float(d.min() - middle) / unit]])
    # the stubs know no dictionary whose values differ in type
    found = minimize(  # type: ignore[call-overload]
        lambda v: float(aim @ v),
        first,
        jac=lambda v: aim,
        constraints=[{"type": "ineq", "fun": gap, "jac": gap_slope}],
        method="SLSQP",
        options={"ftol": 1e-11, "maxiter": 200},
    )
    return x + unit * found.x[:p], float(np.abs(found.x[:p]).max())


def _worth(d: Floats, goal: str) -> float:
    return float({ZONE: d.max() - d.min(), OUTER: d.max(), INNER: -d.min()}[goal])


def _prove(distance: Distance, points: Floats, x: Floats, d: Floats, chosen: NDArray[np.intp], goal: str) -> Contact:
    """Find the balanced contacts among the working set near the limits, make them exact, and measure the balance."""
    few = points[chosen]
    best = _balance(distance, few, x, goal, 1e-6)
    for band in (1e-9, 1e-7, 1e-5, 1e-3):
        start = _balance(distance, few, x, goal, band)
        exact = _newton(distance, few, x, start, goal)
        if exact is None:
            continue
        trial = _balance(distance, few, exact, goal, 1e-11)
        before, after = _worth(distance(best[0], few)[0], goal), _worth(distance(exact, few)[0], goal)
        if trial[3] <= best[3] and after <= before + 1e-12:
            best = trial
            if trial[3] < 1e-9:
                break
    found, rows, forces, imbalance = best
    values, _ = distance(found, points)
    return Contact(found, float(values.max()), float(values.min()), chosen[rows], forces, imbalance)


def _balance(
    distance: Distance, points: Floats, x: Floats, goal: str, band: float
) -> tuple[Floats, NDArray[np.intp], Floats, float]:
    """Return x, rows within ``band`` (relative to the zone) of the limits that carry force, forces, imbalance."""
    from scipy.optimize import nnls

    d, slope = distance(x, points)
    p = len(x)
    reach = max(band * float(d.max() - d.min()), 1e-13 * max(1.0, float(np.abs(d).max())))
    outer = np.flatnonzero(d >= d.max() - reach) if goal != INNER else np.empty(0, dtype=np.intp)
    inner = np.flatnonzero(d <= d.min() + reach) if goal != OUTER else np.empty(0, dtype=np.intp)
    rows = np.concatenate([outer, inner])
    sign = np.concatenate([np.ones(len(outer)), -np.ones(len(inner))])
    system = np.zeros((p + 2, len(rows)))
    system[:p] = (sign[:, None] * slope[rows]).T
    system[p, : len(outer)] = 1.0
    system[p + 1, len(outer) :] = 1.0
    right = np.zeros(p + 2)
    right[p], right[p + 1] = float(goal != INNER), float(goal != OUTER)
    forces, rest = nnls(system, right)
    carrying = forces > 1e-9
    return x, rows[carrying], (sign * forces)[carrying], float(rest)


def _newton(
    distance: Distance, points: Floats, x: Floats, start: tuple[Floats, NDArray[np.intp], Floats, float], goal: str
) -> Floats | None:
    """Solve for equal distances at the contacts and balance of their forces; None when it runs away."""
    _, rows, forces, _ = start
    touch, p = points[rows], len(x)
    outer = forces > 0
    level = np.column_stack([outer.astype(float), (~outer).astype(float)])[:, [goal != INNER, goal != OUTER]]
    here = x.copy()
    limits = np.array([np.mean(distance(here, touch)[0][side]) for side in (outer, ~outer) if np.any(side)])
    if level.shape[1] != len(limits):
        return None
    for _ in range(12):
        d, slope = distance(here, touch)
        # curvature of the balance by differences of exact derivatives
        curve = np.zeros((p, p))
        for k in range(p):
            h = np.zeros(p)
            h[k] = 1e-6
            curve[:, k] = forces @ (distance(here + h, touch)[1] - distance(here - h, touch)[1]) / 2e-6
        m, q = len(rows), level.shape[1]
        matrix = np.zeros((p + m + q, p + q + m))
        matrix[:p, :p], matrix[:p, p + q :] = curve, slope.T
        matrix[p : p + m, :p], matrix[p : p + m, p : p + q] = slope, -level
        matrix[p + m :, p + q :] = level.T
        right = -np.concatenate([forces @ slope, d - level @ limits, level.T @ forces - np.sign([*level.T @ forces])])
        try:
            change = np.linalg.lstsq(matrix, right, rcond=1e-13)[0]
        except np.linalg.LinAlgError:
            return None
        if not np.all(np.isfinite(change)) or float(np.abs(change[:p]).max()) > 0.1:
            return None
        here = here + change[:p]
        limits = limits + change[p : p + q]
        forces = forces + change[p + q :]
        if float(np.abs(change[:p]).max()) < 1e-15:
            break
    return here
