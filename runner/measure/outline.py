"""Outlines in the sheet's plane: place along, depth into the material, and how each parameter moves the border.

All in the plane's own coordinates (x along, y across), mm. ``depth`` is positive inside the material. An area element
at depth d is ``(1 + curvature d) ds dd``. The border moves into the material by ``rows @ change of the parameters``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats


@dataclass(frozen=True, eq=False)
class Located:
    """Where points lie beside an outline."""

    along: Floats
    """(n,) mm from the outline's start; NaN where a point has no foot on it."""
    depth: Floats
    """(n,) mm."""


@dataclass(frozen=True, eq=False)
class Places:
    """Places of an outline, evenly spread."""

    points: Floats
    """(c, 2)."""
    into_material: Floats
    """(c, 2) unit."""
    curvature: Floats
    """(c,) 1/mm; negative where the border bends round the material."""
    rows: Floats
    """(c, p)."""


def even_place(along: Floats, length: float, count: int) -> NDArray[np.int64]:
    """Which of ``count`` even places of a border of some length, mm, each of ``along`` (n,) lies in.

    The nearest of them for what lies beyond an end: rounding, and a slot that came out shorter than wide.
    """
    found: NDArray[np.int64] = np.clip(along / length * count, 0, count - 1).astype(np.int64)
    return found


def even_middles(outline: Outline, count: int) -> Floats:
    """The middles (count,) of even places of a border, mm along."""
    return (np.arange(count, dtype=np.float64) + 0.5) * (outline.length / count)


