"""The nominal's outline in a plane: where the plane cuts its surface, as fine segments that lie on the exact faces."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from runner.geometry.frames import perpendicular, unit
from runner.geometry.mesh import Floats, Nominal, SurfaceKind
from runner.geometry.surfaces import project
from runner.measure.sided import AGREEMENT, nominal_normals

PARTS = 8
"""Each segment of the mesh on a curved face is divided so often: its chord error falls to a 64th."""
FLATTEST = 0.2
"""Sine of the least angle between surface and plane (12 degrees): flatter cuts are no outline."""
ROUNDS = 4
FAR_FROM_FORM = 5.0
"""Chords."""
CANDIDATES = 6
"""Segments that are tried for each point."""


@dataclass(frozen=True, eq=False)
class Frame:
    """A plane with two directions in it."""

    origin: Floats
    u: Floats
    v: Floats
    normal: Floats

    def flat(self, points: Floats) -> Floats:
        """Return points (n, 3) in the plane's coordinates (n, 2)."""
        offset = points - self.origin
        return np.column_stack([offset @ self.u, offset @ self.v])

    def turned(self, vectors: Floats) -> Floats:
        """Return the components (n, 2) of vectors (n, 3) in the plane."""
        return np.column_stack([vectors @ self.u, vectors @ self.v])

    def height(self, points: Floats) -> Floats:
        """Return heights (n,) over the plane."""
        return np.asarray((points - self.origin) @ self.normal, dtype=np.float64)

    def lifted(self, flat: Floats) -> Floats:
        """Return places (n, 2) of the plane as points (n, 3)."""
        return np.asarray(self.origin + flat[:, :1] * self.u + flat[:, 1:] * self.v, dtype=np.float64)


def frame_of(at: Floats, normal: Floats) -> Frame:
    """Return the frame of the plane through ``at`` (3,) with ``normal`` (3,)."""
    normal = unit(normal)
    u, v = perpendicular(normal)
    return Frame(np.asarray(at, dtype=np.float64), u, v, normal)


@dataclass(frozen=True, eq=False)
class Nearest:
    """Nearest places of an outline to points."""

    distance: Floats
    """(n,) mm in the plane, + out of the material; inf where no segment looks a point's way."""
    segment: NDArray[np.int64]
    """(n,)."""
    share: Floats
    """(n,) place on the segment, 0 to 1."""
    foot: Floats
    """(n, 2)."""


