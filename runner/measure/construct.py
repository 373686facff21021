"""Elements constructed from others: one pure function, for the nominal parents and for the measured ones alike.

What each kind takes and gives:

``midpoint``
    two centres -> Point; two parallel planes -> Plane half way; two parallel axes -> Line half way.
``intersection``
    two planes -> Line; an axis and a plane -> Point; two axes -> Point half way between them where they are nearest;
    three planes -> Point.
``centre``
    one or more centres -> Point, their mean.
``projection``
    a centre onto a plane or an axis -> Point; an axis onto a plane -> Line.
``symmetry plane``
    two planes -> Plane that halves them; a slot or rectangle -> Plane that halves its width, or the size along
    ``direction``.
``axis``
    one cylinder, cone, torus or line -> Line, its axis; two or more centres -> Line through them (least squares).
``centre circle``
    three or more centres -> Circle through them (least squares in their least-squares plane).

A *centre* is a point, the centre of a circle, sphere, slot, rectangle or torus, or, of a cylinder or line, the point it
is given by. An *axis* is a line or that of a cylinder, cone, torus, circle or slot.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

import numpy as np

from runner.geometry.fits.circle import fit_circle3d
from runner.geometry.fits.result import FailedFit
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Point, Shape, Slot, Sphere, Torus, vector
from runner.records import Vector

PARALLEL = np.radians(5.0)
"""rad: planes and axes that are asked for what lies half way between them are parallel within this."""
CROSSING = np.radians(0.5)
"""rad: below this angle where two elements meet isn't held by them."""
WEDGE = np.radians(60.0)
"""rad: beyond it, it isn't clear which of two halving planes is meant."""
APART = 1e-6
"""mm: nearer points are one."""

Direction = Vector | None


def construct(kind: str, shapes: Sequence[Shape], direction: Direction = None) -> Shape | str:
    """Return the element that a kind of construction makes of its parents, or why there is none.

    Parameters
    ----------
    kind : one of ``KINDS``.
    shapes : the parents' elements, in order, mm.
    direction : symmetry plane of a slot: across which it is halved (its width where None). Projection of a point onto
        a plane: the way it moves (along the plane's normal where None).
    """
    if kind not in KINDS:
        return f'there is no construction "{kind}": {", ".join(KINDS)}'
    return KINDS[kind](tuple(shapes), direction)


def _midpoint(shapes: tuple[Shape, ...], _: Direction) -> Shape | str:
    if len(shapes) != 2:
        return f"a midpoint takes two features, not {len(shapes)}"
    a, b = shapes
    if isinstance(a, Plane) and isinstance(b, Plane):
        turn = _turn(_array(a.normal), _array(b.normal))
        if turn > PARALLEL:
            return f"the planes are not parallel: they stand at {np.degrees(turn):.2f} deg"
        return _halving(a, b)
    if isinstance(a, Cylinder | Cone | Line) and isinstance(b, Cylinder | Cone | Line):
        return _mid_line(a, b)
    ends = [_centre_of(shape) for shape in shapes]
    if ends[0] is None or ends[1] is None:
        return f"there is no midpoint of a {_name(a)} and a {_name(b)}"
    return Point(vector(0.5 * (ends[0] + ends[1])))


def _mid_line(a: Shape, b: Shape) -> Shape | str:
    first, second = _axis_of(a), _axis_of(b)
    assert first is not None and second is not None
    turn = _turn(first[1], second[1])
    if turn > PARALLEL:
        return f"the axes are not parallel: they stand at {np.degrees(turn):.2f} deg"
    other = second[1] if first[1] @ second[1] >= 0 else -second[1]
    along = unit(first[1] + other)
    # each axis is met in the plane across the mid line through the middle of their given points
    middle = 0.5 * (first[0] + second[0])
    met = [at + ((middle - at) @ along) / float(w @ along) * w for at, w in ((first[0], first[1]), (second[0], other))]
    return Line(vector(0.5 * (met[0] + met[1])), vector(along))


def _intersection(shapes: tuple[Shape, ...], _: Direction) -> Shape | str:
    planes = [shape for shape in shapes if isinstance(shape, Plane)]
    if len(shapes) == 3:
        return _three_planes(planes) if len(planes) == 3 else "an intersection of three takes three planes"
    if len(shapes) != 2:
        return f"an intersection takes two or three features, not {len(shapes)}"
    if len(planes) == 2:
        return meeting_line(planes[0], planes[1])
    axes = [_axis_of(shape) for shape in shapes if not isinstance(shape, Plane)]
    for axis in axes:
        if axis is None:
            return f"a {_name(shapes[0])} and a {_name(shapes[1])} have no intersection: take planes and axes"
    if planes and axes[0] is not None:
        return _pierced(planes[0], *axes[0])
    assert axes[0] is not None and axes[1] is not None
    return _nearest(axes[0], axes[1])


