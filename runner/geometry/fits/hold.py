"""Held parameters: which increments stay free, and how a start is brought to obey."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits.result import Fixed
from runner.geometry.fits.solve import SIZE_NAMES, Cloud, State, orthonormal
from runner.geometry.frames import perpendicular, unit
from runner.geometry.mesh import Floats
from runner.records import Vector

NOTHING = Fixed()
_SIZE_FIELDS = {"half angle": "half_angle"}


def frame(w: Floats, u: Floats | None = None) -> Floats:
    """Return rows u, v, w of a right-handed frame about the unit direction w, u near the given one."""
    if u is None:
        first, second = perpendicular(w)
        return np.array([first, second, unit(w)])
    w = unit(w)
    u = unit(u - (u @ w) * w)
    return np.array([u, np.cross(w, u), w])


def free_columns(kind: int, columns: tuple[int, ...], fixed: Fixed) -> NDArray[np.int64]:
    """Return the increments of an element that ``fixed`` leaves free."""
    free = list(columns)
    if fixed.axis is not None:
        free = [c for c in free if c not in (3, 4)]
    elif fixed.perpendicular_to is not None:
        free = [c for c in free if c != 4]
    if fixed.point is not None:
        free = [c for c in free if c > 2]
    for k, name in enumerate(SIZE_NAMES[kind]):
        if getattr(fixed, _SIZE_FIELDS.get(name, name), None) is not None:
            free = [c for c in free if c != 6 + k]
    return np.array(free, dtype=np.int64)


def obey(state: State, kind: int, fixed: Fixed, cloud: Cloud) -> State:
    """Return the state with held values put in and its frame turned so that dropping columns keeps them."""
    turn, origin, sizes = state.turn, state.origin, state.sizes.copy()
    if fixed.axis is not None:
        turn = frame(unit(np.array(fixed.axis)))
    elif fixed.perpendicular_to is not None:
        v = unit(np.array(fixed.perpendicular_to))
        w = turn[2] - (turn[2] @ v) * v
        if np.linalg.norm(w) < 1e-6:
            w = turn[0] - (turn[0] @ v) * v
        turn = orthonormal(np.array([np.cross(v, unit(w)), v, unit(w)]))
    if fixed.point is not None:
        origin = (np.array(fixed.point, dtype=np.float64) - cloud.centre) / cloud.scale
    for k, name in enumerate(SIZE_NAMES[kind]):
        value = getattr(fixed, _SIZE_FIELDS.get(name, name), None)
        if value is not None:
            sizes[k] = value if name == "half angle" else value / cloud.scale
    return State(origin, turn, sizes)


def local(point: Vector | Floats, cloud: Cloud) -> Floats:
    """Return a point, mm, in the cloud's centred and scaled coordinates."""
    result: Floats = (np.asarray(point, dtype=np.float64) - cloud.centre) / cloud.scale
    return result


def towards(direction: Floats, like: Floats | None) -> Floats:
    """Return ``direction`` or its opposite: along ``like``, or with its largest component positive."""
    if like is not None:
        return direction if direction @ like >= 0 else -direction
    return (
        direction if direction[int(np.argmax(np.abs(direction) > np.abs(direction).max() - 1e-9))] > 0 else -direction
    )


def foot(origin: Floats, axis: Floats) -> Floats:
    """Return the point of an axis, through ``origin`` in centred coordinates, that is nearest to the centroid."""
    result: Floats = origin - (origin @ axis) * axis
    return result
