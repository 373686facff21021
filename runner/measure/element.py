"""Distances to unbounded elements, their feet and normals, and the small movement between two of a kind."""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import rigid, rotation_from_vector, unit
from runner.geometry.mesh import FaceTable, Floats, SurfaceKind
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Point, Shape, Slot, Sphere, Torus, vector


def array(values: tuple[float, float, float] | Floats) -> Floats:
    """Return three numbers as a float64 array."""
    return np.asarray(values, dtype=np.float64)


def place(shape: Shape) -> Floats:
    """Return the point by which an element is given: point, centre or apex."""
    for name in ("point", "centre", "apex"):
        if hasattr(shape, name):
            return array(getattr(shape, name))
    raise TypeError(f"{type(shape).__name__} has no point")


def direction(shape: Shape) -> Floats | None:
    """Return the unit direction of an element (normal, axis, direction), or None for a sphere or a point."""
    for name in ("normal", "axis", "direction"):
        if hasattr(shape, name):
            return unit(array(getattr(shape, name)))
    return None


def axial(points: Floats, origin: Floats, axis: Floats) -> tuple[Floats, Floats, Floats]:
    """Return height along the axis (n,), distance from it (n,) and the unit vector away from it (n, 3)."""
    offset = points - origin
    height = offset @ axis
    radial = offset - height[:, None] * axis
    distance = np.linalg.norm(radial, axis=1)
    safe = np.where(distance > 1e-12, distance, 1.0)
    return height, distance, radial / safe[:, None]


def signed_distance(shape: Shape, points: Floats) -> Floats:
    """Return distances (n,), positive on the side of the natural normal (away from the axis, centre or tube)."""
    origin = place(shape)
    axis = direction(shape)
    if isinstance(shape, Sphere):
        return np.linalg.norm(points - origin, axis=1) - shape.radius
    if isinstance(shape, Point):
        return np.linalg.norm(points - origin, axis=1)
    assert axis is not None
    if isinstance(shape, Plane):
        return (points - origin) @ axis
    height, distance, _ = axial(points, origin, axis)
    if isinstance(shape, Circle | Cylinder):
        return distance - shape.radius
    if isinstance(shape, Cone):
        return distance * np.cos(shape.half_angle) - height * np.sin(shape.half_angle)
    if isinstance(shape, Torus):
        return np.hypot(distance - shape.radius, height) - shape.minor
    if isinstance(shape, Line):
        return distance
    raise TypeError(f"no distance to a {type(shape).__name__}")


def natural_normals(shape: Shape, points: Floats) -> Floats:
    """Return the natural unit normals (n, 3) of an element at the feet of points."""
    origin = place(shape)
    axis = direction(shape)
    if isinstance(shape, Sphere | Point):
        offset = points - origin
        length = np.linalg.norm(offset, axis=1, keepdims=True)
        return offset / np.where(length > 1e-12, length, 1.0)
    assert axis is not None
    if isinstance(shape, Plane):
        return np.broadcast_to(axis, points.shape)
    height, distance, radial = axial(points, origin, axis)
    if isinstance(shape, Circle | Cylinder | Line):
        return radial
    if isinstance(shape, Cone):
        return radial * np.cos(shape.half_angle) - axis * np.sin(shape.half_angle)
    if isinstance(shape, Torus):
        tube = radial * (distance - shape.radius)[:, None] + height[:, None] * axis
        length = np.linalg.norm(tube, axis=1, keepdims=True)
        return tube / np.where(length > 1e-12, length, 1.0)
    raise TypeError(f"no normals of a {type(shape).__name__}")


def feet(shape: Shape, points: Floats) -> Floats:
    """Return the points (n, 3) of the element nearest to the given ones."""
    return points - signed_distance(shape, points)[:, None] * natural_normals(shape, points)


def movement(nominal: Shape, measured: Shape) -> Floats:
    """Return the least rigid movement (4, 4) that carries ``nominal`` onto ``measured`` (of the same kind).

    Sizes are left alone. Nothing is moved along directions in which the element is unchanged.
    """
    rotation = np.eye(3)
    axis_a, axis_b = direction(nominal), direction(measured)
    if axis_a is not None and axis_b is not None:
        if axis_a @ axis_b < 0:
            axis_b = -axis_b
        cross = np.cross(axis_a, axis_b)
        sine = float(np.linalg.norm(cross))
        if sine > 1e-15:
            rotation = rotation_from_vector(cross / sine * np.arctan2(sine, float(axis_a @ axis_b)))
    origin_a, origin_b = place(nominal), place(measured)
    shift = origin_b - origin_a
    if isinstance(nominal, Plane):
        assert axis_b is not None
        shift = (shift @ axis_b) * axis_b
    elif isinstance(nominal, Cylinder | Line):
        assert axis_b is not None
        shift = shift - (shift @ axis_b) * axis_b
    return rigid(rotation, origin_a - rotation @ origin_a + shift)


def anchored(shape: Shape, nominal: Shape) -> Shape:
    """Return the element with its point where the nominal's is, as nearly as it may slide, and directions alike."""
    if isinstance(shape, Plane) and isinstance(nominal, Plane):
        normal, origin = unit(array(shape.normal)), place(shape)
        normal = normal if normal @ array(nominal.normal) >= 0 else -normal
        at = array(nominal.point)
        return Plane(vector(at - ((at - origin) @ normal) * normal), vector(normal))
    if isinstance(shape, Cylinder | Line) and isinstance(nominal, Cylinder | Line):
        axis, wish, origin = direction(shape), direction(nominal), place(shape)
        assert axis is not None and wish is not None
        axis = axis if axis @ wish >= 0 else -axis
        foot = vector(origin + ((place(nominal) - origin) @ axis) * axis)
        return Line(foot, vector(axis)) if isinstance(shape, Line) else Cylinder(foot, vector(axis), shape.radius)
    return shape


def face_shape(faces: FaceTable, face: int) -> Shape | None:
    """Return the exact element of one nominal face, or None for a free-form face."""
    kind = SurfaceKind(int(faces.kind[face]))
    origin, axis = vector(faces.origin[face]), vector(faces.axis[face])
    if kind is SurfaceKind.PLANE:
        return Plane(origin, axis)
    if kind is SurfaceKind.CYLINDER:
        return Cylinder(origin, axis, float(faces.radius[face]))
    if kind is SurfaceKind.CONE:
        return Cone(origin, axis, float(faces.minor[face]))
    if kind is SurfaceKind.SPHERE:
        return Sphere(origin, float(faces.radius[face]))
    if kind is SurfaceKind.TORUS:
        return Torus(origin, axis, float(faces.radius[face]), float(faces.minor[face]))
    return None


def as_surface(shape: Shape) -> Shape:
    """Return the surface that carries an element: a circle's or a hole's wall is a cylinder."""
    if isinstance(shape, Circle):
        return Cylinder(shape.centre, shape.axis, shape.radius)
    return shape


def slot_axes(slot: Slot) -> tuple[Floats, Floats, Floats, Floats]:
    """Return centre, along, across and axis of a slot; across = axis x along."""
    axis = unit(array(slot.axis))
    along = array(slot.along)
    along = unit(along - (along @ axis) * axis)
    return array(slot.centre), along, np.cross(axis, along), axis
