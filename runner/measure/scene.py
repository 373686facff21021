"""One part's points, from all its scans, in the nominal's frame: with nearest surface and distance, computed once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import KEPT, SPECK, Floats, Ints, Nominal
from runner.geometry.meshnormals import vertex_normals
from runner.measure.cells import Cells, make_cells, typical_spacing
from runner.measure.density import share_of_surface
from runner.measure.sided import AGREEMENT, beside_rim, closest_facing, nominal_normals
from runner.measure.specks import facing_nobody, find_specks


@dataclass(frozen=True, eq=False)
class AlignedScan:
    """One scan moved into the nominal's frame."""

    points: Floats
    """(n, 3) mm."""
    normals: Floats | None = None
    """(n, 3) unit, or None."""
    normals_signed: bool = False
    triangles: Ints | None = None
    """(m, 3) of a mesh."""
    removed: NDArray[np.uint8] | None = None
    """(n,) what clean-up calls each point (``geometry.mesh``); None: everything kept."""
    covariance: Floats | None = None
    """(6, 6) of the pose."""


@dataclass(frozen=True, eq=False)
class Scene:
    """All points within reach of the nominal.

    Points that clean-up removed are here too, with their label: clipping serves the fit, judging looks at everything.
    """

    points: Floats
    """(n, 3) mm, nominal frame."""
    normals: Floats | None
    """(n, 3) unit; only if every scan has them."""
    normals_signed: bool
    triangles: Ints | None
    """(m, 3) rows of ``points``; only if every scan is a mesh."""
    scan: NDArray[np.uint8]
    """(n,) number of the scan."""
    triangle: Ints
    """(n,) nearest triangle of the nominal whose surface direction agrees."""
    face: Ints
    """(n,) its face."""
    distance: Floats
    """(n,) signed distance to the nominal, mm, + outside the material."""
    agrees: NDArray[np.bool_]
    """(n,) the point's normal agrees with that surface's (always True where there are no normals)."""
    beyond: NDArray[np.bool_]
    """(n,) the point lies beside the rim of its nearest face, not above or below it: it says nothing about it."""
    removed: NDArray[np.uint8]
    """(n,) label of clean-up; ``KEPT`` is 0."""
    spacing: float
    """mm, root of the area per point."""
    reach: float
    """mm: points farther from the nominal are not here."""
    cells: Cells
    scans: int
    beyond_reach: int
    """Points left out because they are farther from the nominal than ``reach``."""
    covariances: tuple[Floats | None, ...] = field(default=())
    weights: Floats | None = None
    """(n,) surface that each point stands for, mean 1, where several scans of different spacing were put together: a
    least-squares fit weighted by it sees every stretch of surface alike, however densely a detail scan took one of
    them. None: a single scan."""

    @property
    def kept(self) -> NDArray[np.bool_]:
        """(n,) points that clean-up kept."""
        return self.removed == KEPT

    @cached_property
    def on_boundary(self) -> NDArray[np.bool_]:
        """(n,) vertices on the boundary loops of a mesh; none of a cloud."""
        from runner.measure.edges import mesh_boundary

        found = np.zeros(len(self.points), dtype=bool)
        if self.triangles is not None:
            found[mesh_boundary(self.triangles, len(self.points))] = True
        return found

    @cached_property
    def specks(self) -> NDArray[np.bool_]:
        """(n,) isolated points, of this scene as a whole or already found by clean-up."""
        found = find_specks(self.points, self.cells, self.spacing, self.triangles, self.normals)
        if self.normals is not None and self.normals_signed:
            # compared with a surface far off because of their normal, which then must be some surface's
            far = np.flatnonzero(self.agrees & ~found & (np.abs(self.distance) > self.spacing))
            found[far] = facing_nobody(self.points, self.normals, far, self.spacing)
        return found | (self.removed == SPECK)


