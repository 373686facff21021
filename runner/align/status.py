"""Aligned or ambiguous: what is made of a judged and refined pose, in words for the operator."""

from __future__ import annotations

import numpy as np

from runner.align.contest import disagreement
from runner.align.final import most_wander
from runner.align.lay import Case
from runner.align.refine import Refined
from runner.align.settle import quiet_limit
from runner.align.several import parts_in, parts_text
from runner.align.symmetry import pose_distance
from runner.align.types import AlignSettings
from runner.align.verdict import Judgement, judge
from runner.geometry.frames import move_points
from runner.geometry.mesh import Floats
from runner.records import PoseStatus

_MOST_LAST_STEP = 0.001
_STILL_NOISE = 0.02
"""The last step may be so many mm, or this part of the scan's noise; a fit that moves on has not converged."""
_LOUD_MM = 0.5
"""No scan that scatters less is too coarse to be aligned, whatever form error the recipe expects."""
_LOUD_SHARE = 0.5
"""Scatter over expected form error from which a pose is not believed. Set on one real scan (0.66); tried since on
twelve parts (``tests/align/campaign scatter``), of which none set it."""
_FARTHEST = 4.0
"""The last stage may move a pose by so many times the expected form error (or 1 % of the diagonal), and no farther."""
_LEFT = 6
"""So many places that lay on the nominal and are left by the last stage, farther off than any form error, are not
chance; a place is a cube with an edge of two spacings."""
LEAST_HOLD = 1e-3
"""Below this a direction counts as weakly held (least eigenvalue of the balanced Hessian)."""


def judge_again(case: Case, judgement: Judgement, refined: Refined, settings: AlignSettings) -> Judgement:
    """Judge anew with the pose that the fit ended at, where it went far and noise is all that is left there.

    Of a part out of shape the end of a fit is no better witness than the pose that it left; of a true one it is.
    """
    gone = pose_distance(judgement.champion.pose, refined.nominal_from_scan, case.model.symmetry, case.model.search)
    if gone <= _farthest(case, settings) or refined.limit > quiet_limit(case.scan.noise):
        return judgement
    if _leaves_places(case, judgement, refined):
        return judgement
    again = judge(case, [refined.nominal_from_scan, judgement.champion.pose])
    return judgement if again.failed_gates else again


def _leaves_places(case: Case, judgement: Judgement, refined: Refined) -> bool:
    """Whether part surface that lay on the nominal at the judged pose lies nowhere near it at the end.

    A bulge of a shallow panel may look like the same crown elsewhere: the fit slides there, comes to lie true to a
    hair, and the panel hangs over by millimetres along an edge. Surface of any facing is near: of a block bent by a
    millimetre a fit that moves by as much leaves points beside edges, but none out in the open.
    """
    champion, pose = judgement.champion, refined.nominal_from_scan
    if pose_distance(champion.pose, pose, case.model.symmetry, case.model.search) <= case.tau:
        return False
    lay = case.scan.points[champion.distance <= case.tau]
    left = lay[~case.index.closest(move_points(pose, lay), 2.0 * case.tau).found]
    cells = np.floor(left / (2.0 * case.scan.spacing))
    return len(np.unique(cells, axis=0)) >= _LEFT


def _farthest(case: Case, settings: AlignSettings) -> float:
    """How far, mm, the last stage may move a pose that was judged."""
    return max(_FARTHEST * settings.expected_form_error, 0.01 * case.model.search.diagonal)


def status_of(
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
    scatter = max(case.scan.noise, refined.scatter)
    if scatter > max(_LOUD_MM, _LOUD_SHARE * settings.expected_form_error):
        return (
            PoseStatus.AMBIGUOUS,
            f"the points scatter by {scatter:.2f} mm, more than half of what the recipe expects the part "
            f"itself to be off ({settings.expected_form_error:g} mm): what would tell poses apart is lost in it",
            "Scan again with closer and quieter points.",
            (),
        )
    if refined.hold < 1e-5 or refined.settled > most_wander(case.scan):
        return (
            PoseStatus.AMBIGUOUS,
            f"the scan does not hold the part against {slide_text(refined)}: fits from either side end "
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
    if gone > _farthest(case, settings) or _leaves_places(case, judgement, refined):
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


def _near(place: Floats | None, link: str = "") -> str:
    return "" if place is None else f"{link} near ({place[0]:.1f}, {place[1]:.1f}, {place[2]:.1f})"


def slide_text(refined: Refined) -> str:
    """Say in words which motion is held least."""
    turn, shift = refined.weakest[:3], refined.weakest[3:]
    if np.linalg.norm(shift) >= np.linalg.norm(turn):
        x, y, z = shift / np.linalg.norm(shift)
        return f"sliding along ({x:.2f}, {y:.2f}, {z:.2f})"
    x, y, z = turn / np.linalg.norm(turn)
    return f"turning about ({x:.2f}, {y:.2f}, {z:.2f}) through its middle"
