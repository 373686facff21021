"""Nominal elements, mm and rad."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from runner.geometry.frames import unit
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Point, Shape, Slot, Sphere, Torus, vector
from runner.recipe.expand import places_of
from runner.recipe.features import PatternFeature
from runner.records import Vector


def scaled(values: tuple[float, float, float], mm: float) -> Vector:
    """Return a place in mm."""
    x, y, z = (float(v) * mm for v in values)
    return x, y, z


def unit_vector(values: tuple[float, float, float]) -> Vector:
    """Return a direction of length 1."""
    return vector(unit(np.array(values, dtype=np.float64)))


def span_mm(values: tuple[float, float] | None, mm: float) -> tuple[float, float] | None:
    """Return a stretch in mm."""
    return None if values is None else (float(values[0]) * mm, float(values[1]) * mm)


def shape_of(item: Any, mm: float, thickness_mm: float | None) -> Shape | None:
    """Return the nominal element of a single feature, mm and rad; None for a surface or trim edge."""
    kind = item.kind
    if kind in ("surface", "trim edge"):
        return None
    element = getattr(item, kind.replace(" ", "_").replace("-", "_"))
    if kind in ("surface point", "edge point"):
        return Point(scaled(element.at, mm))
    if kind in ("plane", "cross-section"):
        return Plane(scaled(element.at, mm), unit_vector(element.normal))
    if kind == "line":
        return Line(scaled(element.at, mm), unit_vector(element.direction))
    if kind == "sphere":
        return Sphere(scaled(element.at, mm), element.diameter * mm / 2)
    axis = unit_vector(element.axis)
    if kind == "cylinder":
        return Cylinder(scaled(element.at, mm), axis, element.diameter * mm / 2)
    if kind == "torus":
        return Torus(scaled(element.at, mm), axis, element.diameter * mm / 2, element.tube * mm / 2)
    if kind == "cone":
        if element.apex is not None:
            return Cone(scaled(element.apex, mm), axis, math.radians(element.angle) / 2)
        return _cone(np.array(element.at) * mm, np.array(axis), element.diameter * mm, element.angle)
    centre = np.array(element.at, dtype=np.float64) * mm
    if kind in ("circle", "arc"):
        shape: Circle | Slot = Circle(vector(centre), axis, element.diameter * mm / 2)
    else:
        shape = Slot(
            vector(centre),
            axis,
            unit_vector(element.along),
            element.length * mm,
            element.width * mm,
            kind == "slot" and element.ends != "square",
        )
    return _on_side(shape, item.side, thickness_mm)


def _cone(at: Any, axis: Any, diameter_mm: float, angle_deg: float) -> Cone:
    half = math.radians(angle_deg) / 2
    return Cone(vector(at - axis * (diameter_mm / 2 / math.tan(half))), vector(axis), half)


def _on_side(shape: Circle | Slot, side: str | None, thickness_mm: float | None) -> Circle | Slot:
    """Return an edge element as placed, or on the sheet's other side, looking out of that one."""
    if side != "far":
        return shape
    assert thickness_mm is not None
    axis = np.array(shape.axis)
    centre = vector(np.array(shape.centre) - axis * thickness_mm)
    if isinstance(shape, Circle):
        return Circle(centre, vector(-axis), shape.radius)
    return Slot(centre, vector(-axis), shape.along, shape.length, shape.width, shape.round_ends)


def member_shapes(item: PatternFeature, mm: float, thickness_mm: float | None) -> list[Shape]:
    """Return the nominal elements of a pattern's members in the order of their numbers, mm and rad."""
    places, axis_array, lengthwise = places_of(item)
    axis, of = vector(axis_array), item.of
    shapes: list[Shape] = []
    for i, place in enumerate(places * mm):
        at = vector(place)
        if of.circle is not None:
            shapes.append(_on_side(Circle(at, axis, of.circle.diameter * mm / 2), item.side, thickness_mm))
        elif of.cylinder is not None:
            shapes.append(Cylinder(at, axis, of.cylinder.diameter * mm / 2))
        elif of.sphere is not None:
            shapes.append(Sphere(at, of.sphere.diameter * mm / 2))
        elif of.cone is not None:
            shapes.append(_cone(place, axis_array, of.cone.diameter * mm, of.cone.angle))
        else:
            wide = of.slot or of.rectangle
            assert wide is not None
            along = np.array(wide.along) if wide.along is not None else lengthwise[i]  # type: ignore[index]
            round_ends = of.slot is not None and of.slot.ends != "square"
            slot = Slot(at, axis, vector(unit(along)), wide.length * mm, wide.width * mm, round_ends)
            shapes.append(_on_side(slot, item.side, thickness_mm))
    return shapes
