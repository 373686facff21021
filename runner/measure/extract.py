"""Which scan points belong to a surface feature.

By nearness to the nominal patch, agreement of normals and a margin from the borders of its faces. The first round looks
``search`` around the nominal; each later round carries the patch along with the element found so far, so that a
displaced feature is followed. Points are never rejected by their residual, only when they stand alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.frames import invert, move_points
from runner.geometry.mesh import Floats, Nominal
from runner.geometry.shapes import Shape
from runner.measure.detached import detached
from runner.measure.element import as_surface, direction, feet, movement, natural_normals, place, signed_distance
from runner.measure.nearest import border_of_patch, surface_of
from runner.measure.patch import Patch, in_turn, rounded
from runner.measure.scene import Scene
from runner.measure.specs import FeatureSpec

AGREEMENT = 0.5
"""Cosine of 60 degrees, the most that a point's normal may differ from the surface's."""
MARGIN_SPACINGS = 1.5
LEAST_INTERIOR = 0.3
"""The margin shrinks until this share of the patch lies inside it."""
ROUNDS = 4
COVER_SPACINGS = 2.0
"""A place of the nominal is covered when a used point lies within this many point spacings."""


@dataclass(frozen=True, eq=False)
class Extracted:
    """Points of one surface feature."""

    rows: NDArray[np.int64]
    """Rows of the scene."""
    rejected: int
    coverage: float
    shape: Shape | None
    """The element of the last round."""
    margin: float
    settled: bool = False
    """Whether the last round's points are those that ``shape`` was fitted to."""
    reason: str = ""


FitRound = Callable[[NDArray[np.int64], Shape], "Shape | str"]
"""Fits an element to rows (n,) of the scene's points, starting at a shape; text when it fails."""


def extract(spec: FeatureSpec, patch: Patch, scene: Scene, nominal: Nominal, fit: FitRound) -> Extracted:
    """Return the scan points of a surface feature with an element."""
    assert spec.shape is not None
    start = as_surface(spec.shape)
    spacing = scene.spacing
    wanted = MARGIN_SPACINGS * spacing if spec.margin is None else spec.margin
    margin, interior = _margin(patch, wanted)
    corners = nominal.mesh.vertices[nominal.mesh.triangles[patch.triangles]]
    low, high = corners.min(axis=(0, 1)) - spec.search, corners.max(axis=(0, 1)) + spec.search
    rows = scene.cells.in_box(scene.points, low, high)
    speck = scene.specks[rows]
    lonely = rows[speck & (np.abs(signed_distance(start, scene.points[rows])) <= spec.search)]
    rows = rows[~speck]
    if not len(rows):
        return Extracted(rows, len(lonely), 0.0, None, margin, reason=_why_nothing(spec, scene, low, high))
    look = _Look(spec, patch, scene, nominal, rows, margin, start)
    shape: Shape = start
    chosen = look.around(start, first=True)
    settled = False
    for _ in range(ROUNDS):
        if np.count_nonzero(chosen) < 3:
            break
        found = fit(rows[chosen], shape)
        if isinstance(found, str):
            return Extracted(rows[chosen], len(lonely), 0.0, None, margin, reason=found)
        shape = found
        again = look.around(shape, first=False)
        settled = bool(np.array_equal(again, chosen))
        chosen = again
        if settled:
            break
    used = rows[chosen]
    hanging = detached(scene.points[used], signed_distance(shape, scene.points[used]), spacing)
    used, settled = used[~hanging], settled and not hanging.any()
    rejected = len(lonely) + int(hanging.sum())
    if not len(used):
        return Extracted(used, rejected, 0.0, None, margin, reason=_why_nothing(spec, scene, low, high))
    back = invert(movement(start, shape))
    coverage = covered_share(interior, move_points(back, scene.points[used]), spacing, slack=_growth(start, shape))
    return Extracted(used, rejected, coverage, shape, margin, settled)


def nearest_point(samples: Floats, points: Floats, step: float) -> Floats:
    """Return the distances (k,) from samples to the nearest point, good to ``step`` where points are many."""
    from scipy.spatial import cKDTree

    if not len(points) or not len(samples):
        return np.full(len(samples), np.inf)
    if len(points) > 20_000 and step > 0:
        key = np.floor((points - points.min(axis=0)) / step).astype(np.int64)
        shape = key.max(axis=0) + 1
        flat = (key[:, 0] * shape[1] + key[:, 1]) * shape[2] + key[:, 2]
        points = points[np.unique(flat, return_index=True)[1]]
    distances: Floats = np.asarray(cKDTree(points).query(samples)[0], dtype=np.float64)
    return distances


