"""Compiled sums over points: signed orthogonal distance to each element, its derivatives, and normal equations.

Every element stands in its own frame (axis along z, centre or reference point at the origin), so its derivatives
after the rigid increments follow from the gradient g of the distance at the point q = (x, y, z):
shift: -g; tilt u: gz x - gx z; tilt v: gz y - gy z; turn: gx y - gy x.
Only the derivatives after the sizes belong to the element.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.blocks import run_blocks
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats

PLANE, CYLINDER, CONE, SPHERE, TORUS, ROUND_SLOT, SQUARE_SLOT, RING, AXIS = range(9)
"""RING: a circle in space, two distances per point (in the plane, out of it). AXIS: a line in space, two per point."""
PARTS = {PLANE: 1, CYLINDER: 1, CONE: 1, SPHERE: 1, TORUS: 1, ROUND_SLOT: 1, SQUARE_SLOT: 1, RING: 2, AXIS: 2}
BLOCK = 4096
"""Points summed by one thread at a time: fixed, so that sums repeat whatever the number of threads."""


@kernel
def distance(kind: int, part: int, x: float, y: float, z: float, sizes: Any, g: Any, e: Any) -> float:
    """Return the signed distance of one point; write its gradient to g (3,) and size derivatives to e (2,)."""
    g[0] = 0.0
    g[1] = 0.0
    g[2] = 0.0
    e[0] = 0.0
    e[1] = 0.0
    if kind == PLANE:
        g[2] = 1.0
        return z
    if kind == CYLINDER or (kind == RING and part == 0):
        rho = math.sqrt(x * x + y * y)
        if rho > 0.0:
            g[0] = x / rho
            g[1] = y / rho
        e[0] = -1.0
        return rho - sizes[0]
    if kind == RING:
        g[2] = 1.0
        return z
    if kind == AXIS:
        g[part] = 1.0
        return x if part == 0 else y
    if kind == SPHERE:
        rho = math.sqrt(x * x + y * y + z * z)
        if rho > 0.0:
            g[0] = x / rho
            g[1] = y / rho
            g[2] = z / rho
        e[0] = -1.0
        return rho - sizes[0]
    if kind == CONE:
        return _cone(x, y, z, sizes, g, e)
    if kind == TORUS:
        rho = math.sqrt(x * x + y * y)
        a = rho - sizes[0]
        t = math.sqrt(a * a + z * z)
        if t > 0.0:
            if rho > 0.0:
                g[0] = a / t * x / rho
                g[1] = a / t * y / rho
            g[2] = z / t
            e[0] = -a / t
        e[1] = -1.0
        return t - sizes[1]
    if kind == ROUND_SLOT:
        return _round_slot(x, y, sizes, g, e)
    return _square_slot(x, y, sizes, g, e)


@kernel
def _cone(x: float, y: float, z: float, sizes: Any, g: Any, e: Any) -> float:
    """Cone of half angle sizes[1] whose radius at z = 0 is sizes[0]; e: offset along the normal, half angle."""
    s = sizes[0]
    c = math.cos(sizes[1])
    n = math.sin(sizes[1])
    rho = math.sqrt(x * x + y * y)
    along = (rho - s) * n + z * c
    ux = x / rho if rho > 0.0 else 0.0
    uy = y / rho if rho > 0.0 else 0.0
    if n != 0.0 and along * n < -s:
        # beyond the apex (at z = -s c / n): the apex itself is nearest
        height = z + s * c / n
        t = math.sqrt(rho * rho + height * height)
        if t > 0.0:
            g[0] = x / t
            g[1] = y / t
            g[2] = height / t
            e[0] = height / (t * n)
            e[1] = -height / t * s / (n * n)
        return t
    g[0] = c * ux
    g[1] = c * uy
    g[2] = -n
    e[0] = -1.0
    e[1] = -along
    return (rho - s) * c - z * n


@kernel
def _round_slot(x: float, y: float, sizes: Any, g: Any, e: Any) -> float:
    """Outline at sizes[1] / 2 around a segment of length sizes[0] - sizes[1] along x."""
    half = 0.5 * (sizes[0] - sizes[1])
    a = abs(x) - half
    if a <= 0.0:
        g[1] = 1.0 if y >= 0.0 else -1.0
        e[1] = -0.5
        return abs(y) - 0.5 * sizes[1]
    t = math.sqrt(a * a + y * y)
    if t > 0.0:
        g[0] = a / t if x >= 0.0 else -a / t
        g[1] = y / t
        e[0] = -0.5 * a / t
        e[1] = 0.5 * a / t - 0.5
    return t - 0.5 * sizes[1]


@kernel
def _square_slot(x: float, y: float, sizes: Any, g: Any, e: Any) -> float:
    """Rectangle sizes[0] along x by sizes[1] along y."""
    a = abs(x) - 0.5 * sizes[0]
    b = abs(y) - 0.5 * sizes[1]
    sx = 1.0 if x >= 0.0 else -1.0
    sy = 1.0 if y >= 0.0 else -1.0
    if a > 0.0 and b > 0.0:
        t = math.sqrt(a * a + b * b)
        g[0] = sx * a / t
        g[1] = sy * b / t
        e[0] = -0.5 * a / t
        e[1] = -0.5 * b / t
        return t
    if a > b:
        g[0] = sx
        e[0] = -0.5
        return a
    g[1] = sy
    e[1] = -0.5
    return b


@kernel
def sum_range(
    points: Any,
    weights: Any,
    centre: Any,
    origin: Any,
    turn: Any,
    pivot: Any,
    scale: float,
    kind: int,
    parts: int,
    sizes: Any,
    columns: Any,
    begin: int,
    end: int,
) -> Any:
    """Return (m,) the lower triangle of J'WJ, then J'Wr, then r'Wr, over points ``begin`` to ``end``.

    ``points`` (n, 3) mm; ``weights`` (n,) or (0,) for ones; element frame: q = turn ((p - centre) / scale - origin);
    rotations are taken about ``pivot``, given in the element frame.
    ``columns`` (p,): 0 to 2 shift, 3 tilt u, 4 tilt v, 5 turn, 6 and 7 sizes.
    """
    p = columns.shape[0]
    total = np.zeros(p * (p + 1) // 2 + p + 1)
    inverse = 1.0 / scale
    g = np.empty(3)
    e = np.empty(2)
    row = np.empty(8)
    for i in range(begin, end):
        w = weights[i] if weights.shape[0] > 0 else 1.0
        px = (points[i, 0] - centre[0]) * inverse - origin[0]
        py = (points[i, 1] - centre[1]) * inverse - origin[1]
        pz = (points[i, 2] - centre[2]) * inverse - origin[2]
        x = turn[0, 0] * px + turn[0, 1] * py + turn[0, 2] * pz
        y = turn[1, 0] * px + turn[1, 1] * py + turn[1, 2] * pz
        z = turn[2, 0] * px + turn[2, 1] * py + turn[2, 2] * pz
        for part in range(parts):
            d = distance(kind, part, x, y, z, sizes, g, e)
            for k in range(p):
                c = columns[k]
                if c < 3:
                    row[k] = -g[c]
                elif c == 3:
                    row[k] = g[2] * (x - pivot[0]) - g[0] * (z - pivot[2])
                elif c == 4:
                    row[k] = g[2] * (y - pivot[1]) - g[1] * (z - pivot[2])
                elif c == 5:
                    row[k] = g[0] * (y - pivot[1]) - g[1] * (x - pivot[0])
                else:
                    row[k] = e[c - 6]
            at = 0
            for k in range(p):
                a = w * row[k]
                for j in range(k + 1):
                    total[at] += a * row[j]
                    at += 1
            for k in range(p):
                total[at] += w * row[k] * d
                at += 1
            total[at] += w * d * d
    return total


def sum_blocks(
    points: Floats,
    weights: Floats,
    centre: Floats,
    origin: Floats,
    turn: Floats,
    pivot: Floats,
    scale: float,
    kind: int,
    parts: int,
    sizes: Floats,
    columns: NDArray[np.int64],
) -> Floats:
    """Return (b, m) the sums of each block of points."""
    p = len(columns)
    blocks = (len(points) + BLOCK - 1) // BLOCK
    sums = np.zeros((blocks, p * (p + 1) // 2 + p + 1))
    run_blocks(
        _sum_blocks, blocks, points, weights, centre, origin, turn, pivot, scale, kind, parts, sizes, columns, sums,
        block=2,
    )  # fmt: skip
    return sums


@kernel
def _sum_blocks(
    start: int,
    end: int,
    points: Any,
    weights: Any,
    centre: Any,
    origin: Any,
    turn: Any,
    pivot: Any,
    scale: float,
    kind: int,
    parts: int,
    sizes: Any,
    columns: Any,
    sums: Any,
) -> None:
    n = points.shape[0]
    for block in range(start, end):
        sums[block, :] = sum_range(
            points,
            weights,
            centre,
            origin,
            turn,
            pivot,
            scale,
            kind,
            parts,
            sizes,
            columns,
            block * BLOCK,
            min(n, (block + 1) * BLOCK),
        )


def distances(
    points: Floats, centre: Floats, origin: Floats, turn: Floats, scale: float, kind: int, part: int, sizes: Floats
) -> Floats:
    """Return (n,) signed distances in units of ``scale``."""
    out = np.empty(len(points))
    run_blocks(_distances, len(points), points, centre, origin, turn, scale, kind, part, sizes, out, block=BLOCK)
    return out


@kernel
def _distances(
    start: int,
    end: int,
    points: Any,
    centre: Any,
    origin: Any,
    turn: Any,
    scale: float,
    kind: int,
    part: int,
    sizes: Any,
    out: Any,
) -> None:
    inverse = 1.0 / scale
    g = np.empty(3)
    e = np.empty(2)
    for i in range(start, end):
        px = (points[i, 0] - centre[0]) * inverse - origin[0]
        py = (points[i, 1] - centre[1]) * inverse - origin[1]
        pz = (points[i, 2] - centre[2]) * inverse - origin[2]
        x = turn[0, 0] * px + turn[0, 1] * py + turn[0, 2] * pz
        y = turn[1, 0] * px + turn[1, 1] * py + turn[1, 2] * pz
        z = turn[2, 0] * px + turn[2, 1] * py + turn[2, 2] * pz
        out[i] = distance(kind, part, x, y, z, sizes, g, e)
