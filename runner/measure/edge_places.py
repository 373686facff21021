"""The border of a sheet place by place, in strips of the local tangent plane: for free edges, also on curved sheet.

At each place of the nominal edge stands a frame: along the edge, into the material, out of the sheet. A scan point has
a place along, a depth and a height above the nominal sheet there. In strips across the edge the first point is judged
by the gaps further in (``measure.fringe``), or the wall tells, where it was seen. A place is the mean of its strips.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from runner.geometry.frames import unit
from runner.geometry.mesh import KEPT, Floats, Nominal
from runner.measure.scene import Scene
from runner.measure.sheet import whole_mesh

PROFILE = 33
DEEP = 8.0
"""Spacings of sheet that are looked at beside the edge."""
STRIP = 2.5
"""Spacings: width of a strip; they stand half as far apart."""
CELL = 8.0
"""Spacings: width of a place when the recipe states no step."""
LEAST_ROOM = 3.5
"""Spacings of sheet needed beside the edge."""
STEEPEST = 0.6
"""The sheet may rise or fall by this much per mm beside the edge, and is used as far as it does not exceed it."""
BREAK_DEPTH = 0.3
"""mm: the edge is the outermost of the material down to this depth below the sheet's surface."""
WALL_DEPTH = 1.2
"""mm: the wall is looked for down to here."""
LEAST_GAPS = 4
BARE = 5.0
STEEP = 0.5
WALL_SCATTER = 0.06
"""mm: points below the edge that scatter across it more than this, and more than three times the noise, are no wall."""
POOLED = 2
FACING = 0.5


@dataclass(frozen=True, eq=False)
class EdgeFrames:
    """Places of a nominal edge."""

    points: Floats
    """(k, 3) on the edge, evenly spaced along it."""
    tangent: Floats
    inward: Floats
    """(k, 3) unit, into the material, in the sheet."""
    normal: Floats
    """(k, 3) unit, out of the sheet."""
    along: Floats
    """(k,) mm from the start."""
    closed: bool
    length: float
    depths: Floats
    """(d,) mm where the sheet's height is known."""
    heights: Floats
    """(k, d) height of the nominal sheet over the tangent plane."""
    room: Floats
    """(k,) mm of sheet beside the edge; 0 at corners."""
    thickness: float
    break_depth: float = BREAK_DEPTH
    """mm: the edge is the outermost of the material down to this depth below the sheet's surface."""


@dataclass(frozen=True, eq=False)
class EdgePlaces:
    """The edge of a part at its places; only the places that were measured count (``seen``)."""

    frames: EdgeFrames
    at: NDArray[np.int64]
    """(c,) rows of the frames at the middle of the places."""
    seen: NDArray[np.bool_]
    """(c,)."""
    wanted: NDArray[np.bool_]
    """(c,) places at which the nominal has sheet enough to measure."""
    deviation: Floats
    """(c,) mm, + = too much material; 0 where not seen."""
    raw: Floats
    """(c,) the same from the outermost points alone."""
    standard: Floats
    """(c,) standard uncertainty of the deviation, mm."""
    level: Floats
    """(c,) height of the sheet beside the edge over nominal, mm."""
    rows: NDArray[np.int64]
    """Rows of the scene's points at the edge."""
    by_wall: float
    """Share of the strips that the wall told."""

    @property
    def points(self) -> Floats:
        """(c, 3) measured points of the edge."""
        f, at = self.frames, self.at
        return f.points[at] - self.deviation[:, None] * f.inward[at] + self.level[:, None] * f.normal[at]

    @property
    def coverage(self) -> float:
        """Share of the places that were measured."""
        return float(self.seen.sum() / max(self.wanted.sum(), 1))


def make_frames(
    points: Floats, normal: Floats, closed: bool, nominal: Nominal, spacing: float, inward: Floats | None = None
) -> EdgeFrames:
    """Return the frames of places (k, 3), evenly spaced, with sheet normals (k, 3) there."""
    if inward is None:
        ahead = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
        if not closed:
            ahead[0], ahead[-1] = points[1] - points[0], points[-1] - points[-2]
        tangent = ahead / np.linalg.norm(ahead, axis=1)[:, None]
        inward = np.cross(normal, tangent)
    else:
        tangent = np.cross(inward, normal)
    inward = inward / np.linalg.norm(inward, axis=1)[:, None]
    normal = np.cross(tangent, inward)
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(step)])
    length = float(along[-1] + (np.linalg.norm(points[0] - points[-1]) if closed else 0.0))
    depths = np.linspace(0.0, DEEP * spacing, PROFILE)
    heights, room = _profile(points, inward, normal, depths, nominal)
    corner = _corners(tangent, along, length, closed, spacing)
    start = points + min(2.0 * spacing, 1.0) * inward - 0.02 * normal
    through = whole_mesh(nominal).first_hit(start, -normal)[0]
    through = through[np.isfinite(through)]
    thickness = float(np.median(through)) + 0.02 if len(through) else float("inf")
    return EdgeFrames(
        points, tangent, inward, normal, along, closed, length, depths, heights, np.where(corner, 0.0, room), thickness
    )