def meeting_line(a: Plane, b: Plane) -> Line | str:
    """Return the line in which two planes meet, through the point of it nearest to both given points."""
    first, second = unit(_array(a.normal)), unit(_array(b.normal))
    turn = _turn(first, second)
    if turn < CROSSING:
        return f"the planes are parallel within {np.degrees(CROSSING):g} deg: they don't meet"
    along = unit(np.cross(first, second))
    middle = 0.5 * (_array(a.point) + _array(b.point))
    matrix = np.array([first, second, along])
    # about the middle, so that places far from the origin lose no digits
    right = np.array([(_array(a.point) - middle) @ first, (_array(b.point) - middle) @ second, 0.0])
    return Line(vector(middle + np.linalg.solve(matrix, right)), vector(along))


def _three_planes(planes: list[Plane]) -> Point | str:
    normals = np.array([unit(_array(plane.normal)) for plane in planes])
    places = np.array([plane.point for plane in planes])
    if np.linalg.svd(normals, compute_uv=False)[-1] < np.sin(CROSSING):
        return "the three planes don't meet in one point: two are parallel, or all three lie along one line"
    middle = places.mean(axis=0)
    right = np.einsum("ij,ij->i", normals, places - middle)
    return Point(vector(middle + np.linalg.solve(normals, right)))


def _pierced(plane: Plane, at: Floats, along: Floats) -> Point | str:
    normal = unit(_array(plane.normal))
    rise = float(along @ normal)
    if abs(rise) < np.sin(CROSSING):
        return f"the axis is parallel to the plane within {np.degrees(CROSSING):g} deg: they don't meet"
    return Point(vector(at + ((_array(plane.point) - at) @ normal) / rise * along))


def _nearest(first: tuple[Floats, Floats], second: tuple[Floats, Floats]) -> Point | str:
    (p, u), (q, w) = first, second
    if _turn(u, w) < CROSSING:
        return f"the axes are parallel within {np.degrees(CROSSING):g} deg: they don't meet"
    cosine, way = float(u @ w), q - p
    sine2 = float(np.linalg.norm(np.cross(u, w))) ** 2
    s = ((way @ u) - cosine * (way @ w)) / sine2
    t = (cosine * (way @ u) - (way @ w)) / sine2
    return Point(vector(0.5 * (p + s * u + q + t * w)))


def _centre(shapes: tuple[Shape, ...], _: Direction) -> Shape | str:
    places = _centres(shapes)
    return places if isinstance(places, str) else Point(vector(places.mean(axis=0)))


def _projection(shapes: tuple[Shape, ...], direction: Direction) -> Shape | str:
    if len(shapes) != 2:
        return f"a projection takes two features (what, onto what), not {len(shapes)}"
    what, onto = shapes
    if isinstance(onto, Plane):
        if isinstance(what, Line | Cylinder | Cone):
            return _shadow(what, onto)
        at = _centre_of(what)
        if at is None:
            return f"a {_name(what)} can't be projected onto a plane"
        normal = unit(_array(onto.normal))
        return _pierced(onto, at, normal if direction is None else unit(_array(direction)))
    axis, at = _axis_of(onto), _centre_of(what)
    if axis is None:
        return f"nothing can be projected onto a {_name(onto)}: take a plane or an axis"
    if at is None or isinstance(what, Line | Cylinder):
        return f"a {_name(what)} can't be projected onto an axis"
    return Point(vector(axis[0] + ((at - axis[0]) @ axis[1]) * axis[1]))


def _shadow(what: Shape, onto: Plane) -> Line | str:
    axis = _axis_of(what)
    assert axis is not None
    normal = unit(_array(onto.normal))
    flat = axis[1] - (axis[1] @ normal) * normal
    if np.linalg.norm(flat) < np.sin(CROSSING):
        return "the axis stands square to the plane: its projection is a point"
    return Line(vector(axis[0] + ((_array(onto.point) - axis[0]) @ normal) * normal), vector(unit(flat)))


def _symmetry(shapes: tuple[Shape, ...], direction: Direction) -> Shape | str:
    if len(shapes) == 1 and isinstance(shapes[0], Slot):
        slot = shapes[0]
        axis, along = unit(_array(slot.axis)), _array(slot.along)
        along = unit(along - (along @ axis) * axis)
        across = np.cross(axis, along)
        if direction is None:
            return Plane(slot.centre, vector(across))
        wish = _array(direction)
        normal = max((across, along), key=lambda way: abs(float(way @ wish)))
        return Plane(slot.centre, vector(normal if normal @ wish >= 0 else -normal))
    if len(shapes) != 2 or not isinstance(shapes[0], Plane) or not isinstance(shapes[1], Plane):
        return "a symmetry plane takes two planes, or one slot or rectangle"
    return _halving(shapes[0], shapes[1])


