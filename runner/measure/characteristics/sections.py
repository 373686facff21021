"""The measured profile of a bore or shaft: radius over angle, section by section, as a Fourier series.

Harmonics that do not rise above the scan's noise are left out, so that local sizes are those of the part and not
extremes of noise (which would make every bore both too small and too large).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.frames import perpendicular
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cylinder
from runner.measure.element import array, axial

MOST_HARMONICS = 15
"""Undulations per turn that are followed (a common cut-off of roundness filters, ISO 12181-2)."""
POINTS_PER_COEFFICIENT = 25
POINTS_PER_SECTION = 800
LEAST_PER_SECTION = 200
"""Three sections are made as soon as each has this many points."""
MOST_SECTIONS = 7
SIGNIFICANT = 20.0
"""Chi squared with 2 degrees of freedom that noise exceeds once in 22,000 (exp(-20/2)); a hundred are looked at."""
ANGLES = 72


@dataclass(frozen=True, eq=False)
class Section:
    """One section across the axis."""

    height: float
    """Middle, mm along the axis from the cylinder's point."""
    radius: Floats
    """(72,) radius at even angles, mm, about the fitted axis; NaN where no points are near."""
    noise: float
    """Standard deviation of one point about the profile, mm."""
    points: int
    harmonics: tuple[int, ...]
    """Those that were kept."""


def sections_of(points: Floats, cylinder: Cylinder, *, least: int = 40) -> list[Section]:
    """Return the sections of a measured cylinder; none where a section has fewer than ``least`` points."""
    axis = array(cylinder.axis)
    height, distance, _ = axial(points, array(cylinder.point), axis)
    u, v = perpendicular(axis)
    offset = points - array(cylinder.point)
    angle = np.arctan2(offset @ v, offset @ u)
    fewest = int(np.clip(len(points) // LEAST_PER_SECTION, 1, 3))
    count = int(np.clip(len(points) // POINTS_PER_SECTION, fewest, MOST_SECTIONS))
    borders: Floats = np.linspace(float(height.min()), float(height.max()) + 1e-12, count + 1)
    number = np.clip(np.searchsorted(borders, height, side="right") - 1, 0, count - 1)
    found = []
    for k in range(count):
        rows = number == k
        if np.count_nonzero(rows) >= least:
            found.append(_section(angle[rows], distance[rows], 0.5 * float(borders[k] + borders[k + 1])))
    return found


def _section(angle: Floats, distance: Floats, height: float) -> Section:
    n = len(angle)
    order = np.sort(angle)
    gap = float(np.diff(np.concatenate([order, [order[0] + 2 * np.pi]])).max())
    most = int(min(MOST_HARMONICS, (n / POINTS_PER_COEFFICIENT - 1) // 2, np.pi / gap))
    tried = list(range(1, most + 1))
    table = _table(angle, tried)
    solution = _least_squares(table, distance)
    rest = distance - table @ solution
    variance = float(rest @ rest) / max(n - table.shape[1], 1)
    kept = [
        k
        for i, k in enumerate(tried)
        if solution[1 + 2 * i] ** 2 + solution[2 + 2 * i] ** 2 > SIGNIFICANT * 2.0 * variance / n
    ]
    solution = _least_squares(_table(angle, kept), distance)
    even = (np.arange(ANGLES, dtype=np.float64) + 0.5) * (2 * np.pi / ANGLES) - np.pi
    radius = _table(even, kept) @ solution
    filled = np.bincount(((angle + np.pi) / (2 * np.pi) * ANGLES).astype(int) % ANGLES, minlength=ANGLES) > 0
    near = filled | np.roll(filled, 1) | np.roll(filled, -1)
    return Section(height, np.where(near, radius, np.nan), float(np.sqrt(variance)), n, tuple(kept))


def _least_squares(table: Floats, values: Floats) -> Floats:
    """By the normal equations: the columns are nearly orthogonal, and this is many times faster."""
    middle = float(values.mean())
    solution: Floats = np.asarray(np.linalg.solve(table.T @ table, table.T @ (values - middle)), dtype=np.float64)
    solution[0] += middle
    return solution


def _table(angle: Floats, harmonics: list[int]) -> Floats:
    columns = [np.ones_like(angle)]
    for k in harmonics:
        columns += [np.cos(k * angle), np.sin(k * angle)]
    return np.column_stack(columns)


def two_point_sizes(sections: list[Section]) -> Floats:
    """Return local diameters (k,): the distance of two opposite points, wherever both were seen."""
    sizes = []
    for section in sections:
        opposite = section.radius + np.roll(section.radius, ANGLES // 2)
        sizes.append(opposite[: ANGLES // 2])
    every = np.concatenate(sizes) if sizes else np.zeros(0)
    return every[np.isfinite(every)]


def profile_points(sections: list[Section], cylinder: Cylinder) -> Floats:
    """Return the profiles as points (k, 3)."""
    axis = array(cylinder.axis)
    u, v = perpendicular(axis)
    even = (np.arange(ANGLES, dtype=np.float64) + 0.5) * (2 * np.pi / ANGLES) - np.pi
    around = np.cos(even)[:, None] * u + np.sin(even)[:, None] * v
    pieces = []
    for section in sections:
        seen = np.isfinite(section.radius)
        places = array(cylinder.point) + section.height * axis + section.radius[seen, None] * around[seen]
        pieces.append(places)
    return np.vstack(pieces) if pieces else np.zeros((0, 3))
