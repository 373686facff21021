"""Patterns to their members: ``bolt holes`` with four places becomes ``bolt holes 1`` to ``bolt holes 4``."""

from __future__ import annotations

import math

import numpy as np

from runner.geometry.frames import rotation_from_vector, unit
from runner.geometry.mesh import Floats
from runner.recipe.features import PatternFeature
from runner.recipe.scalars import Refused

PARALLEL = 1e-6


def count_of(feature: PatternFeature) -> int:
    """Return the number of members of a pattern."""
    pattern = feature.pattern
    if pattern.circle is not None:
        return pattern.circle.count
    if pattern.grid is not None:
        return pattern.grid.count[0] * pattern.grid.count[1]
    assert pattern.places is not None
    return len(pattern.places.at)


def member_names(name: str, feature: PatternFeature) -> tuple[str, ...]:
    """Return the names of a pattern's members, numbered from 1."""
    return tuple(f"{name} {i + 1}" for i in range(count_of(feature)))


def places_of(feature: PatternFeature) -> tuple[Floats, Floats, Floats | None]:
    """Return places (n, 3) in the drawing's unit, the unit axis, and lengthwise directions (n, 3) or None.

    Raises
    ------
    Refused
        When directions that must differ are parallel.
    """
    pattern = feature.pattern
    if pattern.circle is not None:
        circle = pattern.circle
        axis = unit(np.array(circle.axis))
        zero = _zero_direction(axis, circle.zero)
        step = circle.step if circle.step is not None else 360.0 / circle.count
        angles = [math.radians((circle.start or 0.0) + i * step) for i in range(circle.count)]
        radial = np.array([rotation_from_vector(axis * angle) @ zero for angle in angles])
        return np.array(circle.at) + radial * (circle.diameter / 2.0), axis, radial
    if pattern.grid is not None:
        grid = pattern.grid
        axis, along = unit(np.array(grid.axis)), unit(np.array(grid.along))
        if np.linalg.norm(np.cross(axis, along)) < PARALLEL:
            raise Refused("axis and along of the grid are parallel", "two different directions")
        across = unit(np.array(grid.across)) if grid.across is not None else unit(np.cross(axis, along))
        if np.linalg.norm(np.cross(across, along)) < PARALLEL:
            raise Refused("across and along of the grid are parallel", "two different directions")
        n, m = grid.count
        rows = [
            np.array(grid.at) + along * (grid.step[0] * i) + across * (grid.step[1] * j)
            for j in range(m)
            for i in range(n)
        ]
        return np.array(rows), axis, np.tile(along, (n * m, 1))
    assert pattern.places is not None
    return np.array(pattern.places.at), unit(np.array(pattern.places.axis)), None


def _zero_direction(axis: Floats, stated: tuple[float, float, float] | None) -> Floats:
    """Return the unit direction, square to the axis, from which a circle's angles count."""
    if stated is not None:
        start = np.array(stated)
        if np.linalg.norm(np.cross(axis, unit(start))) < PARALLEL:
            raise Refused("zero is parallel to the circle's axis", "a direction across the axis")
    else:
        start = np.array([1.0, 0.0, 0.0]) if abs(axis[0]) < 1.0 - PARALLEL else np.array([0.0, 1.0, 0.0])
    return unit(start - axis * float(start @ axis))
