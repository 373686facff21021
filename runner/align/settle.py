"""The last stage of the pose: least squares over the surface seen, on all points, to what the noise allows.

The robust stages before it weigh by surface direction, so that a few points on edges can hold a part against sliding;
that costs efficiency and lets the unsure normals beside edges pull. Here points pull as noise and form have it (see
``weights``): of a true part all alike, so that the spread meets the Cramer-Rao bound, and of one out of shape every
piece of scanned *area* alike, however densely it was scanned. Only points that plainly belong to one face take part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from runner.align.feet import Feet, gaps_at
from runner.align.refine import movement, pushed
from runner.align.rims import rims_of
from runner.align.sums import equations
from runner.align.weights import PLACES, area_weights, form_of, pull_of
from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import move_points, turn_vectors
from runner.geometry.mesh import Floats, Nominal

MOST_POINTS = 300_000
BESIDE_RIM = 5.0
"""Points nearer than this many standard deviations of the noise to a sharp border may belong to the other face."""
LIKE = 0.8
"""Least cosine between a point's normal and the surface's: beside edges estimated normals lean by half the angle."""
SCALES = 6.0
"""Tukey limit over the robust standard deviation: 2 % less efficient than none on pure noise."""
LEAST_LIMIT_MM = 0.03
QUIET_LIMIT = 12.0
"""Up to so many times the noise, the limit says that there is no form error to speak of."""
CONVEX = 5.0**0.5
"""Tukey's loss is convex up to its limit over this."""
RUNG = 1.25
"""Limits differ by this factor."""
MOST_OF = 0.9
TOLD_BY = 40_000
"""So many points tell the scatter."""
BEYOND = 2.0
"""The limit is never below so many times the distance that this share of the surface keeps."""
SEARCHES = 48
"""A true part takes three; of one out of shape some came to rest only after sixteen."""
STEADY = 4
"""From this search on the limit stays, so that limit and pose don't chase each other."""
FIRST_POINTS = 40_000
"""The first search takes so many: the rest then starts within a hair of its end."""
STILL_BETWEEN_MM = 1e-5
STEPS = 6
QUIET = 0.9
"""Share of the weight left by the limit; above it (noise alone leaves 0.94) weighted squares converge fast enough."""
LEAST_CONVEX = 0.05
"""Of the weighted squares' Hessian: where the loss's own is flatter than this in any direction, it is not used."""
STILL_MM = 1e-8


@dataclass(frozen=True, eq=False)
class Settled:
    """Where the last stage ended."""

    nominal_from_scan: Floats
    covariance: Floats
    """(6, 6) rotation vector (rad) about ``centre``, then translation (mm), for white noise."""
    rms: float
    points: int
    limit: float
    last_step: float
    """mm at half a diagonal: the last step, or what the last search for closest points changed, whichever is larger."""


@dataclass(frozen=True, eq=False)
class Rows:
    """What the residuals (n,) at points (n, 3) do under the movements that ``basis`` (6, k) spans."""

    points: Floats
    direction: Floats
    residual: Floats
    centre: Floats
    half: float
    basis: Floats

    def sums(self, weight: Floats) -> tuple[Floats, Floats]:
        """Hessian (k, k) and gradient (k,) of weighted squares, weights (n,)."""
        hessian, gradient = equations(
            self.points[None], self.direction[None], weight[None], self.residual[None], self.centre, self.half
        )
        return self.basis.T @ hessian[0] @ self.basis, self.basis.T @ gradient[0]


