"""The final pose: refined on raw points that lie near the nominal and not on a table, with its own evidence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from runner.align.contest import Evidence
from runner.align.ends import choose_end
from runner.align.lay import Case, lay_best, sharpen
from runner.align.planes import Plane
from runner.align.prepare import PreparedScan
from runner.align.refine import Refined, between, either_side, refine_pose
from runner.align.settle import CONVEX, MOST_POINTS, Settled, quiet_limit, settle_pose
from runner.align.types import AlignSettings
from runner.align.verdict import lies_close
from runner.align.weights import area_weights
from runner.geometry.blocks import side_by_side
from runner.geometry.frames import move_points
from runner.geometry.mesh import Floats, ScanGeometry
from runner.geometry.neighbours import Neighbours

_MOST_WANDER = 0.25
"""Fits started to either side along the weakest direction must end this close, mm at half a diagonal (or within
the scan's own noise)."""
_QUIET_MM = 0.2
"""Of a scan that scatters more, the last stage's word is not taken against the wide one's that it wanders."""

_SCATTER_POINTS = 20_000
_SCATTER_FEWEST = 50
_MEDIAN_OF_DIFFERENCE = 0.6744897501960817 * 2.0**0.5
"""Median of the size of a difference of two normal values of standard deviation 1."""


def final_pose(
    scan: ScanGeometry,
    normals: Floats,
    signed: NDArray[np.bool_],
    case: Case,
    champion: Evidence,
    settings: AlignSettings,
) -> Refined:
    """Refine on raw points that lie near the nominal and not on a table."""
    search, prepared, pose = case.model.search, case.scan, champion.pose
    loose = not lies_close(case, champion) or not prepared.signed.all()
    if loose and not champion.laid:
        pose = lay_best(case, pose)
    usable = np.flatnonzero(np.einsum("ij,ij->i", normals, normals) > 0.5)
    if len(usable) > MOST_POINTS:
        usable = np.sort(np.random.default_rng(3).choice(usable, MOST_POINTS, replace=False))
    points, chosen_normals, known = scan.points[usable], normals[usable], signed[usable]
    rows = _carrying(case, pose, champion.tables, points, chosen_normals, known)
    turned, told = sign_from_thinned(points[rows], chosen_normals[rows], known[rows], prepared)
    free = None
    if len(case.model.symmetry.axis) == 1:
        point, axis = case.model.symmetry.axis_point[0], case.model.symmetry.axis[0]
        free = np.concatenate([axis, np.cross(axis, search.centre - point) / (0.5 * search.diagonal)])
        free /= np.linalg.norm(free)
    refined, weight = side_by_side(
        lambda: refine_pose(
            case.bins, pose, points[rows], turned, told, search.centre, search.diagonal,
            settings.expected_form_error, settings.fit_reach, prepared.noise, free,
        ),
        lambda: area_weights(points[rows]),
    )  # fmt: skip
    reach = 1.2 * settings.expected_form_error + 3.0 * prepared.noise
    limit = max(min(settings.fit_reach, reach), 0.05)
    half = 0.5 * search.diagonal

    def settle(start: Floats) -> Settled | None:
        # by the scan's own signs: one taken over from a thinned neighbour may be the other face's on thin sheet
        return settle_pose(
            case.nominal, case.index, start, points[rows], chosen_normals[rows], known[rows], search.centre, half,
            limit, prepared.noise, free, weight,
        )  # fmt: skip

    settled, ends_apart = settle(refined.nominal_from_scan), 0.0
    if settled is not None and settled.limit > quiet_limit(prepared.noise):
        # of a part out of shape it matters which points take part, and where the fit starts
        evened = sharpen(replace(case, bent=True), [settled.nominal_from_scan])[0]
        rows = _carrying(case, evened, champion.tables, points, chosen_normals, known)
        weight = area_weights(points[rows])
        bound = CONVEX * settled.limit
        chosen = choose_end(
            settled, settle(evened), lambda p: loss_at(case, p, points[rows], weight, bound), search.centre, half,
            free, most_wander(prepared),
        )  # fmt: skip
        settled, ends_apart = chosen.best, chosen.apart
    if settled is None:
        return replace(refined, scatter=scatter_at(case, refined.nominal_from_scan, points[rows]))
    apart = refined.settled
    if apart > most_wander(prepared) and prepared.noise < _QUIET_MM:
        # the wide stage may wander where the last one, on all points, is held
        starts = either_side(settled.nominal_from_scan, refined.weakest, search.centre, half, reach)
        ends = [end for end in map(settle, starts) if end is not None]
        if len(ends) == 2:
            apart = between(ends[0].nominal_from_scan, ends[1].nominal_from_scan, search.centre, half, free)
    return replace(
        refined,
        settled=apart,
        ends_apart=ends_apart,
        nominal_from_scan=settled.nominal_from_scan,
        covariance=settled.covariance,
        rms=settled.rms,
        points=settled.points,
        limit=settled.limit,
        last_step=settled.last_step,
        scatter=scatter_at(case, settled.nominal_from_scan, points[rows]),
    )


def loss_at(case: Case, pose: Floats, points: Floats, weight: Floats, bound: float) -> float:
    """Return what a pose leaves of raw points (n, 3): the mean of Tukey's loss, 1 from the bound on."""
    near = case.index.closest(move_points(pose, points), bound)
    share = np.where(near.found, np.minimum(np.abs(near.distance) / bound, 1.0), 1.0)
    return float(weight @ (1.0 - (1.0 - share**2) ** 3) / weight.sum())


def scatter_at(case: Case, pose: Floats, points: Floats) -> float:
    """Return the scatter, mm, of raw points (n, 3) about the surface: of the heights of neighbours over the nominal.

    Neighbours are those whose feet on the nominal are. Among points that lie closer together than they scatter, the
    nearest in space are those of like height, and no local plane shows how much there is (half of it in a study).
    """
    near = case.index.closest(move_points(pose, points[:: max(1, len(points) // _SCATTER_POINTS)]), 4.0 * case.tau)
    good = near.found & ~near.on_border
    if np.count_nonzero(good) < _SCATTER_FEWEST:
        return 0.0
    height, face = near.distance[good], near.face[good]
    other = Neighbours(near.point[good]).of(near.point[good], 2)[1][:, 1]
    difference = np.abs(height - height[other])[face == face[other]]
    return float(np.median(difference) / _MEDIAN_OF_DIFFERENCE) if len(difference) >= _SCATTER_FEWEST else 0.0


def _carrying(
    case: Case,
    pose: Floats,
    tables: tuple[Plane, ...],
    points: Floats,
    normals: Floats,
    signed: NDArray[np.bool_],
) -> NDArray[np.intp]:
    """Which of the raw points (n, 3) a pose is refined on: those near the nominal and not on a table."""
    near = case.index.closest(move_points(pose, points), 4.0 * case.tau)
    keep = (near.triangle >= 0) & (np.abs(near.distance) <= 4.0 * case.tau)
    for table in (*case.scan.tables, *tables):
        on_table = table.holds(points, normals, signed, 1.5 * table.thickness)
        # without signs a face flush with the table is the part's as far as the nominal has it
        keep &= ~on_table | (~signed & keep & ~near.on_border & (np.abs(near.distance) <= case.tau))
    return np.flatnonzero(keep)


def most_wander(scan: PreparedScan) -> float:
    """How far apart, mm, fits from either side may end for a scan that holds the part."""
    return max(_MOST_WANDER, scan.noise)


def sign_from_thinned(
    points: Floats, normals: Floats, signed: NDArray[np.bool_], prepared: PreparedScan
) -> tuple[Floats, NDArray[np.bool_]]:
    """Give raw unsigned normals the sign of the nearest thinned place, where that is known."""
    if signed.all() or not len(points) or not prepared.signed.any():
        return normals, signed
    known = np.flatnonzero(prepared.signed)
    unsure = np.flatnonzero(~signed)
    gap, nearest = Neighbours(prepared.points[known]).of(points[unsure], 1, 2.0 * prepared.spacing)
    close = np.flatnonzero(np.isfinite(gap[:, 0]))
    unsure, nearest = unsure[close], known[nearest[close, 0]]
    cosine = np.einsum("ij,ij->i", normals[unsure], prepared.normals[nearest])
    sure = np.abs(cosine) > 0.7
    normals, signed = normals.copy(), signed.copy()
    signed[unsure[sure]] = True
    normals[unsure[sure & (cosine < 0)]] *= -1.0
    return normals, signed