@dataclass(frozen=True, eq=False)
class Outline:
    """Segments of the nominal in a plane, in the plane's coordinates."""

    frame: Frame
    start: Floats
    """(m, 2) mm."""
    end: Floats
    """(m, 2) mm."""
    normal: Floats
    """(m, 2) unit, out of the material."""
    chain: NDArray[np.int64]
    """(m,) which connected line each belongs to."""
    along: Floats
    """(m,) length along its line at which it starts, mm."""
    triangle: NDArray[np.int64]
    """(m,) of the nominal."""

    @cached_property
    def lengths(self) -> Floats:
        """(m,) mm."""
        return np.asarray(np.linalg.norm(self.end - self.start, axis=1), dtype=np.float64)

    @property
    def length(self) -> float:
        """Total, mm."""
        return float(self.lengths.sum())

    def places(self, step: float, here: NDArray[np.bool_]) -> tuple[Floats, Floats]:
        """Return places (k, 2) evenly along the segments ``here`` (m,), and the length along their line (k,)."""
        rows = np.flatnonzero(here)
        lengths = self.lengths[rows]
        total = float(lengths.sum())
        count = max(2, int(np.ceil(total / max(step, 1e-6))))
        ends = np.cumsum(lengths)
        at = (np.arange(count) + 0.5) * (total / count)
        row = np.minimum(np.searchsorted(ends, at), len(ends) - 1)
        inside = at - (ends[row] - lengths[row])
        share = inside / np.maximum(lengths[row], 1e-12)
        first, last = self.start[rows[row]], self.end[rows[row]]
        return first + share[:, None] * (last - first), self.along[rows[row]] + inside

    def nearest(self, flat: Floats, facing: Floats | None, signed: bool) -> Nearest:
        """Return the nearest place of the outline for points (n, 2), on segments that look the points' way.

        ``facing`` are the points' normals (n, 2) in the plane (any length); None: the nearest segment whatever way it
        looks. ``signed`` says whether they know inside from outside.
        """
        if facing is None or not len(flat):
            return self._nearest(flat, np.arange(len(self.start)))
        best = Nearest(np.full(len(flat), np.inf), np.zeros(len(flat), np.int64), np.zeros(len(flat)), flat.copy())
        length = np.maximum(np.linalg.norm(facing, axis=1), 1e-12)
        way = facing / length[:, None]
        for sector in range(8):
            angle = (sector + 0.5) * np.pi / 4
            middle = np.array([np.cos(angle), np.sin(angle)])
            rows = np.flatnonzero(way @ middle >= np.cos(np.pi / 8) - 1e-12)
            cosine = self.normal @ middle
            wide = np.cos(np.arccos(AGREEMENT) + np.pi / 8)
            some = np.flatnonzero((cosine if signed else np.abs(cosine)) >= wide)
            if not len(rows) or not len(some):
                continue
            found = self._nearest(flat[rows], some)
            agrees = np.einsum("ij,ij->i", way[rows], self.normal[found.segment])
            good = (agrees if signed else np.abs(agrees)) >= AGREEMENT
            target = rows[good]
            best.distance[target], best.segment[target] = found.distance[good], found.segment[good]
            best.share[target], best.foot[target] = found.share[good], found.foot[good]
        return best

    def _nearest(self, flat: Floats, some: NDArray[np.int64]) -> Nearest:
        """Nearest place on some segments (k,)."""
        from scipy.spatial import cKDTree

        if not len(flat):
            return Nearest(np.zeros(0), np.zeros(0, np.int64), np.zeros(0), flat)
        middles = 0.5 * (self.start[some] + self.end[some])
        # long straight segments are entered many times, so that the nearest middle is near the nearest place
        step = max(float(np.median(self.lengths[some])), self.length / 4000.0)
        counts = np.maximum(1, np.ceil(self.lengths[some] / step).astype(np.int64))
        owner = np.repeat(np.arange(len(some)), counts)
        number = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
        share = (number + 0.5) / counts[owner]
        middles = self.start[some][owner] + share[:, None] * (self.end[some] - self.start[some])[owner]
        k = min(CANDIDATES, len(middles))
        tried = np.asarray(cKDTree(middles).query(flat, k=k)[1]).reshape(len(flat), k)
        candidates = some[owner[tried]]
        start, way = self.start[candidates], (self.end - self.start)[candidates]
        square = np.maximum(np.einsum("ijk,ijk->ij", way, way), 1e-30)
        share = np.clip(np.einsum("ijk,ijk->ij", flat[:, None] - start, way) / square, 0.0, 1.0)
        foot = start + share[..., None] * way
        away = np.linalg.norm(flat[:, None] - foot, axis=2)
        first = np.argmin(away, axis=1)
        rows = np.arange(len(flat))
        segment, foot, away = candidates[rows, first], foot[rows, first], away[rows, first]
        # at a corner both segments are equally near: the one that looks at the point more squarely gives the side
        over = np.einsum("ijk,ijk->ij", flat[:, None] - foot[:, None], self.normal[candidates])
        equal = np.linalg.norm(flat[:, None] - start - share[..., None] * way, axis=2) <= away[:, None] + 1e-9
        side = np.where(equal, over, 0.0)
        strongest = side[rows, np.argmax(np.abs(side), axis=1)]
        return Nearest(np.where(strongest < 0, -away, away), segment, share[rows, first], foot)


def outline_of(nominal: Nominal, at: Floats, normal: Floats) -> Outline | str:
    """Return the outline of the nominal in a plane, or why there is none; kept for the next part."""
    return _outline(nominal, tuple(float(v) for v in at), tuple(float(v) for v in normal))


@lru_cache(maxsize=256)
def _outline(nominal: Nominal, at: tuple[float, ...], normal: tuple[float, ...]) -> Outline | str:
    frame = frame_of(np.array(at), np.array(normal))
    mesh = nominal.mesh
    which, ends = cut_triangles(mesh.vertices, mesh.triangles, np.arange(len(mesh.triangles)), frame)
    across = frame.turned(nominal_normals(nominal)[which])
    steep = np.linalg.norm(across, axis=1) >= FLATTEST
    which, ends, across = which[steep], ends[steep], across[steep]
    if not len(which):
        return "the plane does not cut the nominal, or runs along its surface"
    curved = np.zeros(len(which), dtype=bool)
    if nominal.source == "step":
        curved = nominal.faces.kind[nominal.triangle_face[which]] != SurfaceKind.PLANE
    counts = np.where(curved, PARTS, 1)
    owner = np.repeat(np.arange(len(which)), counts)
    number = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    way = ends[owner, 1] - ends[owner, 0]
    start = ends[owner, 0] + (number / counts[owner])[:, None] * way
    end = ends[owner, 0] + ((number + 1) / counts[owner])[:, None] * way
    rows = np.flatnonzero(curved[owner])
    if len(rows):
        face = nominal.triangle_face[which[owner[rows]]]
        start[rows] = onto_faces(nominal, face, frame, start[rows], across[owner[rows]])
        end[rows] = onto_faces(nominal, face, frame, end[rows], across[owner[rows]])
    a, b = frame.flat(start), frame.flat(end)
    keep = np.linalg.norm(b - a, axis=1) > 1e-9
    a, b, owner = a[keep], b[keep], owner[keep]
    flat = (b - a) / np.linalg.norm(b - a, axis=1)[:, None]
    outward = np.column_stack([flat[:, 1], -flat[:, 0]])
    flip = np.einsum("ij,ij->i", outward, across[owner]) < 0
    outward[flip] *= -1.0
    a[flip], b[flip] = b[flip].copy(), a[flip].copy()
    order, chain, along = in_lines(a, b, 2.0 * nominal.chord_mm + 1e-5)
    return Outline(frame, a[order], b[order], outward[order], chain, along, which[owner[order]])