def covered(samples: Floats, points: Floats, reach: float) -> NDArray[np.bool_]:
    """Return which samples (k,) have a point within ``reach``."""
    return nearest_point(samples, points, reach / 3.0) <= reach


def covered_share(samples: Floats, points: Floats, spacing: float, slack: float = 0.0) -> float:
    """Return the share of samples with a point near; ``slack`` allows for a size that differs."""
    if not len(samples):
        return 0.0
    return float(covered(samples, points, COVER_SPACINGS * spacing + slack).mean())


class _Look:
    """One feature's view of the points around it."""

    def __init__(
        self,
        spec: FeatureSpec,
        patch: Patch,
        scene: Scene,
        nominal: Nominal,
        rows: NDArray[np.int64],
        margin: float,
        start: Shape,
    ) -> None:
        self._search, self._patch, self._start, self._margin = spec.search, patch, start, margin
        self._spec, self._span = spec, spec.span
        self._points = scene.points[rows]
        self._normals = None if scene.normals is None else scene.normals[rows]
        self._signed = scene.normals_signed
        self._nearest_here = (scene.triangle[rows] >= 0) & patch.triangles[scene.triangle[rows]]
        self._nearest_distance = np.abs(scene.distance[rows])
        self._other_agrees = scene.agrees[rows]
        self._surface = surface_of(patch, nominal)
        self._border = border_of_patch(patch, rounded(max(margin, 1e-3) / 3))
        self._fuzz = nominal.chord_mm + 0.02
        corners = patch.samples
        self._box = np.vstack([corners.min(axis=0), corners.max(axis=0)])

    def around(self, shape: Shape, *, first: bool) -> NDArray[np.bool_]:
        """Which of the rows lie on the patch carried along with ``shape``."""
        distance = signed_distance(shape, self._points)
        chosen = np.abs(distance) <= self._search
        # what another face explains better is not this feature's
        better = ~self._nearest_here & self._other_agrees & (self._nearest_distance < np.abs(distance))
        chosen &= ~better
        if self._normals is not None:
            outward = self._patch.outward * natural_normals(shape, self._points)
            agreement = np.sum(outward * self._normals, axis=1)
            chosen &= (agreement if self._signed else np.abs(agreement)) >= AGREEMENT
        rows = np.flatnonzero(chosen)
        if not len(rows):
            return chosen
        back = invert(movement(self._start, shape))
        places = feet(self._start, move_points(back, self._points[rows]))
        # a movement well below the margin changes nothing for points that keep the margin
        shift = np.abs(move_points(back, self._box) - self._box).max()
        moved = not first and float(shift) > 0.25 * self._margin
        ask = np.ones(len(rows), dtype=bool) if moved else ~self._nearest_here[rows]
        inside = np.ones(len(rows), dtype=bool)
        inside[ask] = self._surface.distances(places[ask]) <= self._fuzz
        inside &= ~self._border.nearer_than(places, self._margin)
        axis = direction(self._start)
        if self._span is not None and axis is not None:
            height = (places - place(self._start)) @ axis
            inside &= (height >= self._span[0]) & (height <= self._span[1])
        if self._spec.turn is not None:
            inside &= in_turn(self._spec, places)
        chosen[rows[~inside]] = False
        return chosen


def _margin(patch: Patch, wanted: float) -> tuple[float, Floats]:
    """The margin that leaves enough of the patch, and the samples inside it."""
    margin = wanted
    border = border_of_patch(patch, rounded(max(wanted / 4, patch.sample_spacing / 8, 1e-3)))
    for _ in range(6):
        inside = ~border.nearer_than(patch.samples, margin)
        if inside.mean() >= LEAST_INTERIOR:
            return margin, patch.samples[inside]
        margin /= 2.0
    return 0.0, patch.samples


def _growth(start: Shape, shape: Shape) -> float:
    """How far a change of size alone moves the surface, mm."""
    return abs(getattr(shape, "radius", 0.0) - getattr(start, "radius", 0.0))


def _why_nothing(spec: FeatureSpec, scene: Scene, low: Floats, high: Floats) -> str:
    """The reason why no point was found."""
    around = len(scene.cells.in_box(scene.points, low - 2 * spec.search, high + 2 * spec.search))
    if around == 0:
        return "not seen: the scan has no points there"
    return f"no scan points within {spec.search:g} mm of it whose surface direction agrees"