def build_scene(scans: Sequence[AlignedScan], nominal: Nominal, index: SurfaceIndex, reach: float) -> Scene:
    """Put the aligned scans of one part together and find the nearest nominal surface of every point.

    Where normals know their sign, a point is never compared with a surface that looks the other way: on thin sheet
    that is off by more than half its thickness the nearest surface is the wrong side's.
    """
    facing = nominal_normals(nominal)
    pieces = [_reduced(scan, index, reach, facing) for scan in scans]
    points = np.vstack([p.points for p in pieces]) if pieces else np.zeros((0, 3))
    all_normals = all(p.normals is not None for p in pieces) and len(pieces) > 0
    normals = np.vstack([p.normals for p in pieces if p.normals is not None]) if all_normals else None
    signed = all_normals and all(p.signed for p in pieces)
    triangles: Ints | None = None
    if pieces and all(p.triangles is not None for p in pieces):
        offsets = np.cumsum([0] + [len(p.points) for p in pieces])
        triangles = np.vstack(
            [p.triangles + offset for p, offset in zip(pieces, offsets[:-1], strict=True) if p.triangles is not None]
        ).astype(np.int32)
    triangle = _joined([p.triangle for p in pieces], np.int32)
    face = _joined([p.face for p in pieces], np.int32)
    distance = _joined([p.distance for p in pieces], np.float64)
    toward = np.vstack([p.surface_normal for p in pieces]) if pieces else np.zeros((0, 3))
    beyond = _joined([p.beyond for p in pieces], np.bool_)
    agrees = np.ones(len(points), dtype=bool)
    if normals is not None:
        cosine = np.einsum("ij,ij->i", normals, toward)
        agrees = (cosine if signed else np.abs(cosine)) >= AGREEMENT
        if signed:
            wrong = np.flatnonzero(cosine < 0.0)
            if len(wrong):
                _other_side(nominal, points, normals, wrong, reach, triangle, face, distance, agrees, beyond)
    cells = make_cells(points)
    number = _joined([np.full(len(p.points), k, dtype=np.uint8) for k, p in enumerate(pieces)], np.uint8)
    return Scene(
        points=points,
        normals=normals,
        normals_signed=signed,
        triangles=triangles,
        scan=number,
        triangle=triangle,
        face=face,
        distance=distance,
        agrees=agrees,
        beyond=beyond,
        removed=_joined([p.removed for p in pieces], np.uint8),
        spacing=typical_spacing(points, cells),
        reach=reach,
        cells=cells,
        scans=len(scans),
        beyond_reach=sum(len(s.points) for s in scans) - len(points),
        covariances=tuple(s.covariance for s in scans),
        weights=share_of_surface(points, number, face, len(scans)) if len(scans) > 1 else None,
    )


@dataclass(frozen=True, eq=False)
class _Piece:
    points: Floats
    normals: Floats | None
    signed: bool
    triangles: Ints | None
    removed: NDArray[np.uint8]
    triangle: Ints
    face: Ints
    distance: Floats
    surface_normal: Floats
    beyond: NDArray[np.bool_]


def _reduced(scan: AlignedScan, index: SurfaceIndex, reach: float, facing: Floats) -> _Piece:
    """The points of one scan within reach, with their nearest surface."""
    closest = index.closest(scan.points, reach)
    near = closest.found
    normals, signed = scan.normals, scan.normals_signed
    if normals is None and scan.triangles is not None:
        normals, signed = vertex_normals(scan.points, scan.triangles), True
    triangles = None
    if scan.triangles is not None:
        row = np.cumsum(near) - 1
        whole = near[scan.triangles].all(axis=1)
        triangles = row[scan.triangles[whole]].astype(np.int32)
    removed = scan.removed if scan.removed is not None else np.zeros(len(scan.points), dtype=np.uint8)
    return _Piece(
        points=scan.points[near],
        normals=None if normals is None else normals[near],
        signed=signed,
        triangles=triangles,
        removed=removed[near].astype(np.uint8),
        triangle=closest.triangle[near],
        face=closest.face[near],
        distance=closest.distance[near],
        surface_normal=closest.normal[near],
        beyond=beside_rim(scan.points, closest, facing)[near],
    )


def _other_side(
    nominal: Nominal,
    points: Floats,
    normals: Floats,
    wrong: NDArray[np.int64],
    reach: float,
    triangle: Ints,
    face: Ints,
    distance: Floats,
    agrees: NDArray[np.bool_],
    beyond: NDArray[np.bool_],
) -> None:
    """Compare points again with the surfaces that look their way only; fills the arrays in place."""
    facing = nominal_normals(nominal)
    for rows, found in closest_facing(nominal, points[wrong], normals[wrong], reach):
        target = wrong[rows]
        triangle[target], face[target] = found.triangle, found.face
        distance[target], agrees[target] = found.distance, True
        beyond[target] = beside_rim(points[target], found, facing)


def _joined(pieces: list[NDArray], kind: type) -> NDArray:
    return np.concatenate(pieces).astype(kind) if pieces else np.zeros(0, dtype=kind)
