"""Where the material ends, by counting points instead of trusting the outermost ones.

The outermost scan points stop short of an edge by an amount that depends on spacing, stripe direction and chance. But
between the border and a fixed curve further in, there are as many points as area times density, whatever their pattern;
and the density is seen still further in. So the number of points tells how much material there is, hence where it ends.

The strip beside the outline is cut into cells. In each, points are counted with a weight w(d) that is 1 near the border
and falls smoothly to 0 inside (a sharp limit there would add the scatter of a second border), and the density comes
from a second smooth window deeper inside. The border's depth b in a cell is ``W - count / (density * length)`` with
``W = integral of w(d) (1 + curvature d)``; the outline's parameters follow from all cells by least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats
from runner.measure.outline import Outline, SlotOutline, even_place

ROUNDS = 6
ENDED = 2.0
"""A cell whose points end farther in than the search, by this many standard deviations of counting, tells no edge."""
LEAST_REFERENCE = 8.0
"""A cell's density needs at least about this many points."""
OUTLIER = 4.0
"""Cells farther from the outline than this many robust standard deviations are left out (a chip, an unseen spot)."""


@dataclass(frozen=True, eq=False)
class BorderFit:
    """An edge located by counting."""

    outline: Outline
    rms: float
    """Of the cell-by-cell offsets about the fitted outline, mm: mostly the scatter of counting."""
    along: Floats
    """(c,) where the used cells stand, mm along the outline."""
    offsets: Floats
    """(c,) their offsets from the fitted outline, mm, + into the material."""
    covariance: Floats
    """(p, p) of the outline's parameters."""
    cells: int
    """All cells of the outline."""
    left_out: int
    """Cells left out as outliers."""
    raw_size: float = float("nan")
    """Size from the outermost points, mm."""
    correction: float = 0.0
    """What counting adds to it, mm."""
    ovality: float = 0.0
    """Amplitude of the second harmonic of a circle's radius, mm, its scatter taken out."""
    by_fringe: bool = False
    """Whether the fringe refined what counting found; the cells then are strips."""
    shared: float = 1.0
    """How many cells tell as much as one that shares no points with others: strips overlap."""
    outline_is_material: bool = False
    """Whether the material lies inside the outline (a disc) and not around it (a hole)."""

    thinned: float = 0.0
    """Share of the points that was found lost beside the edge, where that was corrected."""
    strips: Floats | None = None
    """(k, 3) of all strips that told: along, offset and its scatter by chance, mm."""
    unseen: NDArray[np.bool_] | None = None
    """Which of even places along the outline stand in too far, and were left out."""
    walls: float = 0.0
    """Share of the strips that were told by the wall below the edge."""
    told: float = 1.0
    """Share of the cells that told: sheet seen beside them and an edge within the search, not the end of the scan."""

    @property
    def standard(self) -> float:
        """Standard uncertainty of the outline's mean offset, mm."""
        return float(self.rms / np.sqrt(max(len(self.along) / self.shared, 1.0)))

    @property
    def size_standard(self) -> float:
        """Standard uncertainty of the size: a circle's diameter, a width; of a line its offset, mm."""
        names = self.outline.names
        row = names.index("radius") if "radius" in names else names.index("width") if "width" in names else 0
        scale = 2.0 if names[row] == "radius" else 1.0
        return scale * float(np.sqrt(max(self.covariance[row, row], 0.0)))

    @property
    def widest_gap(self) -> float:
        """The largest part of the turn without evidence, rad."""
        if not len(self.along):
            return float(2 * np.pi)
        places = np.sort(self.along)
        gaps = np.diff(np.concatenate([places, [places[0] + self.outline.length]]))
        return float(gaps.max() / self.outline.length * 2 * np.pi)


