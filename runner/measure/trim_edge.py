"""The free edge of the nominal that a trim-edge feature means: walked along the creases of one sheet side."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from runner.geometry.frames import unit
from runner.geometry.mesh import Floats, Nominal
from runner.measure.edge_places import EdgeFrames, make_frames
from runner.measure.element import array
from runner.measure.patch import NoPatch, rounded
from runner.measure.sampling import triangle_normals
from runner.measure.specs import FeatureSpec

CREASE = np.cos(np.radians(35.0))
"""The sheet ends where the neighbouring triangle turns away by more than this, or where there is none."""
SAME_SIDE = np.cos(np.radians(50.0))
"""From one piece of the edge to the next the sheet may turn by this much."""
NEAR = 1.0
"""mm: the recipe's points lie this close to the edge."""


@dataclass(frozen=True, eq=False)
class Creases:
    """Half edges of the mesh at which a face ends."""

    ends: NDArray[np.int64]
    """(e, 2) vertices, in the direction of their triangle: the material of the face lies to the left."""
    normal: Floats
    """(e, 3) of the triangle."""
    leaving: dict[int, list[int]]
    arriving: dict[int, list[int]]


@lru_cache(maxsize=8)
def creases(nominal: Nominal) -> Creases:
    """Return all creases and boundaries of a nominal."""
    vertices, triangles = nominal.mesh.vertices, nominal.mesh.triangles.astype(np.int64)
    normals = triangle_normals(vertices, nominal.mesh.triangles)
    half = np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    owner = np.tile(np.arange(len(triangles)), 3)
    key = half[:, 0] * len(vertices) + half[:, 1]
    back = half[:, 1] * len(vertices) + half[:, 0]
    order = np.argsort(key)
    found = np.searchsorted(key[order], back)
    found = np.minimum(found, len(key) - 1)
    paired = key[order][found] == back
    other = owner[order][found]
    turned = np.einsum("ij,ij->i", normals[owner], normals[other]) < CREASE
    # in a concave corner the material does not end
    middle = vertices[triangles].mean(axis=1)
    turned &= np.einsum("ij,ij->i", middle[other] - middle[owner], normals[owner]) < 0
    chosen = np.flatnonzero(~paired | turned)
    leaving: dict[int, list[int]] = {}
    arriving: dict[int, list[int]] = {}
    for e, (a, b) in enumerate(half[chosen]):
        leaving.setdefault(int(a), []).append(e)
        arriving.setdefault(int(b), []).append(e)
    return Creases(half[chosen], normals[owner[chosen]], leaving, arriving)


def find_trim_edge(spec: FeatureSpec, nominal: Nominal, spacing: float) -> EdgeFrames | NoPatch:
    """Return the places of a trim edge, half a spacing apart. Kept for the next part."""
    return _found_trim_edge(spec, nominal, rounded(spacing))


@lru_cache(maxsize=256)
def _found_trim_edge(spec: FeatureSpec, nominal: Nominal, spacing: float) -> EdgeFrames | NoPatch:
    if not spec.places or spec.normal is None:
        return NoPatch("a trim edge needs at least one point on the edge and the direction of the sheet's side")
    places, normal = np.array(spec.places, dtype=np.float64), unit(array(spec.normal))
    all_creases = creases(nominal)
    vertices = nominal.mesh.vertices
    start = _nearest(places[0], normal, all_creases, vertices)
    if isinstance(start, NoPatch):
        return start
    chain, closed = _walk(start, all_creases, vertices)
    line = vertices[np.array([all_creases.ends[e, 0] for e in chain] + [all_creases.ends[chain[-1], 1]])]
    normals = all_creases.normal[chain]
    lengths = np.linalg.norm(np.diff(line, axis=0), axis=1)
    total = float(lengths.sum())
    ends = np.concatenate([[0.0], np.cumsum(lengths)])
    stretch = (0.0, total)
    if len(places) > 1:
        at = []
        for place in places:
            where, away = _along(place, line, ends)
            if away > NEAR:
                return NoPatch(f"a point of the trim edge lies {away:.2f} mm from the edge that runs through the first")
            at.append(where)
        same = closed and abs(at[0] - at[-1]) < 1e-3
        if not same:
            stretch = _stretch(at, total, closed)
            closed = False
    span = stretch[1] - stretch[0]
    count = int(np.ceil(2.0 * span / spacing))
    if count < 12:
        return NoPatch("the edge is too short for the point spacing")
    steps = stretch[0] + span * (np.arange(count) if closed else np.arange(count + 1)) / count
    steps = steps % total if stretch[1] > total or stretch[0] < 0 else steps
    row = np.clip(np.searchsorted(ends, steps, side="right") - 1, 0, len(lengths) - 1)
    share = (steps - ends[row]) / lengths[row]
    points = line[row] + share[:, None] * (line[row + 1] - line[row])
    # between the middles of the pieces the sheet's normal turns evenly
    mid = 0.5 * (ends[:-1] + ends[1:])
    smooth = np.column_stack([np.interp(steps, mid, normals[:, k]) for k in range(3)])
    smooth /= np.linalg.norm(smooth, axis=1)[:, None]
    return make_frames(points, smooth, closed, nominal, spacing)


