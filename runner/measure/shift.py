"""Datums at maximum material: how far the part may shift while the datum feature clears its virtual condition.

The boundary stays at its true place in the datum frame and the part moves: every point of the datum feature has to
stay outside it (ISO 2692:2021, maximum material requirement for datums; ASME Y14.5-2018, 7.11.6 to 7.11.9, maximum
material boundary; the clauses are quoted from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from runner.geometry.frames import move_points, perpendicular
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cylinder, Plane, Shape, Sphere, moved, vector
from runner.measure.contact import Face
from runner.measure.element import array, natural_normals, signed_distance
from runner.measure.found import FoundFeature
from runner.measure.specs import DatumSpec
from runner.measure.twists import rows_of_points


@dataclass(frozen=True, eq=False)
class Allowance:
    """One boundary that points of the part must not cross."""

    label: str
    """The datum."""
    points: Floats
    """(n, 3) mm, of the datum feature, in the datum frame as it was seated."""
    boundary: Shape
    """The virtual condition in the datum frame: cylinder, sphere or plane."""
    side: int
    """+1: the points stay on the natural normal's side of the boundary (a hole's wall), -1: on the other (a pin's)."""

    def room(self, move: Floats) -> Floats:
        """Return the clearance (n,), mm, of every point after a movement (4, 4) of the part; 0 and more is allowed."""
        return self.side * signed_distance(self.boundary, move_points(move, self.points))

    def rows(self, move: Floats, centre: Floats) -> Floats:
        """Return how the clearances grow, (n, 6), per further twist about ``centre`` (3,)."""
        now = move_points(move, self.points)
        return self.side * rows_of_points(now, natural_normals(self.boundary, now), centre)

    def least(self, move: Floats | None = None) -> float:
        """Return the least clearance, mm."""
        return float(np.min(self.room(np.eye(4) if move is None else move), initial=np.inf))


def allowances_of(
    datum: DatumSpec, nominal: Sequence[Shape], found: Sequence[FoundFeature], faces: Sequence[Face], move: Floats
) -> list[Allowance] | str:
    """Return the boundaries of a datum at maximum material, the part seated by ``move``; or why there is no shift."""
    if datum.virtual_size is None:
        return "its virtual condition is not stated"
    half = 0.5 * datum.virtual_size
    made: list[Allowance] = []
    for face in faces:
        points = move_points(move, face.points)
        if isinstance(face.wanted, Cylinder | Sphere):
            boundary: Shape = type(face.wanted)(**{**face.wanted.__dict__, "radius": half})
            made.append(Allowance(datum.label, points, boundary, -face.outward))
    if not made and len(faces) == 2 and all(isinstance(f.wanted, Plane) for f in faces):
        made = _width(datum, faces, move, half)
    if not made:
        for wanted, feature in zip(nominal, found, strict=True):
            if not isinstance(wanted, Circle) or not isinstance(feature.shape, Circle):
                return f"no virtual condition is defined for a {feature.spec.kind}"
            disc = bool(feature.border and feature.border.outline_is_material)
            boundary = Cylinder(wanted.centre, wanted.axis, half)
            ring = moved(feature.shape, move)
            assert isinstance(ring, Circle)
            made.append(Allowance(datum.label, _ring(ring), boundary, -1 if disc else 1))
    least = min(a.least() for a in made)
    if not least > 0.0:
        return f"its feature crosses its virtual condition by {-least:.4f} mm"
    return made


def _ring(circle: Circle) -> Floats:
    """Points (k, 3) around a circle that is known by its edge alone."""
    u, v = perpendicular(array(circle.axis))
    angle = np.linspace(0.0, 2.0 * np.pi, 360, endpoint=False)[:, None]
    return array(circle.centre) + circle.radius * (np.cos(angle) * u + np.sin(angle) * v)


def _width(datum: DatumSpec, faces: Sequence[Face], move: Floats, half: float) -> list[Allowance]:
    """A slot or a width: both sides of its median plane."""
    first, second = (f.wanted for f in faces)
    assert isinstance(first, Plane) and isinstance(second, Plane)
    middle = 0.5 * (array(first.point) + array(second.point))
    # walls of a slot look at each other; sides of a tongue look away
    inside = float((array(first.point) - middle) @ array(first.normal)) < 0.0
    made = []
    for face in faces:
        assert isinstance(face.wanted, Plane)
        normal = array(face.wanted.normal)
        at = middle - half * normal if inside else middle + half * normal
        made.append(Allowance(datum.label, move_points(move, face.points), Plane(vector(at), vector(normal)), -1))
    return made