@dataclass(frozen=True)
class Windows:
    """Depths, mm, between which points are weighed."""

    outside: float
    """Points up to this far beyond the border are counted."""
    full: float
    """Weight 1 to this depth,"""
    end: float
    """0 from this depth; the density's weight rises between the two,"""
    deep: float
    """is 1 to this depth,"""
    last: float
    """and 0 from this."""

    def near(self, depth: Floats) -> Floats:
        """Weight of points that locate the border."""
        return np.where(depth >= -self.outside, 1.0 - _rise(depth, self.full, self.end), 0.0)

    def reference(self, depth: Floats) -> Floats:
        """Weight of points that give the density."""
        return _rise(depth, self.full, self.end) - _rise(depth, self.deep, self.last)

    def areas(self, curvature: Floats) -> tuple[Floats, Floats]:
        """Integrals of both weights times (1 + curvature d), (c,), per mm of border."""
        steps = (np.arange(4000, dtype=np.float64) + 0.5) * (self.last / 4000)
        wide = self.last / 4000
        near, reference = self.near(steps), self.reference(steps)
        return (
            wide * (near.sum() + curvature * float((near * steps).sum())),
            wide * (reference.sum() + curvature * float((reference * steps).sum())),
        )


def _rise(depth: Floats, start: float, end: float) -> Floats:
    """0 below start, 1 above end, smooth between."""
    t = np.clip((depth - start) / max(end - start, 1e-12), 0.0, 1.0)
    return t * t * t * (t * (6.0 * t - 15.0) + 10.0)


def windows_for(spacing: float, room: float, search: float) -> Windows:
    """Return windows that fit into ``room`` mm of material, for points about ``spacing`` mm apart.

    ``search``: how far the border may still be from the outline.
    """
    full = search + 1.0 * spacing
    end = full + 3.0 * spacing
    last = min(max(end + 9.0 * spacing, 2.5 * end), room)
    if last < end + 3.0 * spacing:
        # narrow material: squeeze everything in proportion
        full, end = 0.35 * last, 0.65 * last
    deep = max(end, last - 2.5 * spacing)
    return Windows(search + 2.0 * spacing, full, end, deep, last)


def fit_border(
    outline: Outline,
    points: Floats,
    weights: Floats,
    spacing: float,
    room: Floats,
    search: float,
    *,
    anywhere: bool = False,
) -> BorderFit | str:
    """Fit an outline to the border of the material.

    Where the points end farther inside than ``search``, the end of the scan can't be told from an edge: such cells and
    their neighbours don't count, unless ``anywhere`` (to say where it lies, not to measure it).

    Parameters
    ----------
    outline : where the border is expected.
    points : (n, 2) points of the sheet around it, mm.
    weights : (n,) 1 for a point of the sheet, -1 for one that stands for a wall point counted by mistake.
    spacing : root of the area per point, mm.
    room : (c,) depth of material at even places along the outline, mm; sets which cells can be used.
    search : how far the border may lie from the outline, mm.
    anywhere : whether cells count whose points end farther in than the search.

    Returns
    -------
    The fit, or the reason why there is none.
    """
    count = cell_count(outline, spacing)
    room_of_cell = _per_cell(room, count)
    reach = search
    least_room = 3.5 * spacing
    good_room = room_of_cell >= least_room
    if good_room.sum() < max(3, len(outline.names)):
        return f"the material beside the edge is too narrow for points {spacing:.2g} mm apart"
    state: tuple[Outline, Floats, Floats, Floats, int] | None = None
    expected = outline
    ended = np.zeros(count, dtype=bool)
    told_share = 1.0
    for turn in range(ROUNDS):
        usual = float(np.quantile(room_of_cell[good_room], 0.25))
        windows = windows_for(spacing, usual, reach)
        cells = good_room & (room_of_cell >= windows.last - 1e-9)
        grid = cells_of(outline, count)
        made = _one_round(outline, grid, points, weights, windows, cells)
        if isinstance(made, str):
            return made
        good, depth, spread = made
        if not anywhere:
            away = expected.locate(outline.at(grid.middle[good]).points).depth
            ended[np.flatnonzero(good)[np.nan_to_num(away) + depth > search + ENDED * spread]] = True
            told = ~_with_neighbours(ended, outline.closed)[good]
            good[good] = told
            depth, spread = depth[told], spread[told]
            if good.sum() < len(outline.names):
                return "the edge itself was not seen"
        if not turn:
            told_share = float(good.sum() / max(cells.sum(), 1))
        along, rows = grid.middle[good], grid.rows[good]
        kept, step, covariance = solve_outline(rows, depth, spread)
        if step is None or covariance is None:
            return "the cells that were seen don't determine the outline"
        rest = depth - rows @ step
        outline = outline.changed(step)
        left_out = int(np.count_nonzero(~kept))
        state = (outline, along[kept], rest[kept], covariance, left_out)
        if not plausible(outline):
            return "the border found is not of this kind"
        moved = float(np.abs(rows @ step).max())
        reach = (
            0.5 * spacing if turn else max(0.5 * spacing, min(search, 3 * float(np.std(rest[kept])) + 0.5 * spacing))
        )
        if moved < 1e-4 * spacing and turn >= 2:
            break
    assert state is not None
    outline, along, rest, covariance, left_out = state
    return BorderFit(
        outline=outline,
        rms=float(np.sqrt(np.mean(rest**2))),
        along=along,
        offsets=rest,
        covariance=covariance,
        cells=count,
        left_out=left_out,
        told=told_share,
    )


