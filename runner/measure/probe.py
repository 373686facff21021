"""The height of a scanned surface at one place, from the points around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.frames import invert, move_points, perpendicular, turn_vectors
from runner.geometry.mesh import KEPT, Floats
from runner.measure.scene import Scene

SPACINGS = 3.0
"""Radius of the place in point spacings: some 28 points."""
LEAST_POINTS = 8
FACES = 0.5
"""Cosine of 60 degrees: points that face another way belong to another surface."""
MARGIN = 1.5
"""Points are gathered this many times the radius around, so that their weights can fade smoothly."""


@dataclass(frozen=True, eq=False)
class Place:
    """Where the surface is met along a direction."""

    point: Floats
    """(3,) mm, in the frame of the scene."""
    height: float
    """mm along the direction from where it was looked for."""
    normal: Floats
    """(3,) unit, of the surface there, in the frame of the drawing."""
    points: int


def probe(
    scene: Scene, frame: Floats, at: Floats, normal: Floats, search: float, *, radius: float | None = None
) -> Place | str:
    """Return where the scan meets the line through ``at`` along ``normal``, or why it doesn't.

    A plane is fitted to the points around the line with weights that fade to nothing at the radius, so that the answer
    changes smoothly with the place and repeated looking comes to rest.

    Parameters
    ----------
    scene : the scan.
    frame : (4, 4) drawing_from_scene.
    at, normal : (3,) the place and the direction out of the material, drawing frame, mm.
    search : mm along the normal within which the surface is looked for.
    radius : mm; None: three point spacings.
    """
    reach = SPACINGS * max(scene.spacing, 1e-6) if radius is None else radius
    back = invert(frame)
    middle = move_points(back, at[None])[0]
    way = turn_vectors(back, normal[None])[0]
    ends = np.array([middle - search * way, middle + search * way])
    rows = scene.cells.in_box(scene.points, ends.min(axis=0) - reach, ends.max(axis=0) + reach)
    rows = rows[(scene.removed[rows] == KEPT) & ~scene.specks[rows]]
    if scene.normals is not None:
        cosine = scene.normals[rows] @ way
        rows = rows[(cosine if scene.normals_signed else np.abs(cosine)) >= FACES]
    offset = scene.points[rows] - middle
    height = offset @ way
    u, v = perpendicular(way)
    flat = np.column_stack([offset @ u, offset @ v])
    square = np.einsum("ij,ij->i", flat, flat) / reach**2
    near = (square < 1.0) & (np.abs(height) <= search)
    if int(near.sum()) < LEAST_POINTS:
        return f"only {int(near.sum())} points within {reach:.2g} mm of it; {LEAST_POINTS} are needed"
    flat, height, weight = flat[near], height[near], (1.0 - square[near]) ** 2
    table = np.column_stack([np.ones(len(flat)), flat / reach])
    root = np.sqrt(weight)[:, None]
    values = np.linalg.svd(root * table, compute_uv=False)
    if values[-1] < 0.05 * values[0]:
        return "its points lie on a line"
    level, slope_u, slope_v = np.linalg.lstsq(root * table, root[:, 0] * height, rcond=None)[0]
    leaning = way - (slope_u * u + slope_v * v) / reach
    facing = turn_vectors(frame, (leaning / np.linalg.norm(leaning))[None])[0]
    return Place(middle + level * way, float(level), facing, int(near.sum()))
