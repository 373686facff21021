"""Orthographic pictures of triangles without a display: which triangle each pixel sees, and how deep."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats, Ints, TriangleMesh

_SLACK = 1e-6


@dataclass(frozen=True, eq=False)
class View:
    """An orthographic camera. Picture x runs right, y down; depth grows away from the eye."""

    view_from_model: Floats
    """(3, 3) rotation: rows are picture right, picture down, away from the eye, in the model's frame."""
    scale: float
    """Pixels per mm."""
    offset: tuple[float, float]
    """Pixel of the model's origin."""
    size: tuple[int, int]
    """Width and height, pixels."""

    def finer(self, times: int) -> View:
        """The same view with ``times`` as many pixels each way."""
        offset = (self.offset[0] * times, self.offset[1] * times)
        return View(self.view_from_model, self.scale * times, offset, (self.size[0] * times, self.size[1] * times))

    def project(self, points: Floats) -> Floats:
        """Return (n, 3): pixel x, pixel y, depth in mm."""
        turned = points @ self.view_from_model.T
        return np.column_stack(
            [turned[:, 0] * self.scale + self.offset[0], turned[:, 1] * self.scale + self.offset[1], turned[:, 2]]
        )

    def unproject(self, pixels_and_depth: Floats) -> Floats:
        """Return model points (n, 3) of pixel x, y and depth."""
        turned = np.column_stack(
            [
                (pixels_and_depth[:, 0] - self.offset[0]) / self.scale,
                (pixels_and_depth[:, 1] - self.offset[1]) / self.scale,
                pixels_and_depth[:, 2],
            ]
        )
        return turned @ self.view_from_model


@dataclass(frozen=True, eq=False)
class Raster:
    """What each pixel sees."""

    triangle: Ints
    """(h, w); -1 for background."""
    depth: Floats
    """(h, w) mm; inf for background."""


def rasterize(mesh: TriangleMesh, view: View) -> Raster:
    """Return the nearest triangle and its depth for each pixel centre, both sides of a triangle being visible."""
    width, height = view.size
    depth = np.full((height, width), np.inf)
    triangle = np.full((height, width), -1, dtype=np.int32)
    projected = np.ascontiguousarray(view.project(mesh.vertices))
    _fill(projected, np.ascontiguousarray(mesh.triangles, dtype=np.int32), depth, triangle)
    return Raster(triangle, depth)


@kernel
def _fill(projected, triangles, depth, triangle):  # type: ignore[no-untyped-def]
    height, width = depth.shape
    for t in range(len(triangles)):
        ax, ay, az = projected[triangles[t, 0]]
        bx, by, bz = projected[triangles[t, 1]]
        cx, cy, cz = projected[triangles[t, 2]]
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area == 0.0:
            continue
        y0 = max(int(np.ceil(min(ay, by, cy) - 0.5)), 0)
        y1 = min(int(np.floor(max(ay, by, cy) - 0.5)), height - 1)
        nearest, farthest = min(az, bz, cz), max(az, bz, cz)
        first = max(min(ax, bx, cx) - 0.5, 0.0)
        last = min(max(ax, bx, cx) - 0.5, width - 1.0)
        # weights u, v of corners a, b are linear in x along a row: slopes once per triangle
        u_slope = (by - cy) / area
        v_slope = (cy - ay) / area
        w_slope = -(u_slope + v_slope)
        z_slope = u_slope * az + v_slope * bz + w_slope * cz
        for y in range(y0, y1 + 1):
            py = y + 0.5
            u = ((bx - 0.5) * (cy - py) - (by - py) * (cx - 0.5)) / area
            v = ((cx - 0.5) * (ay - py) - (cy - py) * (ax - 0.5)) / area
            w = 1.0 - u - v
            low, high = first, last
            # where each weight is positive: a row is one stretch, however thin the triangle
            for value, slope in ((u, u_slope), (v, v_slope), (w, w_slope)):
                # the slack closes hairline gaps between neighbours; overlap does no harm
                if slope > 0.0:
                    low = max(low, -value / slope - _SLACK)
                elif slope < 0.0:
                    high = min(high, -value / slope + _SLACK)
                elif value < 0.0:
                    high = -1.0
            if high < low:
                continue
            z = u * az + v * bz + w * cz
            for x in range(int(np.ceil(low)), int(np.floor(high)) + 1):
                here = min(max(z + z_slope * x, nearest), farthest)
                if here < depth[y, x]:
                    depth[y, x] = here
                    triangle[y, x] = t


@dataclass(frozen=True, eq=False)
class Shown:
    """Deviation per pixel."""

    deviation: Floats
    """(h, w) mm; NaN where nothing is known."""
    unseen: NDArray[np.bool_]
    """(h, w) part surface that the scan did not show."""