def cut_triangles(
    vertices: Floats, triangles: NDArray, rows: NDArray[np.int64], frame: Frame
) -> tuple[NDArray[np.int64], Floats]:
    """Return which of some triangles a plane crosses, and the ends (k, 2, 3) of its cut through each.

    A corner that lies in the plane counts as above it, so that no cut is made twice or missed.
    """
    above = frame.height(vertices)
    corner = above[triangles[rows]]
    over = corner >= 0
    crossed = over.any(axis=1) & ~over.all(axis=1)
    which, corner, over = rows[crossed], corner[crossed], over[crossed]
    places = vertices[triangles[which]]
    # the corner that stands alone on its side
    alone = np.where(over.sum(axis=1) == 1, np.argmax(over, axis=1), np.argmin(over, axis=1))
    r = np.arange(len(which))
    ends = np.empty((len(which), 2, 3))
    for k in range(2):
        other = (alone + 1 + k) % 3
        share = corner[r, alone] / (corner[r, alone] - corner[r, other])
        ends[:, k] = places[r, alone] + share[:, None] * (places[r, other] - places[r, alone])
    return which, ends


def onto_faces(nominal: Nominal, face: NDArray, frame: Frame, points: Floats, across: Floats) -> Floats:
    """Move points (n, 3) within the plane onto the exact surfaces of their faces (n,), that look along ``across``.

    By the face's own surface and not the nearest one: at a rim the neighbour is as near. On faces without a closed
    form, and on a mesh, they stay where they are.
    """
    points = points.copy()
    if nominal.source != "step" or not len(points):
        return points
    for _ in range(ROUNDS):
        _, normal, distance = project(nominal.faces, face, points)
        flat = frame.turned(normal)
        square = np.einsum("ij,ij->i", flat, flat)
        # as in the distances: a face whose mesh lies far from its closed form is taken from the mesh
        good = np.abs(distance) <= FAR_FROM_FORM * max(nominal.chord_mm, 1e-3)
        good &= (square >= FLATTEST**2) & (np.einsum("ij,ij->i", flat, across) > 0)
        step = np.where(good, -np.nan_to_num(distance) / np.where(good, square, 1.0), 0.0)
        points += step[:, None] * (np.nan_to_num(flat[:, :1]) * frame.u + np.nan_to_num(flat[:, 1:]) * frame.v)
    return points


def in_lines(start: Floats, end: Floats, tolerance: float) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """Put segments (m, 2) into connected lines: their order (m,), line (m,) and length along it where they start (m,).

    Segments run with the material on their left, so that each ends where the next one starts.
    """
    from scipy.spatial import cKDTree

    away, ahead = cKDTree(start).query(end)
    away, ahead = np.asarray(away), np.asarray(ahead)
    lengths = np.linalg.norm(end - start, axis=1)
    linked = away <= tolerance
    entered = np.zeros(len(start), dtype=bool)
    entered[ahead[linked]] = True
    used = np.zeros(len(start), dtype=bool)
    order: list[int] = []
    chain: list[int] = []
    along: list[float] = []
    number = 0
    for begin in [*np.flatnonzero(~entered), *range(len(start))]:
        if used[begin]:
            continue
        row, run = int(begin), 0.0
        while not used[row]:
            used[row] = True
            order.append(row)
            chain.append(number)
            along.append(run)
            run += float(lengths[row])
            if not linked[row]:
                break
            row = int(ahead[row])
        number += 1
    return np.array(order, dtype=np.int64), np.array(chain, dtype=np.int64), np.array(along)
