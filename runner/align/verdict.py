"""From a list of refined poses to what is believed: gates first, then rivals, then the hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from runner.align.bins import DirectionBins
from runner.align.contest import LEAST_COVERAGE, Contest, Evidence, compare, gather_evidence
from runner.align.even import even_out
from runner.align.icp import draw_balanced
from runner.align.model import AlignmentModel
from runner.align.prepare import PreparedScan
from runner.align.refine import pair_up, polish
from runner.align.symmetry import same_pose, turn_about
from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import rigid, turn_vectors
from runner.geometry.mesh import Floats, Nominal

LEAST_NEAR = 0.85
SEEN_LITTLE = 0.4
_SEEN_ENOUGH = 0.4
"""Another part (a clip against a tray, 25 % of whose surface it happened to cover) came to 0.88; right ones to 0.93."""
MOST_INSIDE = 0.003
MOST_SPILL = 0.1
"""Gates taken over from a study on five invented parts (271 simulated scans); not validated beyond the study script."""
_CLOSE_CALL = 0.08
_PROPER_RIVALS = 8
_MIRRORED_RIVALS = 4
MUCH_CLOSER = 0.7
"""A pose that lies this much closer on the scan is the one that was meant."""
_EVENED = 3
"""So many poses are looked at again as of a bent part."""
_EVEN_REACH = 2.5
"""Points up to so many times the expected deviation take part in that."""


@dataclass(frozen=True, eq=False)
class Case:
    """One scan against one nominal: everything the judging needs."""

    scan: PreparedScan
    nominal: Nominal
    index: SurfaceIndex
    bins: DirectionBins
    model: AlignmentModel
    tau: float
    """Largest distance of an inlier, mm."""
    bent: bool = False
    """Poses are those in which the largest deviations are small, not those in which most of the surface lies true."""


@dataclass(frozen=True, eq=False)
class Judgement:
    """The champion, who is not beaten by it, and who beats it."""

    champion: Evidence
    rivals: tuple[tuple[Evidence, Contest], ...]
    """Clearly different proper poses that are not beaten decisively."""
    mirrored: tuple[Evidence, Contest] | None
    """The strongest mirrored pose, with the contest champion against it; None when every one is plainly worse."""
    beaten: tuple[Evidence, ...] = ()
    """Clearly different proper poses that are."""

    @property
    def failed_gates(self) -> tuple[str, ...]:
        """Names of the absolute gates that the champion does not pass."""
        failed = []
        if self.champion.coverage < LEAST_COVERAGE:
            failed.append("coverage")
        if self.champion.near < least_near(self.champion.coverage):
            failed.append("near")
        if self.champion.inside > MOST_INSIDE:
            failed.append("inside")
        if self.champion.spill > MOST_SPILL:
            failed.append("spill")
        return tuple(failed)


def least_near(coverage: float) -> float:
    """Return the least share of what lies near the nominal that has to lie on it: more, the less of it was seen."""
    return LEAST_NEAR + SEEN_LITTLE * max(0.0, _SEEN_ENOUGH - coverage)


def sharpen(
    case: Case, poses: list[Floats], count: int = 2500, iterations: int = 8, first: float | None = None
) -> list[Floats]:
    """Refine poses exactly, together, on a balanced draw of the thinned scan."""
    if not poses:
        return []
    scan, search = case.scan, case.model.search
    drawn = draw_balanced(scan.normals, count, seed=11)
    rotations, translations, _ = polish(
        case.bins, np.array([p[:3, :3] for p in poses]), np.array([p[:3, 3] for p in poses]),
        scan.points[drawn], scan.normals[drawn], scan.signed[drawn], search.centre, 0.5 * search.diagonal,
        1.2 * case.tau, iterations, 1e-3, first or max(3.0 * case.tau, 0.008 * search.diagonal),
    )  # fmt: skip
    if case.bent:
        rotations, translations = even_out(
            case.bins, rotations, translations, scan.points[drawn], scan.normals[drawn], scan.signed[drawn],
            search.centre, 0.5 * search.diagonal, _EVEN_REACH * case.tau,
        )  # fmt: skip
    return [rigid(r, t) for r, t in zip(rotations, translations, strict=True)]


def lay_best(case: Case, pose: Floats) -> Floats:
    """Return the pose (4, 4) near a judged one that lies closest on the scan, tried from a few places around it.

    Without signs a wall may lie on its sheet's other face, and the pose aside by the thickness, with all else in place.
    """
    scan = case.scan
    turned = turn_vectors(pose, scan.normals)
    ways = np.vstack([np.eye(3), np.linalg.eigh(turned.T @ turned)[1].T])
    starts = []
    for way in ways:
        for far in (-3.0, -1.5, 1.5, 3.0):
            moved = pose.copy()
            moved[:3, 3] += far * case.tau * way
            starts.append(moved)
    starts = sharpen(case, starts, first=1.2 * case.tau)
    drawn = draw_balanced(scan.normals, 3000, seed=17)
    poses = np.array([pose, *starts])
    pairs = pair_up(
        case.bins, poses[:, :3, :3], poses[:, :3, 3], scan.points[drawn], scan.normals[drawn], scan.signed[drawn],
        case.tau,
    )  # fmt: skip
    off = np.minimum(pairs.distance, case.tau)
    best = int(np.argmin(off.mean(axis=1)))
    # what lies at neither pose is clutter, and would hide how much closer the rest lies
    some = np.minimum(off[0], off[best]) < case.tau
    return poses[best] if off[best][some].sum() < MUCH_CLOSER * off[0][some].sum() else pose


def quick_merit(case: Case, poses: list[Floats], count: int = 3000) -> Floats:
    """Return the share of inliers of each pose on a draw of the thinned scan, (k,)."""
    drawn = draw_balanced(case.scan.normals, count, seed=13)
    pairs = pair_up(
        case.bins, np.array([p[:3, :3] for p in poses]), np.array([p[:3, 3] for p in poses]),
        case.scan.points[drawn], case.scan.normals[drawn], case.scan.signed[drawn], case.tau,
    )  # fmt: skip
    return np.mean(pairs.distance <= case.tau, axis=1)


def manufacture_rivals(case: Case, pose: Floats) -> list[Floats]:
    """Return the poses that the nominal's near-symmetries would have us confuse with ``pose``, refined."""
    table = case.model.symmetry
    raw = [s @ pose for s in table.near[:_PROPER_RIVALS]]
    raw += [np.linalg.inv(s) @ pose for s in table.near[:_PROPER_RIVALS]]
    for point, axis in zip(table.near_axis_point, table.near_axis, strict=True):
        raw += [turn_about(point, axis, np.deg2rad(10.0 * k)) @ pose for k in range(1, 36)]
    if not len(table.exact_mirrored):
        raw += [s @ pose for s in table.near_mirrored[:_MIRRORED_RIVALS]]
    return sharpen(case, raw)


