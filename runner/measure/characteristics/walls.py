"""Opposite cells of slots, rectangles and spheres: where local sizes are taken and mating elements touch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.fits import circumscribed_sphere, inscribed_sphere
from runner.geometry.fits.result import FailedFit
from runner.geometry.fits.starts import directions
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Slot, Sphere
from runner.measure.element import array, slot_axes
from runner.measure.found import FoundFeature

POINTS_PER_CELL = 30.0
LEAST_IN_CELL = 6
MOST_CELLS = 60
LEAST_CELLS = 3
SPHERE_CELLS = 60
"""Pairs of opposite cells on a sphere."""


@dataclass(frozen=True, eq=False)
class Walls:
    """Two opposite walls reduced to means over cells, seen along the slot's axis: cells reach through its depth."""

    upper: Floats
    """(k, 2) mm, along the wall and across."""
    lower: Floats
    local: Floats
    """(m,) sizes between opposite cells, mm."""
    cell: float
    """mm along the wall."""


def slot_walls(feature: FoundFeature, across: str) -> Walls | str:
    """Return the walls between which the ``width`` or ``length`` of a slot or rectangle lies, or why there are none."""
    slot = feature.shape
    assert isinstance(slot, Slot)
    centre, along, side, _ = slot_axes(slot)
    size, reach = slot.width, slot.length
    if across == "length":
        along, side, size, reach = side, along, slot.length, slot.width
    offset = feature.points - centre
    x, y = offset @ along, offset @ side
    straight = 0.5 * (reach - slot.width) if slot.round_ends else 0.5 * reach
    # a point belongs to the wall that it is nearest to
    to_wall = np.abs(0.5 * size - np.abs(y))
    mine = (np.abs(x) <= straight) & (to_wall < np.abs(0.5 * reach - np.abs(x)) if not slot.round_ends else True)
    walls = [mine & (y > 0.25 * size), mine & (y < -0.25 * size)]
    counts = [int(w.sum()) for w in walls]
    if min(counts) < LEAST_CELLS * LEAST_IN_CELL:
        return "two-point size needs opposite points: it was seen from one side only"
    low, high = (float(f(x[walls[0] | walls[1]])) for f in (np.min, np.max))
    cells = int(np.clip(min(counts) / POINTS_PER_CELL, LEAST_CELLS, MOST_CELLS))
    width = (high - low) / cells
    means, filled = [], []
    for wall in walls:
        cell = np.clip(((x[wall] - low) / max(width, 1e-12)).astype(int), 0, cells - 1)
        number = np.bincount(cell, minlength=cells)
        sums = [np.bincount(cell, weights=values[wall], minlength=cells) for values in (x, y)]
        means.append(np.column_stack(sums) / np.maximum(number, 1)[:, None])
        filled.append(number >= LEAST_IN_CELL)
    both = filled[0] & filled[1]
    if both.sum() < LEAST_CELLS:
        return "two-point size needs opposite points: too few places were seen on both sides"
    # a cell's mean counts at the middle of its cell: a lean of the wall within the cell is taken out
    middles = low + (np.arange(cells) + 0.5) * width
    ends = []
    for k in (0, 1):
        slope = np.polyfit(means[k][both, 0], means[k][both, 1], 1)[0]
        ends.append(means[k][:, 1] + slope * (middles - means[k][:, 0]))
    local = ends[0][both] - ends[1][both]
    upper, lower = (np.column_stack([middles, ends[k]])[filled[k]] for k in (0, 1))
    return Walls(upper, lower, local, width)


def _sphere_cells(feature: FoundFeature) -> tuple[Floats, Floats, Floats]:
    """Return directions (2k, 3) of cells, the later half opposite to the first, mean radii and numbers of points."""
    from scipy.spatial import cKDTree

    shape = feature.shape
    assert isinstance(shape, Sphere)
    half = directions(SPHERE_CELLS)
    ways = np.vstack([half, -half])
    offset = feature.points - array(shape.centre)
    radius = np.linalg.norm(offset, axis=1)
    cell = cKDTree(ways).query(offset / np.maximum(radius, 1e-12)[:, None])[1]
    number = np.bincount(cell, minlength=len(ways)).astype(np.float64)
    mean = np.bincount(cell, weights=radius, minlength=len(ways)) / np.maximum(number, 1.0)
    return ways, mean, number


def sphere_local(feature: FoundFeature) -> Floats:
    """Return the local diameters (m,), mm, between opposite cells that were both seen."""
    _, mean, number = _sphere_cells(feature)
    both = (number[:SPHERE_CELLS] >= LEAST_IN_CELL) & (number[SPHERE_CELLS:] >= LEAST_IN_CELL)
    return mean[:SPHERE_CELLS][both] + mean[SPHERE_CELLS:][both]


def sphere_mating(feature: FoundFeature, *, inscribed: bool) -> float | str:
    """Return the diameter of the inscribed or circumscribed sphere of the cells, mm, or why there is none."""
    shape = feature.shape
    assert isinstance(shape, Sphere)
    ways, mean, number = _sphere_cells(feature)
    seen = number >= LEAST_IN_CELL
    if seen.sum() < 12:
        return "too few points for an inscribed or circumscribed sphere"
    aim = ways[seen].mean(axis=0)
    if float((ways[seen] @ aim).min()) > -0.2 * float(np.linalg.norm(aim)):
        # all within little more than half of it: the cells reach a bit beyond what was seen
        return "an inscribed or circumscribed sphere needs points on more than half of it"
    places = array(shape.centre) + ways[seen] * mean[seen][:, None]
    found = inscribed_sphere(places) if inscribed else circumscribed_sphere(places)
    return found.reason if isinstance(found, FailedFit) else 2.0 * float(found.shape.radius)
