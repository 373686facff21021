"""Least squares of orthogonal distances: Gauss-Newton steps in the element's own frame, damped where needed.

At every step the element stands canonically (axis along z at the origin) and the points are turned instead, so the
increments are always small numbers about zero and no direction is singular. Points are centred and scaled: an
element 10 m away is solved as if it stood at the origin.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits import kernels
from runner.geometry.fits.result import FailedFit, Fit
from runner.geometry.frames import perpendicular, rotation_from_vector
from runner.geometry.mesh import Floats
from runner.geometry.shapes import vector

S = TypeVar("S")

COLUMN_NAMES = ("shift u", "shift v", "shift w", "tilt u", "tilt v", "turn")
SIZE_NAMES = {
    kernels.PLANE: (),
    kernels.CYLINDER: ("radius",),
    kernels.CONE: ("offset", "half angle"),
    kernels.SPHERE: ("radius",),
    kernels.TORUS: ("radius", "minor"),
    kernels.ROUND_SLOT: ("length", "width"),
    kernels.SQUARE_SLOT: ("length", "width"),
    kernels.RING: ("radius",),
    kernels.AXIS: (),
}
UNBOUNDED = 1e6
"""A size this many times the spread of the points is not held by them."""
START_POINTS = 20_000
"""Starts are sought on this many points, then refined on all."""
EPS = float(np.finfo(np.float64).eps)


@dataclass(frozen=True, eq=False)
class Cloud:
    """Checked points with the centring and scaling of one fit."""

    points: Floats
    """(n, 3) mm, C-contiguous."""
    weights: Floats
    """(n,) or (0,) for ones."""
    centre: Floats
    scale: float
    spread: Floats
    """(3,) singular values of the centred, scaled points over the square root of n, largest first."""
    principal: Floats
    """(3, 3) rows: the directions that belong to ``spread``."""

    def __len__(self) -> int:
        """Number of points."""
        return len(self.points)

    @property
    def noise_floor(self) -> float:
        """Rounding of the given coordinates in scaled units."""
        return EPS * (1.0 + float(np.abs(self.centre).max()) / self.scale)

    def rank(self) -> int:
        """Return 0 for one place, 1 for a line, 2 for a plane, 3 else; judged against rounding of the coordinates."""
        return int(np.count_nonzero(self.spread > max(1e-12, 16.0 * self.noise_floor)))

    def scaled(self) -> Floats:
        """Return (n, 3) centred and scaled points."""
        return (self.points - self.centre) / self.scale

    def sample(self, count: int) -> Cloud:
        """Return at most about ``count`` points of it, same centre and scale, chosen without a pattern."""
        if len(self) <= count:
            return self
        chosen = np.sort(np.random.default_rng(20_000).integers(0, len(self), count))
        weights = self.weights[chosen] if len(self.weights) else self.weights
        return replace(self, points=np.ascontiguousarray(self.points[chosen]), weights=weights)


@dataclass(frozen=True, eq=False)
class State:
    """An element in centred, scaled coordinates: origin (3,), rows u, v, w of its frame (3, 3), sizes (k,)."""

    origin: Floats
    turn: Floats
    sizes: Floats


@dataclass(frozen=True, eq=False)
class Solution:
    """Where the iteration ended."""

    state: State
    sum_squares: float
    normal_matrix: Floats
    iterations: int
    converged: bool
    trouble: str = ""


def prepare(points: Floats, weights: Floats | None, least: int, what: str) -> Cloud | FailedFit:
    """Check, centre and scale points (n, 3), or (n, 2) which get z = 0; data that can't be used are a ``FailedFit``."""
    points = np.asarray(points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] not in (2, 3):
        raise ValueError(f"points must be (n, 2) or (n, 3); these have shape {points.shape}")
    bad = int(len(points) - np.count_nonzero(np.isfinite(points).all(axis=1)))
    if bad:
        return FailedFit(f"{bad} of {len(points)} points are not finite")
    chosen = np.empty(0)
    if weights is not None:
        chosen = np.asarray(weights, dtype=np.float64)
        if chosen.shape != (len(points),):
            raise ValueError(f"weights must be ({len(points)},); these have shape {chosen.shape}")
        if not np.all(np.isfinite(chosen)) or np.any(chosen < 0):
            return FailedFit("weights must be finite and not negative")
        points, chosen = points[chosen > 0], chosen[chosen > 0]
    if len(points) < least:
        return FailedFit(f"too few points: {len(points)} given, a {what} needs at least {least}")
    if points.shape[1] == 2:
        points = np.column_stack([points, np.zeros(len(points))])
    points = np.ascontiguousarray(points)
    centre = points.mean(axis=0) if not len(chosen) else (chosen / chosen.sum()) @ points
    # halving first keeps even the largest finite coordinates from overflowing
    scale = 2.0 * float(np.abs(0.5 * points - 0.5 * centre).max())
    if not np.isfinite(scale) or not np.all(np.isfinite(centre)):
        return FailedFit("the coordinates are too large to compute with")
    if not scale > 8.0 * EPS * float(np.abs(centre).max()) or scale < 1e-290:
        return FailedFit("all points lie in one place")
    # of very many points a sample is enough to see how they spread
    seen = points if len(points) <= 10 * START_POINTS else points[:: len(points) // (5 * START_POINTS)]
    local = (seen - centre) / scale
    principal = np.linalg.eigh(local.T @ local / len(local))[1][:, ::-1].T
    # small spreads must come from the points, not from the root of a difference of their products
    spread = np.sqrt(np.mean((local @ principal.T) ** 2, axis=0))
    return Cloud(points, np.ascontiguousarray(chosen), centre, scale, spread, principal)


def normal_equations(cloud: Cloud, kind: int, state: State, columns: NDArray[np.int64]) -> tuple[Floats, Floats, float]:
    """Return J'WJ (p, p), J'Wr (p,) and r'Wr at ``state``, scaled units."""
    arguments = (
        cloud.points,
        cloud.weights,
        cloud.centre,
        state.origin,
        state.turn,
        pivot_of(state, columns),
        cloud.scale,
        kind,
        kernels.PARTS[kind],
        state.sizes,
        columns,
    )
    if len(cloud) <= kernels.BLOCK:
        # too few to wake another thread
        sums = kernels.sum_range(*arguments, 0, len(cloud))
    else:
        sums = kernels.sum_blocks(*arguments).sum(axis=0)
    p = len(columns)
    matrix = np.zeros((p, p))
    lower = np.tril_indices(p)
    matrix[lower] = sums[: len(lower[0])]
    matrix = matrix + np.tril(matrix, -1).T
    return matrix, sums[len(lower[0]) : -1], float(sums[-1])


def pivot_of(state: State, columns: NDArray[np.int64]) -> Floats:
    """Return the point, in the element's frame, that it is turned about: the centroid, or its own held point.

    About the centroid, shifts and tilts are nearly independent even where the centre lies far from the points.
    """
    if not (columns < 3).any():
        return np.zeros(3)
    result: Floats = -(state.turn @ state.origin)
    return result


def step(kind: int, state: State, columns: NDArray[np.int64], delta: Floats) -> State:
    """Return the element moved by local increments."""
    full = np.zeros(8)
    full[columns] = delta
    shift, sizes = full[:3].copy(), state.sizes.copy()
    if kind == kernels.CONE:
        # the surface moves along its normal, then turns about its point at z = 0
        shift[2] -= full[6] * np.sin(sizes[1])
        sizes[0] += full[6] * np.cos(sizes[1])
        sizes[1] += full[7]
    else:
        sizes = sizes + full[6 : 6 + len(sizes)]
    rotation = rotation_from_vector(np.array([-full[4], full[3], full[5]]))
    pivot = pivot_of(state, columns)
    shift += pivot - rotation @ pivot
    return State(state.origin + state.turn.T @ shift, orthonormal(rotation.T @ state.turn), sizes)


def orthonormal(turn: Floats) -> Floats:
    """Return the right-handed rows with rounding removed; w keeps its direction."""
    w = turn[2] / np.sqrt(turn[2] @ turn[2])
    v = turn[1] - (turn[1] @ w) * w
    v /= np.sqrt(v @ v)
    # written out: numpy's cross costs more than the rest of a step
    u = [v[1] * w[2] - v[2] * w[1], v[2] * w[0] - v[0] * w[2], v[0] * w[1] - v[1] * w[0]]
    return np.array([u, v, w])


def minimise(cloud: Cloud, kind: int, start: State, columns: NDArray[np.int64], most: int = 200) -> Solution:
    """Iterate from ``start`` until the step no longer changes any distance beyond rounding."""
    state = start
    matrix, gradient, total = normal_equations(cloud, kind, state, columns)
    damping, refusals, iteration = 0.0, 1.0, 0
    p = len(columns)
    if p == 0:
        return Solution(state, total, matrix, 0, True)
    rounding = cloud.noise_floor
    while iteration < most:
        iteration += 1
        size = max(1.0, float(np.abs(state.sizes).max(initial=0.0)))
        weight = float(cloud.weights.sum()) if len(cloud.weights) else float(len(cloud))
        floor = rounding * size * np.sqrt(weight)
        diagonal = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
        scaled = matrix / np.outer(diagonal, diagonal)
        delta = _solve(scaled, -gradient / diagonal, damping) / diagonal
        if not np.all(np.isfinite(delta)):
            return Solution(state, total, matrix, iteration, False, "the normal equations can't be solved")
        change = float(np.sqrt(max(0.0, float(-gradient @ delta))))
        # a turn of more than a radian, or a size doubled, leaves the linear range: shorten the step
        turned = float(max(np.abs(delta[(columns >= 3) & (columns <= 5)]), default=0.0))
        reach = max(turned / 0.7, 1.0)
        trial = step(kind, state, columns, delta / reach)
        new_matrix, new_gradient, new_total = normal_equations(cloud, kind, trial, columns)
        # near the end the sums of squares differ only by rounding and can't judge a step
        blur = 16.0 * np.sqrt(total) * floor + (64.0 * floor) ** 2
        invisible = change**2 <= blur or change <= 1e-7 * np.sqrt(total)
        near = invisible and damping < 1e-3
        if np.isfinite(new_total) and (new_total <= total or (near and new_total <= total * (1 + 1e-9) + blur)):
            damping = 0.0 if near else _eased(damping, total - new_total, gradient, delta, diagonal, reach)
            state, matrix, gradient, total = trial, new_matrix, new_gradient, new_total
            refusals = 1.0
            if near and change <= 4.0 * floor:
                return Solution(state, total, matrix, iteration, True)
            if float(np.abs(state.sizes).max(initial=0.0)) > 30.0 * UNBOUNDED:
                return Solution(state, total, matrix, iteration, False, "unbounded")
        else:
            if near:
                return Solution(state, total, matrix, iteration, True)
            damping = max(damping * 2.0**refusals, 1e-5)
            refusals += 1.0
            if invisible:
                # damped to almost nothing: rounding refused it, not the shape of the sum
                damping, refusals = 0.0, 1.0
            if damping > 1e12:
                return Solution(state, total, matrix, iteration, False, "no step brings the points nearer")
    return Solution(state, total, matrix, iteration, False, f"did not converge in {most} steps")


def _eased(damping: float, gained: float, gradient: Floats, delta: Floats, diagonal: Floats, reach: float) -> float:
    """Return the damping after a good step: less the nearer the gain is to what the linear model promised.

    Source: H. B. Nielsen, Damping parameter in Marquardt's method, report IMM-REP-1999-05, DTU (1999).
    """
    if damping == 0.0 or reach > 1.0:
        return damping
    scaled = diagonal * delta
    promised = float(-gradient @ delta + damping * (scaled @ scaled))
    ratio = min(gained / promised, 1.0) if promised > 0 else 1.0
    eased = damping * max(0.1, 1.0 - (2.0 * ratio - 1.0) ** 3)
    return eased if eased > 1e-7 else 0.0


def _solve(matrix: Floats, right: Floats, damping: float) -> Floats:
    """Solve the unit-diagonal normal equations; directions the points don't hold get no step."""
    values, vectors = np.linalg.eigh(matrix)
    values = np.where(values > 4.0 * EPS * len(values), values, np.inf) + damping
    result: Floats = vectors @ ((vectors.T @ right) / values)
    return result


def conclude(
    cloud: Cloud, kind: int, solution: Solution, columns: NDArray[np.int64], shape: S, keep: bool
) -> Fit[S] | FailedFit:
    """Return the fit of a solution, or the reason why it must not be used."""
    state = solution.state
    largest = float(np.abs(state.sizes).max(initial=0.0))
    if solution.trouble == "unbounded" or (kind != kernels.CONE and largest > UNBOUNDED):
        return FailedFit("unbounded radius: within their scatter the points lie straight or flat")
    if not solution.converged:
        return FailedFit(solution.trouble or "did not converge")
    p = len(columns)
    rows = len(cloud) * kernels.PARTS[kind]
    inverse = np.zeros((p, p))
    if p:
        diagonal = np.sqrt(np.diag(solution.normal_matrix))
        if not np.all(diagonal > 0):
            return FailedFit(f"the points don't hold {_named(kind, columns)[int(np.argmin(diagonal))]}")
        values, vectors = np.linalg.eigh(solution.normal_matrix / np.outer(diagonal, diagonal))
        if values[0] <= 1e-14:
            names = _named(kind, columns)
            loose = names[int(np.argmax(np.abs(vectors[:, 0] / diagonal)))]
            return FailedFit(f"the points don't determine the element: {loose} is free")
        inverse = (vectors / values) @ vectors.T / np.outer(diagonal, diagonal)
    frame, change = _settled(state.turn, columns)
    units = np.array(
        [cloud.scale if c in (0, 1, 2) or (c >= 6 and not (kind == kernels.CONE and c == 7)) else 1.0 for c in columns]
    )
    variance = solution.sum_squares / (rows - p) if rows > p else 0.0
    weight = float(cloud.weights.sum()) if len(cloud.weights) else float(len(cloud))
    residuals = None
    if keep:
        residuals = distances(cloud, kind, state)
    return Fit(
        shape=shape,
        covariance=variance * (change @ inverse @ change.T) * np.outer(units, units),
        names=_named(kind, columns),
        frame=frame,
        reference=vector(cloud.centre + (cloud.scale * state.origin if not np.any(columns < 3) else 0.0)),
        rms=cloud.scale * float(np.sqrt(solution.sum_squares / weight)),
        sigma=cloud.scale * float(np.sqrt(variance)),
        points=len(cloud),
        iterations=solution.iterations,
        residuals=residuals,
    )


def _settled(turn: Floats, columns: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return the frame with u and v that depend on w alone, and the matrix that takes the increments there.

    Where the element may tilt both ways, u and v are wherever the iteration left them; the reader needs fixed ones.
    """
    change = np.eye(len(columns))
    if not {3, 4} <= set(columns.tolist()) or 5 in columns:
        return turn, change
    u, v = perpendicular(turn[2])
    block = np.array([[u @ turn[0], u @ turn[1]], [v @ turn[0], v @ turn[1]]])
    place = {int(c): k for k, c in enumerate(columns)}
    for first, second in ((0, 1), (3, 4)):
        if first in place and second in place:
            change[np.ix_([place[first], place[second]], [place[first], place[second]])] = block
    return np.array([u, v, turn[2]]), change


def distances(cloud: Cloud, kind: int, state: State) -> Floats:
    """Return (n,) distances, mm: signed; unsigned from a line in space; in the plane for a circle in space."""
    arguments = (cloud.points, cloud.centre, state.origin, state.turn, cloud.scale, kind)
    first: Floats = kernels.distances(*arguments, 0, state.sizes)
    if kind == kernels.AXIS:
        first = np.hypot(first, kernels.distances(*arguments, 1, state.sizes))
    return first * cloud.scale


def best(cloud: Cloud, kind: int, starts: list[State], columns: NDArray[np.int64]) -> State | None:
    """Return the best of several starts after refinement on a sample; None when none is finite.

    All get a few steps on few points; the best three are then refined until they rest.
    """
    starts = [s for s in starts if np.all(np.isfinite([*s.origin, *s.turn.ravel(), *s.sizes]))]
    if not starts:
        return None
    if len(starts) > 3:
        few = cloud.sample(300)
        tried = sorted((minimise(few, kind, start, columns, 12) for start in starts), key=lambda t: t.sum_squares)
        starts = []
        for trial in tried:
            if not any(
                abs(trial.sum_squares - other.sum_squares) <= 1e-6 * other.sum_squares for other in tried[: len(starts)]
            ):
                starts.append(trial.state)
            if len(starts) == 4:
                break
    sample = cloud.sample(START_POINTS)
    return min((minimise(sample, kind, start, columns) for start in starts), key=lambda found: found.sum_squares).state


def _named(kind: int, columns: NDArray[np.int64]) -> tuple[str, ...]:
    names = COLUMN_NAMES + SIZE_NAMES[kind]
    return tuple(names[c] for c in columns)