def judge(case: Case, poses: list[Floats]) -> Judgement:
    """Decide between refined poses (4, 4), best search score first."""
    known = _distinct(case, poses)
    evidence = _weigh(case, known, [])
    if _none_passes(evidence):
        # contests between poses that can't be believed anyway are held only where a rival of the best one can
        champion = _best(evidence)
        evidence = _weigh(case, _fresh(case, champion, evidence), evidence)
        if _none_passes(evidence):
            return _judge_bent(case, evidence) or Judgement(_best(evidence), (), None)
    return _decide(case, evidence)


def _judge_bent(case: Case, evidence: list[Evidence]) -> Judgement | None:
    """Decide between the best poses as of a part bent by about as much as is expected; None if that explains nothing.

    All poses, rivals too, are then fitted in the same way, so that none is favoured.
    """
    if case.bent:
        return None
    case = replace(case, bent=True)
    proper = sorted((e for e in evidence if not e.mirrored), key=lambda e: -e.merit)[:_EVENED]
    evidence = _weigh(case, _distinct(case, sharpen(case, [e.pose for e in proper])), [])
    return None if _none_passes(evidence) else _decide(case, evidence)


def _decide(case: Case, evidence: list[Evidence]) -> Judgement:
    champion = _crown(case, evidence)
    for _ in range(2):
        evidence = _weigh(case, _fresh(case, champion, evidence), evidence)
        new = _crown(case, evidence)
        if new is champion:
            break
        champion = new
    rivals: list[tuple[Evidence, Contest]] = []
    beaten: list[Evidence] = []
    for other in evidence:
        if (
            other is champion
            or other.mirrored
            or same_pose(other.pose, champion.pose, case.model.symmetry, case.model.search)
        ):
            continue
        contest = _contest(case, champion, other)
        if contest.decisive:
            beaten.append(other)
        else:
            rivals.append((other, contest))
    worst = None
    if not len(case.model.symmetry.exact_mirrored):
        for other in evidence:
            if other.mirrored:
                contest = _contest(case, champion, other)
                if not contest.decisive and (
                    worst is None or contest.second - contest.first > worst[1].second - worst[1].first
                ):
                    worst = (other, contest)
    rivals.sort(key=lambda pair: pair[1].first - pair[1].second)
    return Judgement(champion, tuple(rivals), worst, tuple(beaten))


