"""Align one scan to its nominal: from any pose to a proven one, or to an honest refusal."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from runner.align.clean import label_points
from runner.align.contest import Evidence, disagreement
from runner.align.copies import without_copies
from runner.align.final import final_pose, sign_from_thinned
from runner.align.hints import has_up, is_rough, rotations_with_up, starts_around
from runner.align.icp import coarse_to_fine
from runner.align.lay import Case, sharpen
from runner.align.model import AlignmentModel
from runner.align.planes import Plane, move_plane
from runner.align.poses import search_poses
from runner.align.prepare import prepare_scan, scan_normals
from runner.align.refine import Refined
from runner.align.refusal import FEWEST, explain_failure, refuse, size_hint, wrong_unit
from runner.align.several import parts_in
from runner.align.signs import doubt_signs, with_signs
from runner.align.status import LEAST_HOLD, judge_again, slide_text, status_of
from runner.align.symmetry import same_pose
from runner.align.types import CLUTTER, KEPT, SPECK, TABLE, Alignment, AlignSettings
from runner.align.verdict import Judgement, evidence_of, judge, prefer
from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import check_rigid, move_points, rigid, turn_vectors
from runner.geometry.mesh import Floats, Nominal, ScanGeometry
from runner.records import PoseStatus

Progress = Callable[[str, float], None]


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
    tau = settings.expected_form_error + 0.2 + 2.5 * prepared.noise
    as_written = Case(prepared, nominal, index, model.bins(nominal), model, tau)
    if len(prepared.points) < FEWEST:
        return wrong_unit(as_written, scan, normals, signed, evidence) or refuse(
            f"only {len(prepared.points)} usable places are left after thinning at {prepared.spacing:.2f} mm"
            + size_hint(prepared, search.diagonal),
            "Check the unit of the file and scan again.", evidence,
        )  # fmt: skip
    case = with_signs(as_written, evidence)
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
    case, judgement = doubt_signs(case, as_written, judgement, evidence)
    judgement = _settle_by_hints(case, judgement, settings, evidence)
    _note(evidence, judgement)
    if judgement.failed_gates:
        say("refusing", 0.6)
        return explain_failure(case, judgement, evidence, settings, scan, normals, signed)
    say("refining", 0.6)

    def fit(pose: Evidence) -> Refined:
        return final_pose(scan, normals, signed, case, pose, settings)

    refined = fit(judgement.champion)
    judgement = without_copies(case, judge_again(case, judgement, refined, settings), refined, fit)
    say("cleaning", 0.8)
    status, reason, advice, rivals = status_of(case, judgement, refined, settings, evidence)
    if refined.hold < LEAST_HOLD:
        evidence["weakly held"] = slide_text(refined)
    if refined.ends_apart > 0.0:
        evidence["out of shape"] = f"a fit started elsewhere ends {refined.ends_apart:.2f} mm aside"
    evidence |= {
        "scatter at pose": refined.scatter,
        "rms": refined.rms, "fit points": float(refined.points), "fit limit": refined.limit,
        "last step": refined.last_step,
        "settled": refined.settled, "hold": refined.hold,
    }  # fmt: skip
    return _finish(
        scan, normals, signed, case, refined.nominal_from_scan, settings, status, reason, advice, evidence, rivals,
        refined.covariance, judgement.champion.tables,
    )  # fmt: skip


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


def _note(evidence: dict[str, float | str], judgement: Judgement) -> None:
    best = judgement.champion
    evidence |= {
        "inliers": best.inliers,
        "near share": best.near,
        "inside share": best.inside,
        "spill": best.spill,
        "coverage": best.coverage,
    }


def _as_scanned(
    scan: ScanGeometry, normals: Floats, signed: NDArray[np.bool_], case: Case, settings: AlignSettings,
    evidence: dict[str, float | str],
) -> Alignment:  # fmt: skip
    """Verify that the scan lies in the nominal's frame as it is; the pose is not changed."""
    pose = np.eye(4) if settings.start_pose is None else check_rigid(settings.start_pose, 1e-6)
    found = evidence_of(case, pose)
    judgement = Judgement(found, (), None)
    _note(evidence, judgement)
    if judgement.failed_gates:
        return refuse(
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
    normals, signed = sign_from_thinned(scan.points, normals, signed, prepared)
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


def _silent(step: str, share: float) -> None:
    """Report nothing."""