def paint(
    raster: Raster,
    view: View,
    triangle_normals: Floats,
    points: Floats,
    normals: Floats,
    deviation: Floats,
    spacing: float,
) -> Shown:
    """Carry deviations at scattered places to the pixels that see them.

    A pixel takes the weighted mean of the seen places within 1.6 spacings whose normal agrees with its own
    triangle, so that the other face of a sheet never shines through. It is unseen when unseen places weigh more,
    or when there is none at all.

    Parameters
    ----------
    raster, view
        What the pixels see.
    triangle_normals
        (m, 3) unit.
    points, normals, deviation
        (k, 3), (k, 3), (k,) places on the nominal; NaN deviation for unseen ones.
    spacing
        Distance between neighbouring places, mm.
    """
    reach = 1.6 * spacing
    towards_eye = normals @ view.view_from_model[2] < 0.3
    points, normals, deviation = points[towards_eye], normals[towards_eye], deviation[towards_eye]
    cell = max(reach * view.scale, 1.0)
    projected = view.project(points)
    columns = int(np.ceil(view.size[0] / cell)) + 1
    lines = int(np.ceil(view.size[1] / cell)) + 1
    cell_x = np.clip((projected[:, 0] / cell).astype(np.int64), 0, columns - 1)
    cell_y = np.clip((projected[:, 1] / cell).astype(np.int64), 0, lines - 1)
    home = cell_y * columns + cell_x
    order = np.argsort(home, kind="stable")
    starts = np.searchsorted(home[order], np.arange(columns * lines + 1))
    shown = np.full(raster.depth.shape, np.nan)
    unseen = np.zeros(raster.depth.shape, dtype=np.bool_)
    _paint(
        raster.triangle,
        raster.depth,
        np.ascontiguousarray(triangle_normals),
        np.ascontiguousarray(projected[order]),
        np.ascontiguousarray(normals[order], dtype=np.float64),
        np.ascontiguousarray(deviation[order], dtype=np.float64),
        starts,
        columns,
        lines,
        cell,
        view.scale,
        reach,
        shown,
        unseen,
    )
    return Shown(shown, unseen)


@kernel
def _paint(  # type: ignore[no-untyped-def]
    triangle,
    depth,
    triangle_normals,
    places,
    normals,
    deviation,
    starts,
    columns,
    lines,
    cell,
    scale,
    reach,
    shown,
    unseen,
):
    height, width = depth.shape
    # every second pixel of every second row is looked up; those between take the mean of their neighbours where all
    # see the same smooth surface, which costs a quarter
    for turn in range(2):
        for y in range(height):
            for x in range(width):
                t = triangle[y, x]
                between = y % 2 == 1 or x % 2 == 1
                if t < 0 or between != (turn == 1):
                    continue
                if between:
                    value = _mean_of_neighbours(triangle, triangle_normals, shown, y, x)
                    if not np.isnan(value):
                        shown[y, x] = value
                        continue
                value = _look_up(
                    triangle_normals[t],
                    x + 0.5,
                    y + 0.5,
                    depth[y, x],
                    places,
                    normals,
                    deviation,
                    starts,
                    columns,
                    lines,
                    cell,
                    scale,
                    reach,
                )
                shown[y, x] = value
                unseen[y, x] = np.isnan(value)


@kernel
def _look_up(  # type: ignore[no-untyped-def]
    n, px, py, pz, places, normals, deviation, starts, columns, lines, cell, scale, reach
):
    """Weighted mean of the seen places around a pixel; NaN when it counts as unseen."""
    limit = reach * reach
    cx, cy = int(px / cell), int(py / cell)
    seen_weight, blind_weight, total = 0.0, 0.0, 0.0
    for gy in range(max(cy - 1, 0), min(cy + 2, lines)):
        row = gy * columns
        # cells of one row of the grid lie one after another
        for k in range(starts[row + max(cx - 1, 0)], starts[row + min(cx + 1, columns - 1) + 1]):
            dx = (places[k, 0] - px) / scale
            dy = (places[k, 1] - py) / scale
            dz = places[k, 2] - pz
            d = dx * dx + dy * dy + dz * dz
            if d >= limit or normals[k, 0] * n[0] + normals[k, 1] * n[1] + normals[k, 2] * n[2] < 0.6:
                continue
            weight = (1.0 - d / limit) ** 2
            if np.isnan(deviation[k]):
                blind_weight += weight
            else:
                seen_weight += weight
                total += weight * deviation[k]
    if seen_weight > 0.0 and seen_weight >= blind_weight:
        return total / seen_weight
    return np.nan


@kernel
def _mean_of_neighbours(triangle, triangle_normals, shown, y, x):  # type: ignore[no-untyped-def]
    """Mean of the looked-up pixels beside (two, or four for a middle pixel); NaN unless all see the same surface."""
    height, width = triangle.shape
    own = triangle_normals[triangle[y, x]]
    total, count = 0.0, 0
    for y2 in range(y - y % 2, y + y % 2 + 1, 2):
        for x2 in range(x - x % 2, x + x % 2 + 1, 2):
            if y2 >= height or x2 >= width or triangle[y2, x2] < 0:
                return np.nan
            other = triangle_normals[triangle[y2, x2]]
            if own[0] * other[0] + own[1] * other[1] + own[2] * other[2] < 0.95:
                return np.nan
            total += shown[y2, x2]
            count += 1
    return total / count
