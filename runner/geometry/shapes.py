"""Geometric elements by their parameters: what a recipe asks for and what a fit returns. Millimetres and radians."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from runner.geometry.frames import move_points, turn_vectors, unit
from runner.geometry.mesh import Floats
from runner.records import Vector


@dataclass(frozen=True)
class Point:
    """A point: a constructed one, or the place of a surface or edge point."""

    point: Vector


@dataclass(frozen=True)
class Plane:
    """A plane; ``normal`` points out of the material."""

    point: Vector
    normal: Vector


@dataclass(frozen=True)
class Line:
    """A straight line."""

    point: Vector
    direction: Vector


@dataclass(frozen=True)
class Circle:
    """A circle in space; for a hole's edge ``axis`` points out of the sheet side it is seen from."""

    centre: Vector
    axis: Vector
    radius: float


@dataclass(frozen=True)
class Cylinder:
    """A cylinder without ends."""

    point: Vector
    axis: Vector
    radius: float


@dataclass(frozen=True)
class Cone:
    """A cone; ``axis`` points from the apex into the opening."""

    apex: Vector
    axis: Vector
    half_angle: float


@dataclass(frozen=True)
class Sphere:
    """A sphere."""

    centre: Vector
    radius: float


@dataclass(frozen=True)
class Torus:
    """A torus: ring radius ``radius``, tube radius ``minor``."""

    centre: Vector
    axis: Vector
    radius: float
    minor: float


@dataclass(frozen=True)
class Slot:
    """An elongated hole: ``length`` is overall, along ``along``; ``axis`` as for a circle; ends round or square."""

    centre: Vector
    axis: Vector
    along: Vector
    length: float
    width: float
    round_ends: bool = True


Shape = Point | Plane | Line | Circle | Cylinder | Cone | Sphere | Torus | Slot

POINTS = ("point", "centre", "apex")
DIRECTIONS = ("normal", "direction", "axis", "along")


def vector(values: Floats) -> Vector:
    """Return three floats as a plain tuple."""
    x, y, z = (float(v) for v in values)
    return x, y, z


def parameters(shape: Shape) -> dict[str, float | Vector]:
    """Return the numbers of an element by name, as ``MeasuredFeature.parameters`` holds them."""
    return {f.name: getattr(shape, f.name) for f in fields(shape) if f.name != "round_ends"}


def moved(shape: Shape, b_from_a: Floats) -> Shape:
    """Return the element moved by a rigid transform (4, 4)."""
    values = {f.name: getattr(shape, f.name) for f in fields(shape)}
    for name in POINTS:
        if name in values:
            values[name] = vector(move_points(b_from_a, np.array([values[name]]))[0])
    for name in DIRECTIONS:
        if name in values:
            values[name] = vector(unit(turn_vectors(b_from_a, np.array([values[name]]))[0]))
    return type(shape)(**values)
