"""Align one scan to its nominal: from any pose to a proven one, or to an honest refusal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from runner.align.candidates import find_candidates
from runner.align.clean import label_points
from runner.align.contest import Evidence, disagreement, gather_evidence
from runner.align.hints import WHOLE_SEARCH, has_up, is_rough, rotations_to_try, rotations_with_up, starts_around
from runner.align.icp import coarse_to_fine
from runner.align.model import AlignmentModel
from runner.align.planes import Plane, move_plane
from runner.align.prepare import PreparedScan, prepare_scan, scan_normals
from runner.align.refine import Refined, between, either_side, refine_pose
from runner.align.settle import MOST_POINTS, Settled, quiet_limit, settle_pose
from runner.align.several import parts_in, parts_text, unfold
from runner.align.symmetry import pose_distance, same_pose
from runner.align.types import CLUTTER, KEPT, SPECK, TABLE, Alignment, AlignSettings
from runner.align.verdict import LEAST_COVERAGE, MOST_SPILL, Case, Judgement, judge, lay_best, prefer, sharpen
from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import check_rigid, move_points, rigid, turn_vectors
from runner.geometry.mesh import Floats, Nominal, ScanGeometry
from runner.records import PoseStatus

Progress = Callable[[str, float], None]
_FEWEST = 200
_UNITS = (
    (25.4, "inches"),
    (1000.0, "metres"),
    (10.0, "centimetres"),
    (304.8, "feet"),
    (1 / 25.4, "millimetres, read as inches"),
    (1 / 1000.0, "millimetres, read as metres"),
)
_MOST_WANDER = 0.25
"""Fits started to either side along the weakest direction must end this close, mm at half a diagonal (or within
the scan's own noise)."""
_MOST_LAST_STEP = 0.001
_STILL_NOISE = 0.02
"""The last step may be so many mm, or this part of the scan's noise; a fit that moves on has not converged."""
_QUIET_MM = 0.2
"""Of a scan that scatters more, the last stage's word is not taken against the wide one's that it wanders."""
_LOUD_MM = 0.5
"""No scan that scatters less is too coarse to be aligned, whatever form error the recipe expects."""
_LOUD_SHARE = 0.5
"""Scatter over expected form error from which a pose is not believed. Set on one real scan (0.66), not validated."""
_CLOSE = 8.0
"""Nearly all points of a pose that is settled lie within so many times the noise."""
_FARTHEST = 4.0
"""The last stage may move a pose by so many times the expected form error (or 1 % of the diagonal), and no farther."""
_ONE_PLANE = 0.95
"""A refused scan of which one plane holds this share is of a table (strays and the table's rim are the rest)."""
_LEAST_HOLD = 1e-3
"""Below this a direction counts as weakly held (least eigenvalue of the balanced Hessian)."""


def align(
    scan: ScanGeometry,
    nominal: Nominal,
    index: SurfaceIndex,
    model: AlignmentModel,
    settings: AlignSettings,
    progress: Progress | None = None,
) -> Alignment:
    """Find the pose of a scan, prove it, refine it, and label every scan point.

    Parameters
    ----------
    scan
        Mesh, or cloud with or without normals, mm, in its own frame.
    nominal, index, model
        The design geometry, its exact index over all triangles, and what ``prepare_model`` made.
    settings
        See ``AlignSettings``.
    progress
        Called with a word for the step and the share done, 0 to 1.

    Returns
    -------
    Alignment
        ``aligned``, ``ambiguous`` or ``not aligned``; never an exception for a scan that can't be aligned.
    """
    say = progress or _silent
    say("preparing", 0.0)
    normals, signed = scan_normals(scan)
    search = model.search
    prepared = prepare_scan(scan.points, normals, signed, search.diagonal)
    evidence: dict[str, float | str] = {"symmetry": model.symmetry.text, "scan noise": prepared.noise}
    if len(prepared.points) < _FEWEST:
        return _refuse(
            f"only {len(prepared.points)} usable places are left after thinning at {prepared.spacing:.2f} mm"
            + _size_hint(prepared, search.diagonal),
            "Check the unit of the file and scan again.", evidence,
        )  # fmt: skip
    if not prepared.signed.all():
        from runner.align.orient import orient

        oriented, known = orient(prepared)
        prepared = replace(prepared, normals=oriented, signed=known)
        evidence["normals oriented"] = float(np.mean(known))
    tau = settings.expected_form_error + 0.2 + 2.5 * prepared.noise
    case = Case(prepared, nominal, index, model.bins(nominal), model, tau)
    if settings.start == "as scanned":
        return _as_scanned(scan, normals, signed, case, settings, evidence)
    judgement = None
    if settings.start_pose is not None:
        say("start pose", 0.1)
        judgement = _from_start_pose(case, check_rigid(settings.start_pose, 1e-6), evidence)
    if judgement is None and settings.up:
        say("searching", 0.1)
        judgement = _from_sides(case, settings.up, evidence)
    if judgement is None:
        say("searching", 0.1)
        judgement = judge(case, search_poses(case))
    judgement = _settle_by_hints(case, judgement, settings, evidence)
    _note(evidence, judgement)
    if judgement.failed_gates:
        say("refusing", 0.6)
        return _explain_failure(case, judgement, evidence, settings, scan, normals, signed)
    say("refining", 0.6)
    refined = _final_pose(scan, normals, signed, case, judgement.champion, settings)
    say("cleaning", 0.8)
    status, reason, advice, rivals = _status(case, judgement, refined, settings, evidence)
    if refined.hold < _LEAST_HOLD:
        evidence["weakly held"] = _slide_text(refined)
    evidence |= {
        "rms": refined.rms, "fit points": float(refined.points), "fit limit": refined.limit,
        "last step": refined.last_step,
        "settled": refined.settled, "hold": refined.hold,
    }  # fmt: skip
    return _finish(
        scan, normals, signed, case, refined.nominal_from_scan, settings, status, reason, advice, evidence, rivals,
        refined.covariance, judgement.champion.tables,
    )  # fmt: skip


def search_poses(case: Case, mirror: bool = False, among: NDArray[np.bool_] | None = None) -> list[Floats]:
    """Return refined candidate poses (4, 4) from the whole search, best first; or from one among some rotations."""
    scan = case.scan
    arrays = (scan.points, scan.normals, scan.signed)
    count = WHOLE_SEARCH if among is None else rotations_to_try(among)
    rotations, translations = find_candidates(case.model.search, *arrays, count, mirror=mirror, among=among)
    if not mirror:
        rotations, translations = unfold(case.model.search, rotations, translations, scan.points)
    rotations, translations, score = coarse_to_fine(case.model.search, rotations, translations, *arrays, case.tau)
    if not len(score):
        # of a scan many times the part's size no candidate stands; one pose is judged, so that a reason can be given
        return [rigid(np.eye(3), case.model.search.centre - scan.points.mean(axis=0))]
    good = score >= 0.75 * score.max()
    return sharpen(case, [rigid(r, t) for r, t in zip(rotations[good], translations[good], strict=True)])


def _from_start_pose(case: Case, pose: Floats, evidence: dict[str, float | str]) -> Judgement | None:
    """Judge what a rough pose leads to; None where the scan does not confirm it."""
    scan, search = case.scan, case.model.search
    starts = starts_around(pose, search.centre)
    rotations, translations, _ = coarse_to_fine(search, *starts, scan.points, scan.normals, scan.signed, case.tau)
    hinted = sharpen(case, [rigid(rotations[0], translations[0])])
    judgement = judge(case, hinted)
    # a hint whose rival wins is no hint
    stands = same_pose(judgement.champion.pose, hinted[0], case.model.symmetry, search)
    if judgement.failed_gates or judgement.rivals or not stands:
        evidence["start pose"] = "not confirmed by the scan; the whole search was made"
        return None
    evidence["start pose"] = "confirmed"
    return judgement


def _from_sides(case: Case, up: tuple[Floats, ...], evidence: dict[str, float | str]) -> Judgement | None:
    """Judge what a search among the allowed sides leads to; None where there is no table, or it leads to nothing."""
    if not case.scan.tables:
        evidence["side up"] = "not used: no table was found in the scan"
        return None
    judgement = judge(case, search_poses(case, among=rotations_with_up(up, case.scan.tables)))
    stands = has_up(judgement.champion.pose, up, case.scan.tables, case.model.symmetry)
    mirrored = judgement.mirrored is not None and judgement.mirrored[1].second > judgement.mirrored[1].first
    if judgement.failed_gates or not stands or mirrored:
        evidence["side up"] = "not confirmed by the scan; the whole search was made"
        return None
    evidence["side up"] = "confirmed"
    return judgement


def _settle_by_hints(
    case: Case, judgement: Judgement, settings: AlignSettings, evidence: dict[str, float | str]
) -> Judgement:
    """Let the recipe's hints decide what the scan leaves open, and say so."""
    if not judgement.rivals or judgement.failed_gates or len(parts_in(case, judgement)) > 1:
        return judgement
    up, tables, search = settings.up, case.scan.tables, case.model.search
    if up and tables:
        settled = prefer(case, judgement, lambda e: has_up(e.pose, up, tables, case.model.symmetry))
        if settled is not judgement:
            evidence["side up"] = (
                f"decided between {len(judgement.rivals) + 1} poses that the scan does not tell apart"
                f" ({len(settled.rivals) + 1} left)"
            )
            judgement = settled
    stated = settings.start_pose
    if stated is not None and judgement.rivals:
        first = judgement.champion.pose
        alike = all(
            disagreement(a, b, search, case.bins, 0.3) is None
            for other, _ in judgement.rivals
            for a, b in ((first, other.pose), (other.pose, first))
        )
        # where a scan could tell the poses apart it must; where no surface differs, the rough pose is all there is
        settled = prefer(case, judgement, lambda e: is_rough(e.pose, stated)) if alike else judgement
        if settled is not judgement:
            evidence["start pose"] = f"decided between {len(judgement.rivals) + 1} poses that no scan tells apart"
            judgement = settled
    return judgement


def _final_pose(
    scan: ScanGeometry,
    normals: Floats,
    signed: NDArray[np.bool_],
    case: Case,
    champion: Evidence,
    settings: AlignSettings,
) -> Refined:
    """Refine on raw points that lie near the nominal and not on a table."""
    search, prepared, pose = case.model.search, case.scan, champion.pose
    if champion.spread > _CLOSE * max(prepared.noise, 0.01):
        pose = lay_best(case, pose)
    usable = np.flatnonzero(np.einsum("ij,ij->i", normals, normals) > 0.5)
    if len(usable) > MOST_POINTS:
        usable = np.sort(np.random.default_rng(3).choice(usable, MOST_POINTS, replace=False))
    points, chosen_normals, known = scan.points[usable], normals[usable], signed[usable]
    rows = _carrying(case, pose, champion.tables, points, chosen_normals, known)
    turned, told = _sign_from_thinned(points[rows], chosen_normals[rows], known[rows], prepared)
    free = None
    if len(case.model.symmetry.axis) == 1:
        point, axis = case.model.symmetry.axis_point[0], case.model.symmetry.axis[0]
        free = np.concatenate([axis, np.cross(axis, search.centre - point) / (0.5 * search.diagonal)])
        free /= np.linalg.norm(free)
    refined = refine_pose(
        case.bins, pose, points[rows], turned, told, search.centre, search.diagonal,
        settings.expected_form_error, settings.fit_reach, prepared.noise, free,
    )  # fmt: skip
    reach = 1.2 * settings.expected_form_error + 3.0 * prepared.noise
    limit = max(min(settings.fit_reach, reach), 0.05)
    half = 0.5 * search.diagonal

    def settle(start: Floats) -> Settled | None:
        # by the scan's own signs: one taken over from a thinned neighbour may be the other face's on thin sheet
        return settle_pose(
            case.nominal, case.index, start, points[rows], chosen_normals[rows], known[rows], search.centre, half,
            limit, prepared.noise, free,
        )  # fmt: skip

    settled = settle(refined.nominal_from_scan)
    if settled is not None and settled.limit > quiet_limit(prepared.noise):
        # of a part out of shape it matters which points take part: they are chosen anew where the first ones led
        rows = _carrying(case, settled.nominal_from_scan, champion.tables, points, chosen_normals, known)
        settled = settle(settled.nominal_from_scan) or settled
    if settled is None:
        return refined
    apart = refined.settled
    if apart > _most_wander(prepared) and prepared.noise < _QUIET_MM:
        # the wide stage may wander where the last one, on all points, is held
        starts = either_side(settled.nominal_from_scan, refined.weakest, search.centre, half, reach)
        ends = [end for end in map(settle, starts) if end is not None]
        if len(ends) == 2:
            apart = between(ends[0].nominal_from_scan, ends[1].nominal_from_scan, search.centre, half, free)
    return replace(
        refined,
        settled=apart,
        nominal_from_scan=settled.nominal_from_scan,
        covariance=settled.covariance,
        rms=settled.rms,
        points=settled.points,
        limit=settled.limit,
        last_step=settled.last_step,
    )


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


def _most_wander(scan: PreparedScan) -> float:
    return max(_MOST_WANDER, scan.noise)


def _sign_from_thinned(
    points: Floats, normals: Floats, signed: NDArray[np.bool_], prepared: PreparedScan
) -> tuple[Floats, NDArray[np.bool_]]:
    """Give raw unsigned normals the sign of the nearest thinned place, where that is known."""
    if signed.all() or not len(points) or not prepared.signed.any():
        return normals, signed
    from scipy.spatial import cKDTree

    known = np.flatnonzero(prepared.signed)
    unsure = np.flatnonzero(~signed)
    gap, nearest = cKDTree(prepared.points[known]).query(
        points[unsure], workers=2, distance_upper_bound=2.0 * prepared.spacing
    )
    close = np.flatnonzero(np.isfinite(gap))
    unsure, nearest = unsure[close], known[np.asarray(nearest)[close]]
    cosine = np.einsum("ij,ij->i", normals[unsure], prepared.normals[nearest])
    sure = np.abs(cosine) > 0.7
    normals, signed = normals.copy(), signed.copy()
    signed[unsure[sure]] = True
    normals[unsure[sure & (cosine < 0)]] *= -1.0
    return normals, signed


def _note(evidence: dict[str, float | str], judgement: Judgement) -> None:
    best = judgement.champion
    evidence |= {
        "inliers": best.inliers,
        "near share": best.near,
        "inside share": best.inside,
        "spill": best.spill,
        "coverage": best.coverage,
    }


def _status(
    case: Case, judgement: Judgement, refined: Refined, settings: AlignSettings, evidence: dict[str, float | str]
) -> tuple[PoseStatus, str, str, tuple[Floats, ...]]:
    """Decide between aligned and ambiguous, with words for the operator."""
    search, bins = case.model.search, case.bins
    champion = judgement.champion
    if judgement.mirrored is not None:
        other, contest = judgement.mirrored
        place = disagreement(champion.pose, other.pose, search, bins, min(case.tau, 0.5))
        if contest.second > contest.first and contest.second - contest.first >= max(
            6.0, 2.0 * np.sqrt(contest.first + contest.second)
        ):
            return (
                PoseStatus.NOT_ALIGNED,
                f"the mirror image of the nominal fits better: wrong hand, or a feature misplaced{_near(place)}",
                "Check the part number and hand of the part, and the features named.", (),
            )  # fmt: skip
    parts = parts_in(case, judgement)
    if len(parts) > 1:
        words = parts_text(parts, search.centre)
        return PoseStatus.AMBIGUOUS, words, "Scan one part at a time.", tuple(part.pose for part in parts[1:])
    if judgement.rivals:
        other, contest = judgement.rivals[0]
        place = disagreement(champion.pose, other.pose, search, bins, 0.3)
        back = disagreement(other.pose, champion.pose, search, bins, 0.3)
        if place is not None and back is not None and np.linalg.norm(place - back) < 1.0:
            back = None
        evidence["contest"] = f"{contest.first} places against {contest.second}"
        distance = pose_distance(champion.pose, other.pose, case.model.symmetry, search)
        return (
            PoseStatus.AMBIGUOUS,
            f"{len(judgement.rivals) + 1} poses, up to {distance:.1f} mm apart, explain the scan equally well; "
            f"they differ{_near(place) or ' nowhere on the surface by more than 0.3 mm'}{_near(back, ' and')}",
            "Scan again so that this place is seen well."
            if place is not None
            else "State the rough pose in the recipe (alignment: hints).",
            tuple(e.pose for e, _ in judgement.rivals),
        )  # fmt: skip
    if judgement.mirrored is not None:
        # the surfaces seen are the same on either hand, and so is their pose: nothing measured on them is wrong
        other, contest = judgement.mirrored
        place = disagreement(champion.pose, other.pose, search, bins, 0.3)
        words = f"part and mirror image differ{_near(place) or ' hardly'}, and the scan does not show it clearly"
        if contest.second > contest.first:
            return PoseStatus.AMBIGUOUS, words, "Scan again so that this place is seen well.", ()
        evidence["hand"] = f"not proven: {words}"
    if case.scan.noise > max(_LOUD_MM, _LOUD_SHARE * settings.expected_form_error):
        return (
            PoseStatus.AMBIGUOUS,
            f"the points scatter by {case.scan.noise:.2f} mm, more than half of what the recipe expects the part "
            f"itself to be off ({settings.expected_form_error:g} mm): what would tell poses apart is lost in it",
            "Scan again with closer and quieter points.",
            (),
        )
    if refined.hold < 1e-5 or refined.settled > _most_wander(case.scan):
        return (
            PoseStatus.AMBIGUOUS,
            f"the scan does not hold the part against {_slide_text(refined)}: fits from either side end "
            f"{refined.settled:.2f} mm apart",
            "Scan the edges or holes that hold this direction.",
            (),
        )
    if refined.last_step > max(_MOST_LAST_STEP, _STILL_NOISE * case.scan.noise):
        return (
            PoseStatus.AMBIGUOUS,
            f"the fit does not come to rest: its last step was {refined.last_step:.3f} mm, with a scatter of "
            f"{refined.rms:.2f} mm",
            "Scan again with closer and quieter points.",
            (),
        )
    gone = pose_distance(champion.pose, refined.nominal_from_scan, case.model.symmetry, search)
    if gone > max(_FARTHEST * settings.expected_form_error, 0.01 * search.diagonal):
        return (
            PoseStatus.AMBIGUOUS,
            f"the fit moves {gone:.1f} mm away from the pose that was found: the scan, or a part so far out of shape, "
            "does not hold it",
            "Scan the edges or holes that hold the part, or let datums or regions align it.",
            (),
        )
    if len(case.model.symmetry.axis) and not settings.symmetric_axis:
        return (
            PoseStatus.AMBIGUOUS,
            f"the nominal is symmetric ({case.model.symmetry.text}), and the recipe does not leave that turn open",
            "Say in the recipe what fixes the turn.",
            (),
        )
    return PoseStatus.ALIGNED, "", "", ()


def _explain_failure(
    case: Case, judgement: Judgement, evidence: dict[str, float | str], settings: AlignSettings,
    scan: ScanGeometry, normals: Floats, signed: NDArray[np.bool_],
) -> Alignment:  # fmt: skip
    """Say why no pose was believed: wrong unit, wrong hand, too little surface, or another part."""
    search, best = case.model.search, judgement.champion
    if _flat_share(case, scan.points, normals) > _ONE_PLANE:
        return _refuse(
            "the scan shows hardly anything but one flat surface: the part is not in view",
            "Check that the part lies in the scanner's view, and scan again.",
            evidence,
        )
    unit_hint = _try_units(case, scan, normals, signed)
    if unit_hint:
        return _refuse(
            f"the scan fits the nominal only when taken as {unit_hint}",
            "Correct the unit of the scan in the recipe or in the scanner's export.",
            evidence,
        )
    if not len(case.model.symmetry.exact_mirrored):
        poses = search_poses(case, mirror=True)
        mirrored = [
            gather_evidence(p, case.scan, case.nominal, case.index, case.bins, search, case.tau) for p in poses[:6]
        ]
        twin = max(mirrored, key=lambda e: e.merit) if mirrored else None
        if twin is not None and _passes(twin) and twin.merit > best.merit + 0.01:
            return _refuse(
                "the mirror image of the nominal fits, the nominal does not: wrong hand, or a feature misplaced",
                "Check the part number and the hand of the part.",
                evidence,
            )
    if judgement.failed_gates == ("coverage",):
        return _refuse(
            f"too little of the surface was seen: {100 * best.coverage:.1f} % of the nominal lies under scan points, "
            f"{100 * LEAST_COVERAGE:.0f} % are needed",
            "Scan more of the part.", evidence,
        )  # fmt: skip
    seen = (
        f"best pose found: {100 * best.near:.0f} % of the points near the nominal lie on it, "
        f"{100 * best.inside:.1f} % lie inside the solid, {100 * best.coverage:.0f} % of the surface is covered"
    )
    if best.spill > MOST_SPILL:
        seen += ", and the scanned surface runs on where the nominal ends"
    little = best.coverage < LEAST_COVERAGE
    return _refuse(
        f"no pose of this nominal explains the scan ({seen}): "
        + ("too little of the part is seen, or another part" if little else "another part, or a part far out of shape")
        + _size_hint(case.scan, search.diagonal),
        "Check the part number; scan again with more of the part in view.", evidence,
    )  # fmt: skip


def _flat_share(case: Case, points: Floats, normals: Floats) -> float:
    """Return the largest share of the raw scan (n, 3) that one plane of it holds, whichever way its points look."""
    some = slice(None, None, max(1, len(points) // 20_000))
    either = np.zeros(len(points[some]), dtype=bool)
    planes = (*case.scan.tables, *case.scan.supports)
    return max(
        (float(np.mean(p.holds(points[some], normals[some], either, 1.5 * p.thickness))) for p in planes), default=0.0
    )


def _passes(evidence: Evidence) -> bool:
    return not Judgement(evidence, (), None).failed_gates


def _try_units(case: Case, scan: ScanGeometry, normals: Floats, signed: NDArray[np.bool_]) -> str:
    """Return the unit in which the scan would fit, or nothing. Tried only where the sizes suggest it."""
    search = case.model.search
    for factor, name in _UNITS:
        scaled = factor * case.scan.extent
        # strays that were no specks in the wrong unit, or a table, may make the scan several times the part
        if not 0.4 * search.diagonal < scaled < 4.0 * search.diagonal:
            continue
        if 0.5 < case.scan.extent / search.diagonal < 2.0:
            continue
        prepared = prepare_scan(scan.points * factor, normals, signed, search.diagonal)
        if len(prepared.points) < _FEWEST:
            continue
        other = replace(case, scan=prepared)
        poses = search_poses(other)[:3]
        trial = [gather_evidence(p, prepared, case.nominal, case.index, case.bins, search, case.tau) for p in poses]
        if any(_passes(e) for e in trial):
            return name
    return ""


def _size_hint(prepared: PreparedScan, diagonal: float) -> str:
    ratio = prepared.whole_extent / diagonal
    if ratio > 20.0 or (0 < ratio < 0.2):
        return (
            f"; the scan measures {prepared.whole_extent:.3g} mm across, the nominal {diagonal:.3g} mm: check the unit"
        )
    return ""


def _as_scanned(
    scan: ScanGeometry, normals: Floats, signed: NDArray[np.bool_], case: Case, settings: AlignSettings,
    evidence: dict[str, float | str],
) -> Alignment:  # fmt: skip
    """Verify that the scan lies in the nominal's frame as it is; the pose is not changed."""
    pose = np.eye(4) if settings.start_pose is None else check_rigid(settings.start_pose, 1e-6)
    found = gather_evidence(pose, case.scan, case.nominal, case.index, case.bins, case.model.search, case.tau)
    judgement = Judgement(found, (), None)
    _note(evidence, judgement)
    if judgement.failed_gates:
        return _refuse(
            f"as scanned, the scan is not at the nominal: {100 * found.near:.0f} % of the points near it lie on it, "
            f"{100 * found.coverage:.0f} % of the surface is covered",
            "Check the fixture's frame, or let the recipe start automatically.", evidence,
        )  # fmt: skip
    return _finish(
        scan, normals, signed, case, pose, settings, PoseStatus.ALIGNED, "", "", evidence, (), None, found.tables
    )


def _finish(
    scan: ScanGeometry, normals: Floats, signed: NDArray[np.bool_], case: Case, pose: Floats, settings: AlignSettings,
    status: PoseStatus, reason: str, advice: str, evidence: dict[str, float | str], rivals: tuple[Floats, ...],
    covariance: Floats | None, tables: tuple[Plane, ...],
) -> Alignment:  # fmt: skip
    prepared = case.scan
    normals, signed = _sign_from_thinned(scan.points, normals, signed, prepared)
    moved, turned = move_points(pose, scan.points), turn_vectors(pose, normals)
    if not signed.all():
        turned = _sign_from_nominal(moved, turned, signed, case)
    labels = label_points(
        moved, turned, signed, case.index, case.bins, tuple(move_plane(pose, t) for t in (*prepared.tables, *tables)),
        settings.keep_within, settings.expected_form_error + 3.0 * prepared.noise, prepared.spacing,
    )  # fmt: skip
    for name, label in (("kept", KEPT), ("table", TABLE), ("clutter", CLUTTER), ("specks", SPECK)):
        evidence[f"points {name}"] = float(np.count_nonzero(labels == label))
    aligned = status is not PoseStatus.NOT_ALIGNED
    return Alignment(status, pose if aligned else None, reason, advice, evidence, rivals, labels, covariance, turned)


def _sign_from_nominal(points: Floats, normals: Floats, signed: NDArray[np.bool_], case: Case) -> Floats:
    """Turn the normals whose sign is still unknown the way the nearest nominal surface faces."""
    rows = np.flatnonzero(~signed)
    _, facing, distance = case.bins.closest(points[rows], normals[rows], signed[rows], 4.0 * case.tau)
    against = np.isfinite(distance) & (np.einsum("ij,ij->i", normals[rows], facing) < 0)
    normals = normals.copy()
    normals[rows[against]] *= -1.0
    return normals


def _refuse(reason: str, advice: str, evidence: dict[str, float | str]) -> Alignment:
    return Alignment(PoseStatus.NOT_ALIGNED, None, reason, advice, evidence)


def _near(place: Floats | None, link: str = "") -> str:
    return "" if place is None else f"{link} near ({place[0]:.1f}, {place[1]:.1f}, {place[2]:.1f})"


def _slide_text(refined: Refined) -> str:
    """Say in words which motion is held least."""
    turn, shift = refined.weakest[:3], refined.weakest[3:]
    if np.linalg.norm(shift) >= np.linalg.norm(turn):
        x, y, z = shift / np.linalg.norm(shift)
        return f"sliding along ({x:.2f}, {y:.2f}, {z:.2f})"
    x, y, z = turn / np.linalg.norm(turn)
    return f"turning about ({x:.2f}, {y:.2f}, {z:.2f}) through its middle"


def _silent(step: str, share: float) -> None:
    """Report nothing."""