def _profile(points: Floats, inward: Floats, normal: Floats, depths: Floats, nominal: Nominal) -> tuple[Floats, Floats]:
    """Height of the sheet beside each place (k, d), and to which depth it runs on smoothly (k,)."""
    above = float(depths[-1]) + 0.5
    shifted = np.maximum(depths, 0.02)
    start = points[:, None] + shifted[None, :, None] * inward[:, None] + above * normal[:, None]
    rays = np.broadcast_to(-normal[:, None], start.shape)
    hit = whole_mesh(nominal).first_hit(start.reshape(-1, 3), np.ascontiguousarray(rays).reshape(-1, 3))[0]
    heights = above - hit.reshape(len(points), len(depths))
    step = np.diff(np.column_stack([np.zeros(len(points)), np.where(np.isfinite(heights), heights, 1e9)]), axis=1)
    wide = np.diff(np.concatenate([[0.0], depths]))
    wide[0] = depths[1]
    good = np.logical_and.accumulate(np.abs(step) <= STEEPEST * wide + 0.02, axis=1)
    room = np.where(good[:, 0], depths[np.maximum(good.sum(axis=1) - 1, 0)], 0.0)
    return np.where(good, heights, 0.0), room


def _corners(tangent: Floats, along: Floats, length: float, closed: bool, spacing: float) -> NDArray[np.bool_]:
    """Places (k,) nearer than two spacings to a corner of the edge, or to its ends."""
    near = np.zeros(len(along), dtype=bool)
    turn = np.einsum("ij,ij->i", tangent, np.roll(tangent, -2, axis=0)) < np.cos(np.radians(25.0))
    if not closed:
        turn[-2:] = False
        near |= (along < 2.0 * spacing) | (along > length - 2.0 * spacing)
    for at in along[np.flatnonzero(turn)] + 0.5 * (along[1] if len(along) > 1 else 0.0):
        away = np.abs(along - at)
        away = np.minimum(away, length - away) if closed else away
        near |= away < 2.0 * spacing
    return near


def measure_places(
    frames: EdgeFrames, scene: Scene, spacing: float, search: float, width: float | None = None
) -> EdgePlaces:
    """Return the edge place by place; ``width`` mm of the places, None: from the spacing."""
    width = max(width or 0.0, CELL * spacing)
    count = max(round(frames.length / width), 1)
    middle = (np.arange(count) + 0.5) * frames.length / count
    at = np.asarray(np.abs(frames.along[None] - middle[:, None]).argmin(axis=1), dtype=np.int64)
    rows, s, depth, height = _local(frames, scene, spacing, search)
    strips = max(round(2.0 * frames.length / (STRIP * spacing)), 1)
    where = (np.arange(strips) + 0.5) * frames.length / strips
    told = _strips(frames, scene, rows, s, depth, height, where, spacing, search)
    offset, first, level, good, by_wall, chance = told
    cell = np.minimum((where / frames.length * count).astype(np.int64), count - 1)
    usable = np.interp(where, frames.along, frames.room) >= LEAST_ROOM * spacing
    wanted = np.bincount(cell, weights=usable, minlength=count) >= 1
    value, raw, lift, standard = (np.zeros(count) for _ in range(4))
    seen = np.zeros(count, dtype=bool)
    scatter = _scatter(offset[good], cell[good])
    for c in range(count):
        mine = good & (cell == c)
        if mine.sum() < max(1.0, 0.4 * (usable & (cell == c)).sum()):
            continue
        mid = float(np.median(offset[mine]))
        kept = mine & (np.abs(offset - mid) <= max(6.0 * scatter, 0.3 * spacing))
        if abs(float(offset[kept].mean())) > search:
            continue
        seen[c] = True
        value[c], raw[c] = -float(offset[kept].mean()), -float(first[kept].mean())
        lift[c] = float(level[kept].mean())
        # stripes along the edge give all strips of a place the same first gap: what they scatter less among themselves
        # than first gaps do, they share
        shared = max(float(np.mean(chance[kept] ** 2 * ~by_wall[kept])) - scatter**2, 0.0)
        standard[c] = np.sqrt(scatter**2 / max(kept.sum() / 2.0, 1.0) + shared)
    near = np.abs(depth) <= 3.0 * spacing
    share = float(by_wall[good].mean()) if good.any() else 0.0
    return EdgePlaces(frames, at, seen & wanted, wanted, value, raw, standard, lift, rows[near], share)


