"""Planes in a scan: the table that is too large for the part, and the planes that a part may be standing on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.blocks import run_blocks, side_by_side
from runner.geometry.frames import cross_rows, turn_vectors
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats

FACING = 0.8
"""Cosine to a plane's normal from which a point's own normal counts as the plane's."""
_LEAST_SHARE = 0.03
_MOST_BEYOND = 0.01
"""Share of a scan that may lie beyond a plane on which it stands (strays, the table's edge)."""
_TRIED = 8
_GUESSES = 400
_SETTLED = 5
_CLOSELY = 0.35
"""Part of the slab within which a plane that is one has nearly all its points."""


@dataclass(frozen=True, eq=False)
class Plane:
    """A table plane: ``normal . x = offset``; what is scanned lies on the positive side."""

    normal: Floats
    offset: float
    thickness: float
    """Half the slab, mm, in which points count as the plane's."""

    def height(self, points: Floats) -> Floats:
        """Signed distance (n,), mm."""
        return points @ self.normal - self.offset

    def holds(self, points: Floats, normals: Floats, signed: NDArray[np.bool_], slab: float) -> NDArray[np.bool_]:
        """Tell which points (n, 3) lie within ``slab`` mm of the plane and look its way (either way where unsigned)."""
        toward = normals @ self.normal
        return (np.abs(self.height(points)) <= slab) & (np.where(signed, toward, np.abs(toward)) > FACING)

    def turned_over(self) -> Plane:
        """Return the same plane with the other side up."""
        return Plane(-self.normal, -self.offset, self.thickness)


def move_plane(motion: Floats, plane: Plane) -> Plane:
    """Return a plane moved by ``motion`` (4, 4), as from the scan's frame to the nominal's."""
    normal = turn_vectors(motion, plane.normal)
    return Plane(normal, plane.offset + float(normal @ motion[:3, 3]), plane.thickness)


def find_table(points: Floats, normals: Floats, diagonal: float, threshold: float, seed: int = 0) -> Plane | None:
    """Find the largest plane that is too large to be a face of the part.

    Parameters
    ----------
    points, normals
        (n, 3) thinned scan.
    diagonal
        Bounding-box diagonal of the nominal, mm; the plane's points must reach over more than 1.1 times this.
    threshold
        Half thickness of the slab that counts as the plane, mm.
    """
    if len(points) < 50:
        return None
    random = np.random.default_rng(seed)
    left = np.arange(len(points))
    for _ in range(_TRIED):
        fitted = _closest_held(points, normals, left, threshold, random)
        if fitted is None:
            return None
        plane, mine, axes = fitted
        flat = points[mine] @ axes
        reach = np.percentile(flat, 99, axis=0) - np.percentile(flat, 1, axis=0)
        if np.linalg.norm(reach) >= 1.1 * diagonal:
            height = plane.height(points)
            above, below = np.count_nonzero(height > threshold), np.count_nonzero(height < -threshold)
            return plane.turned_over() if below > above else plane
        # a face of the part, on which there may be more points than on the table
        left = left[~mine[left]]
    return None


def _closest_held(
    points: Floats, normals: Floats, left: NDArray[np.int64], threshold: float, random: np.random.Generator
) -> tuple[Plane, NDArray[np.bool_], Floats] | None:
    """Find the plane that holds most of the points ``left`` closely, among all points (n, 3) as ``_settle_plane`` does.

    By those held closely, because a slab that holds more may lie aslant through a table and a sheet's face on it.
    """
    if len(left) < 50:
        return None
    some = points[left[random.permutation(len(left))[:8000]]]
    triples = points[left[random.integers(len(left), size=(_GUESSES, 3))]]
    normals_of, offsets = _through(triples)
    held = np.zeros(len(normals_of), dtype=np.int64)
    run_blocks(_count_near, len(held), some, normals_of, offsets, _CLOSELY * threshold, held, block=64)
    order = np.argsort(-held, kind="stable")
    best, most = None, 0.04 * len(points)

    def settle(guess: int) -> tuple[Plane, NDArray[np.bool_], Floats] | None:
        return _settle_plane(points, normals, normals_of[guess], float(offsets[guess]), threshold)

    for fitted in side_by_side(*(partial(settle, guess) for guess in order[:_SETTLED])):
        if fitted is not None:
            count = np.count_nonzero(np.abs(fitted[0].height(points[left])) < _CLOSELY * threshold)
            if count > most:
                best, most = fitted, float(count)
    return best


def _through(triples: Floats) -> tuple[Floats, Floats]:
    """Unit normals (k, 3) and offsets (k,) of the planes through triples (n, 3, 3) of points that span one."""
    a = triples[:, 0]
    normals = cross_rows(triples[:, 1] - a, triples[:, 2] - a)
    length = np.sqrt(np.einsum("ij,ij->i", normals, normals))
    good = length > 0
    normals = normals[good] / length[good, None]
    return normals, np.einsum("ij,ij->i", normals, a[good])