def _halving(a: Plane, b: Plane) -> Plane | str:
    """The plane of the points that are equally far from both; its normal is that of ``a`` as nearly as may be."""
    first, second = unit(_array(a.normal)), unit(_array(b.normal))
    turn = _turn(first, second)
    if turn > WEDGE:
        return f"the planes stand at {np.degrees(turn):.1f} deg: which of the two planes that halve them is not clear"
    second = second if first @ second >= 0 else -second
    middle = 0.5 * (_array(a.point) + _array(b.point))
    total = first + second
    height = (_array(a.point) - middle) @ first + (_array(b.point) - middle) @ second
    return Plane(vector(middle + height * total / float(total @ total)), vector(unit(total)))


def _axis(shapes: tuple[Shape, ...], _: Direction) -> Shape | str:
    if len(shapes) == 1:
        axis = _axis_of(shapes[0]) if isinstance(shapes[0], Cylinder | Cone | Torus | Line) else None
        if axis is None:
            return f"a {_name(shapes[0])} alone has no axis to construct: take a cylinder, a cone, or two centres"
        return Line(vector(axis[0]), vector(axis[1]))
    places = _centres(shapes)
    if isinstance(places, str):
        return places
    middle = places.mean(axis=0)
    spread = places - middle
    along = np.linalg.svd(spread, full_matrices=False)[2][0] if len(places) > 2 else places[1] - places[0]
    if np.abs(spread @ along).max() <= APART * max(float(np.linalg.norm(along)), APART):
        return "the centres lie in one place: they give no direction"
    along = unit(along)
    return Line(vector(middle), vector(along if along @ (places[-1] - places[0]) >= 0 else -along))


def _centre_circle(shapes: tuple[Shape, ...], _: Direction) -> Shape | str:
    places = _centres(shapes)
    if isinstance(places, str):
        return places
    if len(places) < 3:
        return f"a circle through centres takes three or more, not {len(places)}"
    fit = fit_circle3d(places, definition="two-step")
    if isinstance(fit, FailedFit):
        return f"no circle through the centres: {fit.reason}"
    found = fit.shape
    axis = _array(found.axis)
    wish = next((a[1] for a in map(_axis_of, shapes) if a is not None and abs(a[1] @ axis) > 0.5), None)
    if wish is None:
        # right-handed in the order of the centres
        offset = places - _array(found.centre)
        wish = np.cross(offset, np.roll(offset, -1, axis=0)).sum(axis=0)
    return Circle(found.centre, vector(axis if axis @ wish >= 0 else -axis), found.radius)


KINDS: Mapping[str, Callable[[tuple[Shape, ...], Direction], Shape | str]] = MappingProxyType(
    {
        "midpoint": _midpoint,
        "intersection": _intersection,
        "centre": _centre,
        "projection": _projection,
        "symmetry plane": _symmetry,
        "axis": _axis,
        "centre circle": _centre_circle,
    }
)
"""Kinds of construction."""


def _array(values: Vector) -> Floats:
    return np.asarray(values, dtype=np.float64)


def _name(shape: Shape) -> str:
    return type(shape).__name__.lower()


def _centre_of(shape: Shape) -> Floats | None:
    if isinstance(shape, Point | Cylinder | Line):
        return _array(shape.point)
    if isinstance(shape, Circle | Sphere | Slot | Torus):
        return _array(shape.centre)
    return None


def _centres(shapes: tuple[Shape, ...]) -> Floats | str:
    """The centres (n, 3) of all parents, or which of them has none."""
    if not shapes:
        return "no features are named"
    places = []
    for shape in shapes:
        at = _centre_of(shape)
        if at is None:
            return f"a {_name(shape)} has no centre"
        places.append(at)
    return np.array(places)


def _axis_of(shape: Shape) -> tuple[Floats, Floats] | None:
    if isinstance(shape, Line):
        return _array(shape.point), unit(_array(shape.direction))
    if isinstance(shape, Cylinder):
        return _array(shape.point), unit(_array(shape.axis))
    if isinstance(shape, Cone):
        return _array(shape.apex), unit(_array(shape.axis))
    if isinstance(shape, Circle | Slot | Torus):
        return _array(shape.centre), unit(_array(shape.axis))
    return None


def _turn(a: Floats, b: Floats) -> float:
    """Angle between two undirected lines, rad."""
    return float(np.arctan2(np.linalg.norm(np.cross(a, b)), abs(float(a @ b))))
