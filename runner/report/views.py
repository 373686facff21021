"""From which sides a part is drawn, and how the views stand on the picture. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from runner.geometry.mesh import Floats, Nominal, TriangleMesh
from runner.report.render import View


@dataclass(frozen=True, eq=False)
class Side:
    """One viewing direction."""

    name: str
    view_from_model: Floats
    """(3, 3): rows are picture right, picture down, away from the eye."""


@dataclass(frozen=True, eq=False)
class Placed:
    """A side with its camera and its place on the sheet."""

    side: Side
    view: View
    corner: tuple[int, int]
    """Left, top on the sheet, pixels."""


def choose_sides(nominal: Nominal) -> tuple[Side, ...]:
    """Return three sides: the axis direction that shows most surface, its opposite, and an oblique one.

    The oblique side looks at those of the remaining directions that show more surface.
    """
    shown = facing_areas(nominal.mesh)
    size = np.ptp(nominal.mesh.vertices[np.unique(nominal.mesh.triangles)], axis=0)
    # both signs of an axis have the same projection; take the axis by area, then the richer sign
    axis = int(np.argmax([shown[k, 0] + shown[k, 1] for k in range(3)]))
    front = _towards(axis, 1 if shown[axis, 0] >= shown[axis, 1] else -1)
    others = [k for k in range(3) if k != axis]
    long_axis = others[0] if size[others[0]] >= size[others[1]] else others[1]
    short_axis = others[1] if long_axis == others[0] else others[0]
    sides = [_looking(front, long_axis), _looking(-front, long_axis)]
    tilt = (
        1.0 * front
        + 0.55 * _towards(short_axis, 1 if shown[short_axis, 0] >= shown[short_axis, 1] else -1)
        + 0.75 * _towards(long_axis, 1 if shown[long_axis, 0] >= shown[long_axis, 1] else -1)
    )
    sides.append(_oblique(tilt, front))
    return tuple(sides)


def facing_areas(mesh: TriangleMesh) -> Floats:
    """Return (3, 2): area projected along each axis, of triangles facing its positive and negative direction."""
    corners = mesh.vertices[mesh.triangles]
    doubled = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) * 0.5
    return np.column_stack([np.clip(doubled, 0, None).sum(axis=0), np.clip(-doubled, 0, None).sum(axis=0)])


def arrange(
    sides: Sequence[Side], mesh: TriangleMesh, area: tuple[int, int, int, int], gap: tuple[int, int, int]
) -> tuple[list[Placed], int]:
    """Place three sides in the rectangle, all with the largest common scale that any arrangement allows.

    Parameters
    ----------
    area
        Left, top, width, height, pixels.
    gap
        Free pixels between views side by side, above each, below each.

    Returns
    -------
    placed, height
        The views, and how much of the height they need.
    """
    used = mesh.vertices[np.unique(mesh.triangles)]
    extents = [np.ptp(used @ side.view_from_model.T, axis=0)[:2] for side in sides]
    left, top, width, height = area
    across, above, below = gap
    best = max(LAYOUTS, key=lambda layout: _scale_of(layout, extents, width, height, across, above + below))
    scale = _scale_of(best, extents, width, height, across, above + below)
    widths = [max(extents[i][0] for i in column) * scale for column in best]
    heights = [sum(extents[i][1] * scale + above + below for i in column) for column in best]
    needed = max(heights)
    spare = (width - sum(widths) - across * (len(best) - 1)) / (len(best) + 1)
    placed: list[Placed] = []
    x = left + spare
    for column, column_width, column_height in zip(best, widths, heights, strict=True):
        y = top + (needed - column_height) / 2
        for index in column:
            turned = used @ sides[index].view_from_model.T
            w, h = extents[index] * scale
            corner = (round(x + (column_width - w) / 2), round(y + above))
            offset = (_MARGIN - turned[:, 0].min() * scale, _MARGIN - turned[:, 1].min() * scale)
            size = (int(np.ceil(w)) + 2 * _MARGIN, int(np.ceil(h)) + 2 * _MARGIN)
            placed.append(Placed(sides[index], View(sides[index].view_from_model, scale, offset, size), corner))
            y += h + above + below
        x += column_width + across + spare
    return sorted(placed, key=lambda p: [id(s) for s in sides].index(id(p.side))), int(np.ceil(needed))


_MARGIN = 3
LAYOUTS = (((0,), (1,), (2,)), ((0, 1), (2,)), ((0,), (1, 2)), ((0, 1, 2),))
"""Columns of views, by number of the side."""


def _scale_of(
    layout: Sequence[Sequence[int]], extents: Sequence[Floats], width: float, height: float, across: int, room: int
) -> float:
    """Largest pixels per mm at which the layout fits."""
    wide = sum(max(extents[i][0] for i in column) for column in layout)
    by_width = (width - across * (len(layout) - 1)) / max(wide, 1e-9)
    by_height = min((height - room * len(column)) / max(sum(extents[i][1] for i in column), 1e-9) for column in layout)
    return float(min(by_width, by_height))


def _towards(axis: int, sign: int) -> Floats:
    direction = np.zeros(3)
    direction[axis] = sign
    return direction


def _looking(towards_eye: Floats, right_axis: int) -> Side:
    """A side seen from the direction ``towards_eye`` (an axis), the given axis running right."""
    away = -towards_eye
    right = _towards(right_axis, 1)
    down = np.cross(away, right)
    # keep the remaining axis pointing up where that costs nothing but a half turn
    if down.sum() > 0:
        right, down = -right, -down
    axis = int(np.argmax(np.abs(towards_eye)))
    sign = "+" if towards_eye[axis] > 0 else "-"
    return Side(f"seen from {sign}{'XYZ'[axis]}", np.array([right, down, away]))


def _oblique(towards_eye: Floats, upward_hint: Floats) -> Side:
    away = -towards_eye / np.linalg.norm(towards_eye)
    down = -(upward_hint - (upward_hint @ away) * away)
    down /= np.linalg.norm(down)
    right = np.cross(down, away)
    signs = "".join(f"{'+' if towards_eye[k] > 0 else '-'}{'XYZ'[k]}" for k in range(3))
    return Side(f"seen from {signs}", np.array([right, down, away]))