def _scatter(offset: Floats, cell: NDArray[np.int64]) -> float:
    """Robust scatter of strips about the mean of their place, mm."""
    if not len(offset):
        return 0.0
    count = np.bincount(cell)
    mean = np.bincount(cell, weights=offset) / np.maximum(count, 1)
    rest = (offset - mean[cell])[count[cell] > 1]
    shrink = float(np.sqrt(np.mean(1.0 - 1.0 / count[cell[count[cell] > 1]]))) if len(rest) else 1.0
    return float(1.4826 * np.median(np.abs(rest)) / max(shrink, 0.3)) if len(rest) else float(np.std(offset))


def _local(
    frames: EdgeFrames, scene: Scene, spacing: float, search: float
) -> tuple[NDArray[np.int64], Floats, Floats, Floats]:
    """Rows of the points beside the edge, with place along, depth and height over the nominal sheet (n,)."""
    reach = DEEP * spacing + search + 1.0
    low, high = frames.points.min(axis=0) - reach, frames.points.max(axis=0) + reach
    rows = scene.cells.in_box(scene.points, low, high)
    rows = rows[scene.removed[rows] == KEPT]
    points = scene.points[rows]
    distance, nearest = cKDTree(frames.points).query(points, distance_upper_bound=reach) if len(rows) else ([], [])
    close = np.isfinite(np.asarray(distance))
    rows, points = rows[close], points[close]
    k = np.asarray(nearest, dtype=np.int64)[close]
    offset = points - frames.points[k]
    s = frames.along[k] + np.einsum("ij,ij->i", offset, frames.tangent[k])
    s = s % frames.length if frames.closed else s
    depth = np.einsum("ij,ij->i", offset, frames.inward[k])
    step = frames.depths[1]
    x = np.clip(depth / step, 0.0, len(frames.depths) - 1.001)
    i = x.astype(np.int64)
    base = (1.0 - (x - i)) * frames.heights[k, i] + (x - i) * frames.heights[k, i + 1]
    height = np.einsum("ij,ij->i", offset, frames.normal[k]) - base
    good = (depth <= np.minimum(frames.room[k], DEEP * spacing)) & (depth >= -search - 1.5 * spacing)
    good &= (np.abs(height) <= max(search, WALL_DEPTH)) & (s >= 0.0) & (s <= frames.length) & (frames.room[k] > 0)
    if scene.normals is not None and len(rows):
        toward = np.einsum("ij,ij->i", scene.normals[rows], frames.normal[k])
        if scene.normals_signed:
            good &= toward > -FACING
    return rows[good], s[good], depth[good], height[good]