class Outline(Protocol):
    """What counting needs to know of an outline."""

    @property
    def closed(self) -> bool:
        """Whether the border closes on itself."""

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters."""

    @property
    def length(self) -> float:
        """Length of the border, mm."""

    def locate(self, points: Floats) -> Located:
        """Return where points (n, 2) lie."""

    def at(self, along: Floats) -> Places:
        """Return the places (c,) mm along the border."""

    def changed(self, step: Floats) -> Outline:
        """Return the outline with its parameters changed by ``step`` (p,)."""


@dataclass(frozen=True)
class CircleOutline:
    """A hole (material outside) or a disc (material inside), or an arc of one."""

    x: float
    y: float
    radius: float
    hole: bool = True
    start: float = 0.0
    """rad from x where an arc begins."""
    sweep: float = 2.0 * np.pi
    """rad anticlockwise."""
    names: tuple[str, ...] = ("x", "y", "radius")

    @property
    def closed(self) -> bool:
        """Whether it is a full circle."""
        return self.sweep >= 2.0 * np.pi

    @property
    def length(self) -> float:
        """Circumference or length of the arc, mm."""
        return float(self.sweep * self.radius)

    def locate(self, points: Floats) -> Located:
        """Return where points (n, 2) lie."""
        dx, dy = points[:, 0] - self.x, points[:, 1] - self.y
        depth = np.hypot(dx, dy) - self.radius
        angle = (np.arctan2(dy, dx) - self.start) % (2 * np.pi)
        along = np.where(angle < self.sweep, angle * self.radius, np.nan)
        return Located(along, depth if self.hole else -depth)

    def at(self, along: Floats) -> Places:
        """Return the places (c,) mm along the border."""
        angle = along / self.radius + self.start
        away = np.column_stack([np.cos(angle), np.sin(angle)])
        sign = 1.0 if self.hole else -1.0
        rows = sign * np.column_stack([away, np.ones(len(along))])
        centre = np.array([self.x, self.y])
        return Places(centre + self.radius * away, sign * away, np.full(len(along), sign / self.radius), rows)

    def changed(self, step: Floats) -> CircleOutline:
        """Return the circle with centre and radius changed."""
        return CircleOutline(
            self.x + step[0], self.y + step[1], self.radius + step[2], self.hole, self.start, self.sweep
        )


@dataclass(frozen=True)
class LineOutline:
    """A straight border along x, of given extent; the material lies at +y of it."""

    offset: float
    """y at x = 0."""
    slope: float
    start: float
    end: float
    closed: bool = False
    names: tuple[str, ...] = ("offset", "slope")

    @property
    def length(self) -> float:
        """Extent, mm."""
        return self.end - self.start

    def locate(self, points: Floats) -> Located:
        """Return where points (n, 2) lie."""
        along = points[:, 0] - self.start
        depth = (points[:, 1] - self.offset - self.slope * points[:, 0]) / np.hypot(1.0, self.slope)
        return Located(np.where((along >= 0) & (along < self.length), along, np.nan), depth)

    def at(self, along: Floats) -> Places:
        """Return the places (c,) mm along the border."""
        x = along + self.start
        points = np.column_stack([x, self.offset + self.slope * x])
        normal = np.array([-self.slope, 1.0]) / np.hypot(1.0, self.slope)
        rows = np.column_stack([np.ones(len(x)), x]) / np.hypot(1.0, self.slope)
        return Places(points, np.broadcast_to(normal, points.shape), np.zeros(len(x)), rows)

    def changed(self, step: Floats) -> LineOutline:
        """Return the line with offset and slope changed."""
        return LineOutline(self.offset + step[0], self.slope + step[1], self.start, self.end)


@dataclass(frozen=True)
class SlotOutline:
    """An elongated hole along x (turned by ``turn``), with round or square ends; material outside."""

    x: float
    y: float
    turn: float
    overall: float
    """Length over all, mm."""
    width: float
    round_ends: bool = True
    corner: float = 0.0
    """Square ends: this much beside each corner is left out, mm, since a corner is never sharp."""
    closed: bool = True
    names: tuple[str, ...] = ("x", "y", "turn", "length", "width")

    @property
    def _half(self) -> float:
        """Half length of the straight sides, mm."""
        return (self.overall - (self.width if self.round_ends else 0.0)) / 2

    @property
    def _end(self) -> float:
        """Length of one end's border, mm."""
        return np.pi * self.width / 2 if self.round_ends else self.width

    @property
    def length(self) -> float:
        """Length of the border, mm."""
        return float(4 * self._half + 2 * self._end)

    @property
    def ends(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """From where to where along the border its two ends reach, mm."""
        side, end = 2 * self._half, self._end
        return (side, side + end), (2 * side + end, 2 * side + 2 * end)

    def _own(self, points: Floats) -> Floats:
        c, s = np.cos(self.turn), np.sin(self.turn)
        offset = points - np.array([self.x, self.y])
        return np.column_stack([c * offset[:, 0] + s * offset[:, 1], -s * offset[:, 0] + c * offset[:, 1]])

    def locate(self, points: Floats) -> Located:
        """Return where points (n, 2) lie: upper side, left end, lower side, right end in turn (anticlockwise)."""
        p, q = self._own(points).T
        half, r = self._half, self.width / 2
        along, depth = np.full(len(p), np.nan), np.full(len(p), np.nan)
        upper, lower = (np.abs(p) <= half) & (q >= 0), (np.abs(p) <= half) & (q < 0)
        if not self.round_ends:
            # the four sides: which one a point belongs to is the one it sticks out of most
            sideways, endways = np.abs(q) - r, np.abs(p) - half
            upper, lower = (sideways >= endways) & (q >= 0), (sideways >= endways) & (q < 0)
            inside_side, inside_end = np.abs(p) <= half - self.corner, np.abs(q) <= r - self.corner
            upper, lower = upper & inside_side, lower & inside_side
            left, right = (sideways < endways) & (p < 0) & inside_end, (sideways < endways) & (p >= 0) & inside_end
        else:
            left, right = p < -half, p > half
        along[upper], depth[upper] = half - p[upper], q[upper] - r
        along[lower], depth[lower] = 2 * half + self._end + (p[lower] + half), -q[lower] - r
        for side, mask, start in ((-1.0, left, 2 * half), (1.0, right, 4 * half + self._end)):
            if self.round_ends:
                dx, dy = side * p[mask] - half, side * q[mask]
                along[mask] = start + (np.arctan2(dy, dx) + np.pi / 2) * r
                depth[mask] = np.hypot(dx, dy) - r
            else:
                along[mask] = start + side * q[mask] + r
                depth[mask] = side * p[mask] - half
        return Located(along, depth)

    def at(self, along: Floats) -> Places:
        """Return the places (c,) mm along the border."""
        half, r, end = self._half, self.width / 2, self._end
        n = len(along)
        spot, normal = np.zeros((n, 2)), np.zeros((n, 2))
        bend = np.zeros(n)
        upper = along < 2 * half
        lower = (along >= 2 * half + end) & (along < 4 * half + end)
        left = (along >= 2 * half) & (along < 2 * half + end)
        right = along >= 4 * half + end
        spot[upper] = np.column_stack([half - along[upper], np.full(upper.sum(), r)])
        normal[upper] = [0.0, 1.0]
        spot[lower] = np.column_stack([along[lower] - 3 * half - end, np.full(lower.sum(), -r)])
        normal[lower] = [0.0, -1.0]
        for side, mask, start in ((-1.0, left, 2 * half), (1.0, right, 4 * half + end)):
            if self.round_ends:
                angle = (along[mask] - start) / r - np.pi / 2
                away = side * np.column_stack([np.cos(angle), np.sin(angle)])
                spot[mask], normal[mask], bend[mask] = np.array([side * half, 0.0]) + r * away, away, 1.0 / r
            else:
                spot[mask] = np.column_stack([np.full(mask.sum(), side * half), side * (along[mask] - start - r)])
                normal[mask] = [side, 0.0]
        # changes: the width moves the sides by half of itself, the length the ends by half of itself
        turning = -spot[:, 1] * normal[:, 0] + spot[:, 0] * normal[:, 1]
        lengthen = 0.5 * np.abs(normal[:, 0]) * (left | right)
        widen = np.where(upper | lower, 0.5, 0.0)
        if self.round_ends:
            widen = np.where(left | right, 0.5 - lengthen, widen)
        c, s = np.cos(self.turn), np.sin(self.turn)
        turn = np.array([[c, -s], [s, c]])
        world, centre = normal @ turn.T, np.array([self.x, self.y])
        rows = np.column_stack([world, turning, lengthen, widen])
        return Places(centre + spot @ turn.T, world, bend, rows)

    def usable(self, along: Floats) -> NDArray[np.bool_]:
        """Return which places (c,) are not too near a corner."""
        if self.round_ends or self.corner <= 0:
            return np.ones(len(along), dtype=bool)
        half, end = self._half, self._end
        starts = np.array([0.0, 2 * half, 2 * half + end, 4 * half + end, 4 * half + 2 * end])
        gap = np.abs(along[:, None] - starts[None]).min(axis=1)
        near: NDArray[np.bool_] = gap >= self.corner
        return near

    def changed(self, step: Floats) -> SlotOutline:
        """Return the slot with its parameters changed."""
        return SlotOutline(
            self.x + step[0],
            self.y + step[1],
            self.turn + step[2],
            self.overall + step[3],
            self.width + step[4],
            self.round_ends,
            self.corner,
        )


def all_round(outline: Outline) -> Floats:
    """How the parameters (p,) of an outline change where it moves into the material by one millimetre all round."""
    change = {"radius": 1.0, "width": 2.0, "length": 2.0}
    if isinstance(outline, CircleOutline) and not outline.hole:
        change["radius"] = -1.0
    if isinstance(outline, LineOutline):
        change["offset"] = float(np.hypot(1.0, outline.slope))
    return np.array([change.get(name, 0.0) for name in outline.names])