def prefer(case: Case, judgement: Judgement, allowed: Callable[[Evidence], bool]) -> Judgement:
    """Let a hint decide between poses that the scan does not tell apart: an allowed one stands, others drop out.

    Nothing is dropped that the scan decisively favours over the pose that is to stand.
    """
    poses = [judgement.champion, *(other for other, _ in judgement.rivals)]
    fitting = [evidence for evidence in poses if allowed(evidence)]
    if not fitting or len(fitting) == len(poses):
        return judgement
    champion = fitting[0]
    rivals = []
    for other in poses:
        if other is champion:
            continue
        contest = _contest(case, champion, other)
        better = Contest(contest.second, contest.first).decisive
        if better or (not contest.decisive and allowed(other)):
            rivals.append((other, contest))
    mirrored = judgement.mirrored
    if mirrored is not None and champion is not judgement.champion:
        contest = _contest(case, champion, mirrored[0])
        mirrored = None if contest.decisive else (mirrored[0], contest)
    made = Judgement(champion, tuple(rivals), mirrored, judgement.beaten)
    return judgement if made.failed_gates else made


def _contest(case: Case, first: Evidence, second: Evidence) -> Contest:
    return compare(first, second, case.scan, case.tau, case.model.search, case.bins, case.index)


def _known(case: Case, pose: Floats, others: list[Floats]) -> bool:
    return any(same_pose(pose, other, case.model.symmetry, case.model.search) for other in others)


def _distinct(case: Case, poses: list[Floats]) -> list[Floats]:
    kept: list[Floats] = []
    for pose in poses:
        if not _known(case, pose, kept):
            kept.append(pose)
    return kept


def _fresh(case: Case, champion: Evidence, evidence: list[Evidence]) -> list[Floats]:
    """The rivals of a pose that are not among those known."""
    known = [e.pose for e in evidence]
    return _distinct(case, [p for p in manufacture_rivals(case, champion.pose) if not _known(case, p, known)])


def _none_passes(evidence: list[Evidence]) -> bool:
    return all(e.mirrored or Judgement(e, (), None).failed_gates for e in evidence)


def _best(evidence: list[Evidence]) -> Evidence:
    return max((e for e in evidence if not e.mirrored), key=lambda e: e.merit)


def _weigh(case: Case, poses: list[Floats], before: list[Evidence]) -> list[Evidence]:
    """Gather full evidence of the poses that come near the best; keep at most 16 in all."""
    if poses:
        merit = quick_merit(case, poses)
        best = max([float(merit.max()), *(e.inliers for e in before if not e.mirrored)])
        order = [i for i in np.argsort(-merit, kind="stable") if merit[i] >= best - 1.5 * _CLOSE_CALL][:12]
        before = before + [
            gather_evidence(poses[i], case.scan, case.nominal, case.index, case.bins, case.model.search, case.tau)
            for i in order
        ]
    return before


def _crown(case: Case, evidence: list[Evidence]) -> Evidence:
    """Choose the proper pose with the best merit that no other proper pose beats place by place."""
    proper = sorted((e for e in evidence if not e.mirrored), key=lambda e: -e.merit)
    champion = proper[0]
    for _ in range(4):
        for other in proper:
            if other is not champion:
                contest = _contest(case, champion, other)
                if contest.second > contest.first:
                    champion = other
                    break
        else:
            break
    return champion