def find_supports(
    points: Floats, normals: Floats, threshold: float, diagonal: float, seed: int = 0
) -> tuple[Plane, ...]:
    """Find the planes that the scan lies on one side of: a table, a fixture's wall, or outer faces of the part itself.

    Which of these a support is can't be told before a pose is known (``tables.stands_on``).

    Parameters
    ----------
    points, normals
        (n, 3) thinned scan without specks.
    threshold
        Half thickness of the slab that counts as a plane, mm.
    diagonal
        Bounding-box diagonal of the nominal, mm; a smaller plane than a tenth of it is none to stand on.

    Returns
    -------
    Planes with the scan on their positive side, largest first.
    """
    left = np.arange(len(points))
    random = np.random.default_rng(seed)
    found = []
    for _ in range(_TRIED):
        if len(left) < max(100.0, _LEAST_SHARE * len(points)):
            break
        some = left[random.permutation(len(left))[:3000]]
        guess = _largest_plane(points[some], normals[some], threshold, random)
        fitted = _settle_plane(points[left], normals[left], *guess, threshold) if guess is not None else None
        if fitted is None or np.count_nonzero(fitted[1]) < _LEAST_SHARE * len(points):
            break
        plane, mine, axes = fitted
        height = plane.height(points)
        above, below = np.mean(height > 2.0 * threshold), np.mean(height < -2.0 * threshold)
        reach = np.ptp(points[left[mine]] @ axes, axis=0)
        if min(above, below) <= _MOST_BEYOND and np.linalg.norm(reach) > 0.1 * diagonal:
            found.append(plane.turned_over() if below > above else plane)
        left = left[~mine]
    return tuple(found)


def _largest_plane(
    points: Floats, normals: Floats, threshold: float, random: np.random.Generator
) -> tuple[Floats, float] | None:
    """Guess the plane that holds most points, from triples of points that face alike."""
    best, best_count = None, 0
    for _ in range(150):
        i = int(random.integers(len(points)))
        alike = np.flatnonzero(np.abs(normals @ normals[i]) > 0.95)
        if len(alike) < 10:
            continue
        a, (b, c) = points[i], points[random.choice(alike, 2, replace=False)]
        normal = cross_rows((b - a)[None], (c - a)[None])[0]
        length = np.sqrt(normal @ normal)
        if not length > 0 or abs(normal @ normals[i]) < FACING * length:
            continue
        normal /= length
        count = int(np.count_nonzero(np.abs((points[alike] - a) @ normal) < threshold))
        if count > best_count:
            best, best_count = (normal, float(normal @ a)), count
    return best


def _settle_plane(
    points: Floats, normals: Floats, normal: Floats, offset: float, threshold: float
) -> tuple[Plane, NDArray[np.bool_], Floats] | None:
    """Fit the plane to its own points; return it, which they are (n,), and two directions in it, columns of (3, 2).

    The slab that it is fitted in shrinks: a plane that begins aslant through two that lie close above each other, as a
    sheet's face does above its table, must end in one of them.
    """
    axes = np.zeros((3, 3))
    about = points[0]
    for share in (1.0, 1.0, 0.6, 0.6, _CLOSELY, _CLOSELY, _CLOSELY):
        count, total, square = _moments(points, normals, normal, offset, share * threshold, FACING, about)
        if count < 30:
            return None
        middle = total / count
        axes = np.linalg.eigh(square - count * np.outer(middle, middle))[1]
        normal = np.ascontiguousarray(axes[:, 0])
        offset = float(normal @ (middle + about))
    alike = np.abs(normals @ normal) > FACING
    mine = alike & (np.abs(points @ normal - offset) < threshold)
    spread = float(np.sqrt(np.mean((points[mine] @ normal - offset) ** 2)))
    return Plane(normal, offset, max(3.0 * spread, 0.5 * threshold)), mine, axes[:, 1:]


@kernel
def _count_near(start: Any, end: Any, points: Any, normals: Any, offsets: Any, slab: Any, count: Any) -> None:
    """How many of the points (n, 3) lie within ``slab`` of each plane, (k,)."""
    for k in range(start, end):
        x, y, z, offset = normals[k, 0], normals[k, 1], normals[k, 2], offsets[k]
        mine = 0
        for i in range(len(points)):
            if abs(points[i, 0] * x + points[i, 1] * y + points[i, 2] * z - offset) < slab:
                mine += 1
        count[k] = mine


@kernel
def _moments(points: Any, normals: Any, normal: Any, offset: Any, slab: Any, facing: Any, about: Any) -> Any:
    """Count, sum (3,) and sum of outer products (3, 3), about ``about``, of the points that a plane holds."""
    count = 0
    total = np.zeros(3)
    square = np.zeros((3, 3))
    at = np.empty(3)
    for i in range(len(points)):
        height = points[i, 0] * normal[0] + points[i, 1] * normal[1] + points[i, 2] * normal[2] - offset
        if not abs(height) < slab:
            continue
        toward = normals[i, 0] * normal[0] + normals[i, 1] * normal[1] + normals[i, 2] * normal[2]
        if not abs(toward) > facing:
            continue
        count += 1
        for a in range(3):
            at[a] = points[i, a] - about[a]
            total[a] += at[a]
        for a in range(3):
            for b in range(a + 1):
                square[a, b] += at[a] * at[b]
    for a in range(3):
        for b in range(a):
            square[b, a] = square[a, b]
    return count, total, square
