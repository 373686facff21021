"""From deviations per pixel to colours per pixel: light, outlines, signs, hatching."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats
from runner.report.colours import UNSEEN, Scale, srgb
from runner.report.ink import hatch, signs
from runner.report.render import Raster, Shown, View

BINS, LIGHTS = 512, 16
_DARKEST = 0.86
"""Light only takes away a little lightness, so that colours stay comparable between slopes."""
_PAPER, _EDGE, _OUTLINE = (1.0, 0.0, 0.0), (0.45, 0.0, -0.01), (0.18, 0.0, 0.0)
_BEND = float(np.cos(np.radians(25.0)))
IN_BAND, HIGH, LOW, BLIND = 0, 1, 2, 3


def shade(
    raster: Raster, shown: Shown, triangle_normals: Floats, view: View, scale: Scale, finer: int
) -> NDArray[np.uint8]:
    """Return sRGB (h / finer, w / finer, 3): the finer pixels averaged.

    Creases and silhouettes of the part are thin grey lines; areas beyond a limit have a dark outline and carry
    small plus or minus signs; unseen surface is hatched grey.
    """
    with np.errstate(invalid="ignore"):
        area = np.where(shown.unseen, BLIND, IN_BAND).astype(np.uint8)
        if scale.upper is not None:
            area[shown.deviation > scale.upper] = HIGH
        if scale.lower is not None:
            area[shown.deviation < scale.lower] = LOW
    shape = raster.depth.shape
    period = 22 * finer
    pattern = np.zeros((4, period * 2, period), dtype=np.bool_)
    pattern[HIGH] = signs((period * 2, period), period, True)
    pattern[LOW] = signs((period * 2, period), period, False)
    stripes = hatch((9 * finer, 9 * finer), 9 * finer)
    picture = np.empty((shape[0] // finer, shape[1] // finer, 3))
    plain, marked, blind = _tables(scale)
    fixed = srgb(np.array([_PAPER, _EDGE, _OUTLINE]))
    _shade(
        raster.triangle,
        raster.depth,
        shown.deviation,
        area,
        np.ascontiguousarray(triangle_normals),
        np.ascontiguousarray(view.view_from_model[2]),
        view.scale,
        scale.low_end,
        scale.high_end,
        plain,
        marked,
        blind,
        fixed,
        pattern,
        stripes,
        finer,
        picture,
    )
    rounded: NDArray[np.uint8] = np.round(picture * 255).astype(np.uint8)
    return rounded


def _tables(scale: Scale) -> tuple[Floats, Floats, Floats]:
    """SRGB by light and deviation: plain, under a sign, and unseen (without and with a stripe)."""
    deviation = scale.low_end + (np.arange(BINS) + 0.5) / BINS * (scale.high_end - scale.low_end)
    light = _DARKEST + (1 - _DARKEST) * np.arange(LIGHTS) / (LIGHTS - 1)
    plain = np.broadcast_to(scale.colour(deviation), (LIGHTS, BINS, 3)).copy()
    plain[..., 0] *= light[:, None]
    marked = plain.copy()
    marked[..., 0] += np.where(plain[..., 0] > 0.62, -0.30, 0.34)
    blind = np.broadcast_to(np.array(UNSEEN), (LIGHTS, 2, 3)).copy()
    blind[..., 0] *= light[:, None]
    blind[:, 1, 0] -= 0.16
    return srgb(plain), srgb(marked), srgb(blind)


@kernel
def _shade(  # type: ignore[no-untyped-def]
    triangle,
    depth,
    deviation,
    area,
    normals,
    away,
    scale,
    low_end,
    high_end,
    plain,
    marked,
    blind,
    fixed,
    pattern,
    stripes,
    finer,
    picture,
):
    lights, bins = plain.shape[0], plain.shape[1]
    share = 1.0 / (finer * finer)
    for row in range(picture.shape[0]):
        for column in range(picture.shape[1]):
            red, green, blue = 0.0, 0.0, 0.0
            for dy in range(finer):
                for dx in range(finer):
                    y, x = row * finer + dy, column * finer + dx
                    t = triangle[y, x]
                    if _is_edge(triangle, depth, normals, away, scale, y, x):
                        colour = fixed[1]
                    elif t < 0:
                        colour = fixed[0]
                    elif _is_outline(area, triangle, y, x, finer + 1):
                        colour = fixed[2]
                    else:
                        n = normals[t]
                        facing = abs(n[0] * away[0] + n[1] * away[1] + n[2] * away[2])
                        light = min(int(facing * lights), lights - 1)
                        kind = area[y, x]
                        if kind == 3:
                            side = len(stripes)
                            colour = blind[light, 1 if stripes[y % side, x % side] else 0]
                        else:
                            place = (deviation[y, x] - low_end) / (high_end - low_end) * bins
                            index = min(max(int(place), 0), bins - 1)
                            if pattern[kind, y % pattern.shape[1], x % pattern.shape[2]]:
                                colour = marked[light, index]
                            else:
                                colour = plain[light, index]
                    red += colour[0]
                    green += colour[1]
                    blue += colour[2]
            picture[row, column, 0] = red * share
            picture[row, column, 1] = green * share
            picture[row, column, 2] = blue * share


@kernel
def _is_outline(area, triangle, y, x, reach):  # type: ignore[no-untyped-def]
    """Whether the pixel lies within ``reach`` inside the border of an area that is out of tolerance."""
    own = area[y, x]
    if own != 1 and own != 2:
        return False
    height, width = area.shape
    for step in range(1, reach + 1):
        if y + step < height and area[y + step, x] != own:
            return True
        if y >= step and area[y - step, x] != own:
            return True
        if x + step < width and area[y, x + step] != own:
            return True
        if x >= step and area[y, x - step] != own:
            return True
    return False


@kernel
def _is_edge(triangle, depth, normals, away, scale, y, x):  # type: ignore[no-untyped-def]
    """Whether the part ends, steps in depth or bends by more than 25 degrees between the pixel and the next ones."""
    height, width = triangle.shape
    t = triangle[y, x]
    for k in range(2):
        y2, x2 = (y + 1, x) if k == 0 else (y, x + 1)
        if y2 >= height or x2 >= width:
            continue
        other = triangle[y2, x2]
        if other == t:
            continue
        if t < 0 or other < 0:
            return True
        a, b = normals[t], normals[other]
        if a[0] * b[0] + a[1] * b[1] + a[2] * b[2] < _BEND:
            return True
        facing = min(
            abs(a[0] * away[0] + a[1] * away[1] + a[2] * away[2]), abs(b[0] * away[0] + b[1] * away[1] + b[2] * away[2])
        )
        # depth changes by this much from pixel to pixel on a slanted face without any step
        natural = 1.5 / scale * np.sqrt(max(1.0 - facing * facing, 0.0)) / max(facing, 0.08)
        if abs(depth[y, x] - depth[y2, x2]) > natural + 2.0 / scale:
            return True
    return False
