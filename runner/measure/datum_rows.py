"""What a datum feature holds: rows of the constraints that its kind sets on small movements of the part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.frames import perpendicular
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Point, Shape, Slot, Sphere, Torus
from runner.measure.element import array, direction, place, slot_axes
from runner.measure.twists import rows_of_direction, rows_of_points


@dataclass(frozen=True, eq=False)
class Constraint:
    """Rows over twists (k, 6) with the residual (k,) that they have to take away."""

    rows: Floats
    residual: Floats


def holds(shape: Shape) -> bool:
    """Whether an element can be a datum."""
    return isinstance(shape, Point | Plane | Cylinder | Circle | Cone | Sphere | Slot | Line | Torus)


def orientation(nominal: Shape, measured: Shape, centre: Floats) -> Constraint:
    """Return how the measured element must turn to lie along the nominal one.

    A circle seen from its edge and a slot say nothing of their own about the tilt of the sheet; a slot holds the turn
    about its axis.
    """
    del centre
    if isinstance(nominal, Sphere | Circle | Point):
        return _nothing()
    if isinstance(nominal, Slot) and isinstance(measured, Slot):
        _, along, across, _ = slot_axes(nominal)
        along_now = slot_axes(measured)[1]
        if along_now @ along < 0:
            along_now = -along_now
        row = np.zeros((1, 6))
        row[0, :3] = np.cross(along, across)
        return Constraint(row, np.array([-(along_now @ across)]))
    axis, axis_now = direction(nominal), direction(measured)
    assert axis is not None and axis_now is not None
    if axis_now @ axis < 0:
        axis_now = -axis_now
    rows, u, v = rows_of_direction(axis)
    return Constraint(rows, np.array([-(axis_now @ u), -(axis_now @ v)]))


def location(nominal: Shape, measured: Shape, centre: Floats, middle: float = 0.0) -> Constraint:
    """Return how the measured element must shift to lie on the nominal one.

    ``middle`` is where, mm along the nominal axis from its point, an axis is compared: the middle of its extent. What
    leans is put right there, and not at the end that the recipe's point happens to lie at.
    """
    at = place(nominal)
    if isinstance(nominal, Plane) and isinstance(measured, Plane):
        normal = array(nominal.normal)
        normal_now = array(measured.normal)
        if normal_now @ normal < 0:
            normal_now = -normal_now
        residual = float((at - array(measured.point)) @ normal_now)
        return Constraint(rows_of_points(at[None], normal[None], centre), np.array([residual]))
    if isinstance(nominal, Sphere | Point):
        rows = rows_of_points(np.repeat(at[None], 3, axis=0), np.eye(3), centre)
        return Constraint(rows, at - place(measured))
    if isinstance(nominal, Slot):
        _, _, across, _ = slot_axes(nominal)
        return Constraint(rows_of_points(at[None], across[None], centre), np.array([(at - place(measured)) @ across]))
    axis, axis_now = direction(nominal), direction(measured)
    assert axis is not None and axis_now is not None
    if axis_now @ axis < 0:
        axis_now = -axis_now
    u, v = perpendicular(axis)
    foot = place(measured)
    if isinstance(nominal, Cone) and isinstance(measured, Cone):
        # along the axis where its radius is the nominal one: the apex of a slim cone is hardly known
        middle = middle if middle > 0.0 else 1.0
        at = at + middle * axis
        foot = foot + middle * np.tan(nominal.half_angle) / np.tan(measured.half_angle) * axis_now
    elif not isinstance(nominal, Circle | Torus):
        at = at + middle * axis
        foot = foot + ((at - foot) @ axis_now) * axis_now
    ways = np.vstack([u, v, axis] if isinstance(nominal, Cone | Torus) else [u, v])
    return Constraint(rows_of_points(np.repeat(at[None], len(ways), axis=0), ways, centre), ways @ (at - foot))


def at_both_ends(nominal: Shape, measured: Shape, span: tuple[float, float], centre: Floats) -> Constraint:
    """Return the location rows of an axis at both ends of its extent: in a common datum the tilt comes from there."""
    axis, axis_now = direction(nominal), direction(measured)
    assert axis is not None and axis_now is not None
    if axis_now @ axis < 0:
        axis_now = -axis_now
    pieces = []
    for height in span:
        at = place(nominal) + height * axis
        foot = place(measured) + ((at - place(measured)) @ axis_now) * axis_now
        u, v = perpendicular(axis)
        rows = rows_of_points(np.vstack([at, at]), np.vstack([u, v]), centre)
        pieces.append(Constraint(rows, np.array([(at - foot) @ u, (at - foot) @ v])))
    return stacked(pieces)


def stacked(pieces: list[Constraint]) -> Constraint:
    """Return several constraints as one."""
    if not pieces:
        return _nothing()
    return Constraint(np.vstack([p.rows for p in pieces]), np.concatenate([p.residual for p in pieces]))


def location_first(nominal: Shape, free: Floats, centre: Floats) -> bool:
    """Whether, with only a turn left, the datum's place and not its own direction sets that turn.

    A hole always; a slot when it lies farther from the pivot than it is long. A face by its direction.
    """
    if not isinstance(nominal, Slot):
        return False
    rows = location(nominal, nominal, centre).rows @ free
    if rows.shape[1] != 1:
        return False
    turn = float(np.linalg.norm(free[:3, 0]))
    return turn > 1e-9 and abs(float(rows[0, 0])) / turn > nominal.length


def _nothing() -> Constraint:
    return Constraint(np.zeros((0, 6)), np.zeros(0))


def turns_only(constraint: Constraint) -> Constraint:
    """Return what a constraint says of turns when every shift is free: a pattern's directions without its place."""
    shifts = constraint.rows[:, 3:]
    left = np.eye(len(constraint.rows)) - shifts @ np.linalg.pinv(shifts, rcond=1e-9)
    return Constraint(left @ constraint.rows, left @ constraint.residual)
