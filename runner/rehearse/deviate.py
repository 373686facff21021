"""Known deviations of a part from its nominal, as displacements of exact surface points."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from runner.geometry.frames import unit
from runner.geometry.mesh import Floats, Ints
from runner.records import Vector


@dataclass(frozen=True)
class Bend:
    """Smooth bend of the whole part: displacement ``maximum * s**2`` along ``direction``.

    ``s`` runs from -1 to +1 over the part's length along ``along``: both ends move by ``maximum``, the middle stays.
    """

    along: Vector
    direction: Vector
    maximum: float


@dataclass(frozen=True)
class Lobes:
    """Regular lobes of a round face: radial displacement ``amplitude * cos(count * angle)``.

    The angle is measured about ``axis`` through ``point``, from ``start``. Peak to valley is twice the amplitude.
    """

    point: Vector
    axis: Vector
    start: Vector
    count: int
    amplitude: float


@dataclass(frozen=True)
class Deviation:
    """What is wrong with the part. Displacements add up.

    Faces move along their outward normal, so a bore's radius shrinks by its offset and a shaft's grows. Neighbouring
    faces do not follow: at a sharp edge a gap or overlap of the size of the offset remains, which is right for surface
    features and wrong for edges. For edges, build the piece with other parameters instead.
    """

    face_offset: Mapping[int, float] = field(default_factory=dict)
    """mm along the outward normal, by face."""
    lobes: Mapping[int, Lobes] = field(default_factory=dict)
    """By face; positive is out of the material."""
    bend: Bend | None = None

    @property
    def nothing(self) -> bool:
        """Whether the part is as its nominal."""
        return not self.face_offset and not self.lobes and self.bend is None

    def displacement(self, points: Floats, normals: Floats, face: Ints, bounds: tuple[Floats, Floats]) -> Floats:
        """Return displacements (n, 3), mm, of exact points (n, 3) with outward ``normals`` (n, 3) on ``face`` (n,)."""
        moved = np.zeros_like(points)
        for index, offset in self.face_offset.items():
            rows = face == index
            moved[rows] += offset * normals[rows]
        for index, lobes in self.lobes.items():
            rows = np.flatnonzero(face == index)
            axis = unit(np.array(lobes.axis))
            arm = points[rows] - np.array(lobes.point)
            start = unit(np.array(lobes.start) - np.dot(lobes.start, axis) * axis)
            angle = np.arctan2(arm @ np.cross(axis, start), arm @ start)
            moved[rows] += (lobes.amplitude * np.cos(lobes.count * angle))[:, None] * normals[rows]
        if self.bend is not None:
            amount = self.bend.maximum * _bend_shape(self.bend, points, bounds)
            moved += amount[:, None] * unit(np.array(self.bend.direction))
        return moved


def _bend_shape(bend: Bend, points: Floats, bounds: tuple[Floats, Floats]) -> Floats:
    """Return s**2 (n,), s from -1 to 1 over the bounding box along the bend's direction."""
    along = unit(np.array(bend.along))
    low, high = bounds
    corners = np.array([[(low, high)[k >> a & 1][a] for a in range(3)] for k in range(8)]) @ along
    middle, half = (corners.min() + corners.max()) / 2, (corners.max() - corners.min()) / 2
    return np.asarray(((points @ along - middle) / half) ** 2)