def _with_neighbours(cells: NDArray[np.bool_], closed: bool) -> NDArray[np.bool_]:
    """Cells (c,) and the ones beside them: the end of the scan cuts through those."""
    before, after = np.roll(cells, 1), np.roll(cells, -1)
    if not closed:
        before[0], after[-1] = False, False
    found: NDArray[np.bool_] = cells | before | after
    return found


def cell_count(outline: Outline, spacing: float) -> int:
    """Return into how many cells an outline is cut."""
    return int(np.clip(outline.length / (6.0 * spacing), 8, 48))


def plausible(outline: Outline) -> bool:
    """Whether an outline is still of its kind: a slot, say, longer than wide."""
    if isinstance(outline, SlotOutline) and outline.round_ends and not outline.overall > outline.width:
        return False
    return bool(np.isfinite(outline.length) and outline.length > 0)


def _per_cell(room: Floats, count: int) -> Floats:
    """Least room within each cell."""
    cell = (np.arange(len(room)) * count) // len(room)
    least = np.full(count, np.inf)
    np.minimum.at(least, cell, room)
    return np.where(np.isfinite(least), least, 0.0)


def _one_round(
    outline: Outline, grid: Cells, points: Floats, weights: Floats, windows: Windows, usable: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], Floats, Floats] | str:
    """Which cells (c,) tell, and of these the border's depth and its standard deviation."""
    count = len(grid.middle)
    located = outline.locate(points)
    inside = np.isfinite(located.along) & (located.depth >= -windows.outside) & (located.depth < windows.last)
    size = outline.length / count
    cell = even_place(located.along[inside], outline.length, count)
    depth, weight = located.depth[inside], weights[inside]
    near = np.bincount(cell, weights=weight * windows.near(depth), minlength=count)
    reference = np.bincount(cell, weights=np.where(weight > 0, windows.reference(depth), 0.0), minlength=count)
    area_near, area_reference = windows.areas(grid.curvature)
    length = grid.length
    usable = usable & (length > 0.5 * size)
    density = _density(np.asarray(reference, dtype=np.float64), area_reference * length, usable, outline.closed)
    good = usable & (density > 0)
    if good.sum() < len(outline.names):
        return "the sheet beside the edge was not seen"
    border = area_near - near / np.where(good, density * length, 1.0)
    # where hardly a point stands, nothing was seen: that is not a border far inside
    empty = near < 0.15 * density * length * area_near
    good &= ~empty
    if good.sum() < len(outline.names):
        return "the edge itself was not seen"
    # the scatter expected of a random pattern; from the expected and not the found number, or cells that happen to hold
    # few points would weigh more and push the border inwards
    spread = np.sqrt(area_near / np.where(good, density * length, 1.0))
    return good, border[good], spread[good]


@dataclass(frozen=True, eq=False)
class Cells:
    """The cells of an outline: means over each, since a cell may reach from a straight side into a round end."""

    middle: Floats
    """(c,) mm along."""
    length: Floats
    """(c,) mm of border that counts (all of it, but for corners)."""
    curvature: Floats
    rows: Floats
    """(c, p)."""