def _strips(
    frames: EdgeFrames,
    scene: Scene,
    rows: NDArray[np.int64],
    s: Floats,
    depth: Floats,
    height: Floats,
    where: Floats,
    spacing: float,
    search: float,
) -> tuple[Floats, Floats, Floats, NDArray[np.bool_], NDArray[np.bool_], Floats]:
    """Per strip (k,): the border's offset into the material, first point's depth, sheet level, told, by the wall.

    Last, the standard deviation of a first gap by chance, from the gaps further in.
    """
    count, half = len(where), 0.5 * STRIP * spacing
    order = np.argsort(s)
    s, depth, height = s[order], depth[order], height[order]
    steep = np.ones(len(s), dtype=bool)
    if scene.normals is not None and len(s):
        beside = np.clip(np.searchsorted(frames.along, s), 0, len(frames.along) - 1)
        steep = np.abs(np.einsum("ij,ij->i", scene.normals[rows[order]], frames.normal[beside])) < STEEP
    limit = np.minimum(np.interp(where, frames.along, frames.room), 7.0 * spacing)
    usable = limit >= LEAST_ROOM * spacing
    if not frames.closed:
        usable &= (where >= half) & (where <= frames.length - half)
    first, offset, level = np.full(count, np.nan), np.full(count, np.nan), np.full(count, np.nan)
    sums = np.zeros((count, 3))
    below = min(frames.break_depth, 0.5 * frames.thickness)
    strips: list[tuple[Floats, Floats]] = []
    for k in range(count):
        a, b = np.searchsorted(s, where[k] - half), np.searchsorted(s, where[k] + half)
        strips.append((np.zeros(0), np.zeros(0)))
        if not usable[k] or b - a <= LEAST_GAPS:
            continue
        d, h = depth[a:b], height[a:b]
        inner = (d > min(1.5 * spacing + 0.5 * search, 0.5 * float(limit[k]))) & (d < limit[k])
        if inner.sum() < LEAST_GAPS:
            continue
        level[k] = np.median(h[inner])
        noise = 1.4826 * float(np.median(np.abs(h[inner] - level[k])))
        h = h - level[k]
        if abs(level[k]) > search:
            continue
        lowest = min(WALL_DEPTH, frames.thickness - max(4.0 * noise, 0.05))
        wall = d[steep[a:b] & (h < -max(below, 8.0 * noise)) & (h > -lowest)]
        seat = np.sort(d[(h >= -below) & (h <= max(search, 0.3)) & (d <= limit[k])])
        if len(seat) <= LEAST_GAPS:
            continue
        gaps = np.diff(seat)
        typical = float(gaps[len(gaps) // 3 :].mean())
        # a single point far out is no border: behind it must follow others
        start = 0
        while start < min(2, len(gaps)) and gaps[start] > max(BARE * typical, spacing):
            start += 1
        seat, gaps = seat[start:], gaps[start:]
        first[k] = seat[0]
        sums[k] = gaps.sum(), (gaps**2).sum(), (gaps**3).sum()
        strips[k] = (wall, np.array([noise]))
    pooled = sums.copy()
    for shift in range(1, POOLED + 1):
        for way in (shift, -shift):
            moved = np.roll(sums, way, axis=0)
            if not frames.closed:
                moved[slice(0, way) if way > 0 else slice(way, None)] = 0.0
            pooled += moved
    expected = pooled[:, 1] / np.maximum(2.0 * pooled[:, 0], 1e-12)
    chance = np.sqrt(np.maximum(pooled[:, 2] / np.maximum(3.0 * pooled[:, 0], 1e-12) - expected**2, 0.0))
    offset = first - expected
    good = np.isfinite(offset) & usable
    by_wall = np.zeros(count, dtype=bool)
    told = _walls(strips, first, spacing)
    if told is not None:
        by_wall = np.isfinite(told) & good
        between = np.roll(by_wall, 1) & np.roll(by_wall, -1) & ~by_wall
        offset, good = np.where(by_wall, told, offset), (good & ~between) | by_wall
    good &= np.abs(offset) <= search + 0.5 * spacing
    zero = np.where(good, 0.0, np.nan)
    return np.nan_to_num(offset + zero), np.nan_to_num(first + zero), np.nan_to_num(level + zero), good, by_wall, chance


def _walls(strips: list[tuple[Floats, Floats]], first: Floats, spacing: float) -> Floats | None:
    """Mean depth of each strip's wall points (k,), NaN where none; None where the points below the edge are no wall."""
    told = np.full(len(strips), np.nan)
    rest, noise = [], []
    for k, (wall, own) in enumerate(strips):
        near = wall[np.abs(wall - first[k]) <= max(spacing, 0.3)] if len(wall) else wall
        if not len(near):
            continue
        mid = np.median(near)
        noise.append(float(own[0]))
        if len(near) > 1:
            rest.append(np.abs(near - mid))
        kept = near[np.abs(near - mid) <= max(3.0 * float(own[0]), WALL_SCATTER)]
        told[k] = kept.mean() if len(kept) else mid
    if not rest:
        return None
    scatter = 1.5 * 1.4826 * float(np.median(np.concatenate(rest)))
    return told if scatter <= max(3.0 * float(np.median(noise)), WALL_SCATTER) else None


def point_frames(
    at: Floats, normal: Floats, outward: Floats, nominal: Nominal, spacing: float, width: float
) -> EdgeFrames:
    """Return the frames of a short straight piece of edge about one point."""
    normal = unit(normal)
    outward = unit(outward - (outward @ normal) * normal)
    tangent = np.cross(-outward, normal)
    half = 0.5 * width + 2.5 * spacing
    steps = np.linspace(-half, half, max(int(np.ceil(4 * half / spacing)), 9))
    k = len(steps)
    return make_frames(
        at + steps[:, None] * tangent, np.tile(normal, (k, 1)), False, nominal, spacing, np.tile(-outward, (k, 1))
    )