def settle_pose(
    nominal: Nominal,
    index: SurfaceIndex,
    pose: Floats,
    points: Floats,
    normals: Floats,
    signed: NDArray[np.bool_],
    centre: Floats,
    half: float,
    most_limit: float,
    noise: float,
    free: Floats | None = None,
    weight: Floats | None = None,
) -> Settled | None:
    """Refine a pose that is already good to a few hundredths of a millimetre.

    Parameters
    ----------
    pose
        (4, 4) nominal_from_scan.
    points, normals, signed
        Kept scan points, raw, (n, 3), (n, 3), (n,), scan frame.
    centre, half
        Where turns are taken about, (3,), and the lever that scales them, mm.
    most_limit
        The Tukey limit never exceeds this, mm.
    noise
        Standard deviation of a point, mm.
    free
        (6,) unit movement (turns scaled by ``half``) that a symmetry leaves open, or None.
    weight
        (n,) ``area_weights`` of the points, where they are known already.

    Returns
    -------
    Settled, or None where the surfaces seen don't hold the part in this sense.
    """
    if len(points) > MOST_POINTS:
        chosen = np.sort(np.random.default_rng(5).choice(len(points), MOST_POINTS, replace=False))
        points, normals, signed = points[chosen], normals[chosen], signed[chosen]
        weight = None if weight is None else weight[chosen]
    pose = np.array(pose, dtype=np.float64)
    basis = np.eye(6) if free is None else np.linalg.svd(np.eye(6) - np.outer(free, free))[0][:, :5]
    # in coarse steps: the noise is an estimate, and a hair's difference in it must not change which points take part
    beside = 0.05 * 1.5 ** max(0.0, np.ceil(np.log(max(BESIDE_RIM * noise, 1e-9) / 0.05) / np.log(1.5)))
    weight = area_weights(points) if weight is None else weight
    form = np.inf
    every = np.arange(len(points))
    few = every[:: max(1, len(points) // FIRST_POINTS)]
    limit = most_limit
    step = change = np.inf
    quiet = False
    moved_by: Floats | None = None
    state: tuple[Floats, Floats, Floats, Rows, Floats] | None = None
    for search in range(SEARCHES):
        if search < 2:
            # asked anew where the first search ended, so that the end does not depend on where it began
            rows_of = few if search == 0 else every
            rows_of = rows_of[~rims_of(nominal).near(move_points(pose, points[rows_of]), beside)]
            near, facing_as, known, area = points[rows_of], normals[rows_of], signed[rows_of], weight[rows_of]
        moved = move_points(pose, near)
        closest = index.closest(moved, 1.5 * most_limit)
        cosine = np.einsum("ij,ij->i", turn_vectors(pose, facing_as), closest.normal)
        # once it is plain that there is noise and little else, nearness tells more than a normal: those estimated from
        # a cloud lean near every edge, and a wall of a sheet has hardly any that don't
        nearby = limit if quiet else 0.0
        like = (np.where(known, cosine, np.abs(cosine)) >= LIKE) | (~known & (np.abs(closest.distance) < nearby))
        usable = np.flatnonzero(closest.found & ~closest.on_border & like)
        if 0 < search < STEADY:
            limit = _limit(closest.distance[usable], area[usable], most_limit)
        quiet = limit <= quiet_limit(noise)
        if 0 < search < STEADY:
            inner = usable[np.abs(closest.distance[usable]) <= limit]
            form = np.inf
            if quiet:
                form = form_of(
                    closest.distance[inner], area[inner], closest.point[inner], closest.face[inner], half / PLACES
                )
        # of a part out of shape only what lies beyond is left out, and all the rest pulls in a convex way: where the
        # limit lay amid the distances there would be several ends, and none to come to rest at soon
        usable = usable if quiet else usable[np.abs(closest.distance[usable]) <= limit]
        bound = limit if quiet else CONVEX * limit
        if len(usable) < 50:
            return None
        feet = Feet(closest.face[usable], closest.point[usable], closest.normal[usable])
        own, w = near[usable], pull_of(area[usable], form)
        before = pose
        loss, plain = np.inf, pose
        for _ in range(STEPS):
            now, direction, residual, inside, lost = gaps_at(nominal, index.exact, feet, pose, own, bound)
            former, loss = loss, float(w @ lost)
            if loss > former * (1.0 + 1e-12) and plain is not pose:
                pose, loss = plain, np.inf
                continue
            pull = w * inside**2
            rows = Rows(now, direction, residual, centre, half, basis)
            hessian, gradient = rows.sums(pull)
            total = float(pull.sum())
            if total <= 0 or np.linalg.eigvalsh(hessian / total)[0] < 1e-7:
                return None
            sure = fast = basis @ np.linalg.solve(hessian, -gradient)
            if total < QUIET * float(w.sum()):
                fast = basis @ np.linalg.solve(_curvature(hessian, rows, w, inside), -gradient)
            plain, pose = pushed(pose, sure, centre, half), pushed(pose, fast, centre, half)
            step = float(np.linalg.norm(fast[:3]) + np.linalg.norm(fast[3:]))
            if step < STILL_MM:
                break
        state = (residual, w, inside, rows, hessian)
        move = movement(before, pose, centre, half)
        change = float(np.linalg.norm(move))
        if search and change < STILL_BETWEEN_MM:
            break
        if 2 <= search < SEARCHES - 1:
            pose, moved_by = _ahead(pose, moved_by, move, centre, half)
    assert state is not None
    residual, w, inside, rows, hessian = state
    pull = w * inside**2
    u, _, v = np.linalg.svd(pose[:3, :3])
    pose[:3, :3] = u @ v
    mean_square = float(pull @ residual**2 / pull.sum())
    # of an M-estimate: inverse curvature, spread of the gradient's terms, inverse curvature (P. J. Huber, 1967)
    inverse = np.linalg.inv(_curvature(hessian, rows, w, inside))
    covariance = basis @ (inverse @ rows.sums((pull * residual) ** 2)[0] @ inverse) @ basis.T
    scale = np.repeat([1.0 / half, 1.0], 3)
    return Settled(
        pose, covariance * np.outer(scale, scale), float(np.sqrt(mean_square)), int(np.count_nonzero(pull > 0)), limit,
        max(step, change),
    )  # fmt: skip


def quiet_limit(noise: float) -> float:
    """The Tukey limit, mm, up to which there is noise and little else; above it the part is out of shape."""
    return max(QUIET_LIMIT * noise, LEAST_LIMIT_MM)


def _curvature(hessian: Floats, rows: Rows, weight: Floats, inside: Floats) -> Floats:
    """The Hessian (k, k) of Tukey's loss itself, where that is safely convex, otherwise of its weighted squares.

    With the latter the steps shrink by a constant factor only, which is near one where a part is bent by as much as
    the limit: such a fit would be given up before it comes to rest.
    """
    true, _ = rows.sums(weight * inside * (5.0 * inside - 4.0))
    least = scipy.linalg.eigh(true, hessian, eigvals_only=True, subset_by_index=[0, 0])[0]
    return true if least > LEAST_CONVEX else hessian


def _ahead(
    pose: Floats, former: Floats | None, move: Floats, centre: Floats, half: float
) -> tuple[Floats, Floats | None]:
    """Go at once where moves that shrink by a constant factor lead (Aitken); the pose, and the move to compare next."""
    if former is None:
        return pose, move
    factor = float(move @ former / (former @ former))
    if not 0.2 < factor < 0.95 or np.linalg.norm(move - factor * former) > 0.3 * np.linalg.norm(move):
        return pose, move
    return pushed(pose, move * factor / (1.0 - factor), centre, half), None


def _limit(residual: Floats, weight: Floats, most: float) -> float:
    """The Tukey limit from the scatter that is there: by weighted quantiles of the distances.

    The median tells noise; but of a part bent in one direction half the surface or more may lie true. A limit from
    that half alone would leave open which piece of the rest it takes in, and the fit would not come to rest.
    """
    step = max(1, len(residual) // TOLD_BY)
    size, weight = np.abs(residual[::step]), weight[::step]
    near = size <= most
    order = np.argsort(size[near], kind="stable")
    mass = np.cumsum(weight[near][order])
    if not len(mass):
        return most
    median, most_of = size[near][order][np.searchsorted(mass, np.array([0.5, MOST_OF]) * mass[-1])]
    scale = float(np.clip(max(SCALES * 1.4826 * median, BEYOND * most_of), min(LEAST_LIMIT_MM, most), most))
    # in coarse steps, so that fits from different starts, which see a hair's difference, go on with the same one
    return float(most / RUNG ** np.floor(np.log(most / scale) / np.log(RUNG)))