def cells_of(outline: Outline, count: int) -> Cells:
    """Return the cells of an outline."""
    fine = 24
    size = outline.length / count
    along = (np.arange(count * fine, dtype=np.float64) + 0.5) * (size / fine)
    places = outline.at(along)
    usable = getattr(outline, "usable", None)
    kept = np.ones(len(along)) if usable is None else usable(along).astype(np.float64)
    share = kept.reshape(count, fine).sum(axis=1)
    weight = np.where(share > 0, share, 1.0)
    curvature = (kept * places.curvature).reshape(count, fine).sum(axis=1) / weight
    rows = (kept[:, None] * places.rows).reshape(count, fine, -1).sum(axis=1) / weight[:, None]
    return Cells((np.arange(count, dtype=np.float64) + 0.5) * size, share / fine * size, curvature, rows)


def _density(reference: Floats, area: Floats, usable: NDArray[np.bool_], closed: bool) -> Floats:
    """Points per mm^2 beside each cell: of the cell and its neighbours, 0 where the sheet was not seen."""
    count = len(reference)
    total = np.where(usable, reference, 0.0)
    room = np.where(usable, area, 0.0)
    own = np.where(room > 0, total / np.where(room > 0, room, 1.0), 0.0)
    typical = float(np.median(own[usable])) if usable.any() else 0.0
    seen = usable & (own > 0.3 * typical) & (reference > LEAST_REFERENCE / 4)
    # a cell beside an unseen one was probably seen in part only: its points would pass for a border further in
    unseen = usable & ~seen
    beside = np.roll(unseen, 1) | np.roll(unseen, -1)
    if not closed:
        beside[0], beside[-1] = unseen[min(1, count - 1)], unseen[max(-2, -count)]
    seen &= ~beside
    total, room = np.where(seen, total, 0.0), np.where(seen, room, 0.0)
    reach = max(1, count // 8)
    sums, rooms = total.copy(), room.copy()
    for shift in range(1, reach + 1):
        for way in (shift, -shift):
            moved_total, moved_room = np.roll(total, way), np.roll(room, way)
            if not closed:
                edge = slice(0, way) if way > 0 else slice(way, None)
                moved_total[edge], moved_room[edge] = 0.0, 0.0
            sums, rooms = sums + moved_total, rooms + moved_room
    smooth = np.where(rooms > 0, sums / np.where(rooms > 0, rooms, 1.0), 0.0)
    enough = sums >= LEAST_REFERENCE
    return np.where(seen & enough, smooth, 0.0)


def solve_outline(
    rows: Floats, depth: Floats, spread: Floats, outlier: float = OUTLIER
) -> tuple[NDArray[np.bool_], Floats | None, Floats | None]:
    """Weighted least squares with cells far off left out: kept (c,), step (p,), covariance (p, p)."""
    floor = float(np.median(spread))
    weight = 1.0 / np.maximum(spread, floor)
    if not _determined(rows):
        return np.ones(len(depth), dtype=bool), None, None
    # first by least absolute deviations, which a few bad cells can't pull; only then is it decided which are bad
    rest = depth - np.median(depth)
    for _ in range(12):
        pull = weight / np.sqrt(np.maximum(np.abs(rest), 0.1 * floor))
        robust = np.asarray(np.linalg.lstsq(rows * pull[:, None], depth * pull, rcond=None)[0], dtype=np.float64)
        rest = depth - rows @ robust
    scale = 1.4826 * float(np.median(np.abs(rest)))
    kept: NDArray[np.bool_] = np.abs(rest) <= outlier * max(scale, 0.5 * floor)
    # losing more than a third of the cells means the outline is wrong, not the cells
    if kept.sum() < 0.67 * len(depth) or not _determined(rows[kept]):
        kept = np.ones(len(depth), dtype=bool)
    a, b = rows[kept] * weight[kept, None], depth[kept] * weight[kept]
    step = np.asarray(np.linalg.lstsq(a, b, rcond=None)[0], dtype=np.float64)
    rest = depth[kept] - rows[kept] @ step
    freedom = max(int(kept.sum()) - rows.shape[1], 1)
    variance = float(np.sum((weight[kept] * rest) ** 2)) / freedom
    covariance: Floats = np.linalg.inv(a.T @ a) * max(variance, 0.05)
    return kept, step, covariance


def _determined(rows: Floats) -> bool:
    """Whether the cells (c, p) hold every parameter."""
    return len(rows) >= rows.shape[1] and bool(np.linalg.matrix_rank(rows, tol=1e-9) == rows.shape[1])