def _nearest(place: Floats, normal: Floats, found: Creases, vertices: Floats) -> int | NoPatch:
    """The crease on the stated side that runs past a point."""
    a, b = vertices[found.ends[:, 0]], vertices[found.ends[:, 1]]
    way = b - a
    share = np.clip(np.einsum("ij,ij->i", place - a, way) / np.maximum(np.einsum("ij,ij->i", way, way), 1e-12), 0, 1)
    away = np.linalg.norm(a + share[:, None] * way - place, axis=1)
    right = found.normal @ normal > SAME_SIDE
    if not right.any():
        return NoPatch("the nominal has no edge on a sheet that looks in the stated direction")
    best = int(np.argmin(np.where(right, away, np.inf)))
    if away[best] > NEAR:
        return NoPatch(
            f"the nearest edge on the stated side of the sheet lies {away[best]:.2f} mm from the point given"
        )
    return best


def _walk(start: int, found: Creases, vertices: Floats) -> tuple[list[int], bool]:
    """The chain of creases through one, and whether it closes on itself."""
    ahead = _follow(start, found, vertices, forward=True)
    if ahead and ahead[-1] == start:
        return [start, *ahead[:-1]], True
    behind = _follow(start, found, vertices, forward=False)
    return [*reversed(behind), start, *ahead], False


def _follow(start: int, found: Creases, vertices: Floats, *, forward: bool) -> list[int]:
    used, now = {start}, start
    chain: list[int] = []
    while True:
        corner = int(found.ends[now, 1 if forward else 0])
        options = (found.leaving if forward else found.arriving).get(corner, [])
        ways = [(float(found.normal[o] @ found.normal[now]), _straight(now, o, found, vertices), o) for o in options]
        good = [w for w in ways if w[0] > SAME_SIDE]
        if not good:
            return chain
        now = max(good, key=lambda w: (round(w[0], 3), w[1]))[2]
        if now == start:
            return [*chain, start]
        if now in used:
            return chain
        used.add(now)
        chain.append(now)


def _straight(a: int, b: int, found: Creases, vertices: Floats) -> float:
    one, two = (unit(vertices[found.ends[e, 1]] - vertices[found.ends[e, 0]]) for e in (a, b))
    return float(one @ two)


def _along(place: Floats, line: Floats, ends: Floats) -> tuple[float, float]:
    """Where on a polyline a point lies, mm from its start, and how far from it."""
    a, way = line[:-1], np.diff(line, axis=0)
    share = np.clip(np.einsum("ij,ij->i", place - a, way) / np.maximum(np.einsum("ij,ij->i", way, way), 1e-12), 0, 1)
    away = np.linalg.norm(a + share[:, None] * way - place, axis=1)
    k = int(np.argmin(away))
    return float(ends[k] + share[k] * (ends[k + 1] - ends[k])), float(away[k])


def _stretch(at: list[float], total: float, closed: bool) -> tuple[float, float]:
    """From the first to the last place: on a closed edge the way past the places between, else the shorter."""
    first, last = at[0], at[-1]
    if not closed:
        return min(first, last), max(first, last)
    forward = (last - first) % total
    between = [(x - first) % total for x in at[1:-1]]
    goes_forward = all(x <= forward for x in between) if between else forward <= 0.5 * total
    return (first, first + forward) if goes_forward else (last, last + total - forward)
