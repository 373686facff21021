"""From a list of refined poses to what is believed: gates first, then rivals, then the hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from runner.align.contest import LEAST_COVERAGE, Contest, Evidence, compare, gather_evidence
from runner.align.icp import draw_balanced
from runner.align.lay import Case, lay_best, sharpen, tighten
from runner.align.refine import pair_up
from runner.align.symmetry import same_pose, turn_about
from runner.geometry.blocks import side_by_side
from runner.geometry.mesh import Floats

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
_CLOSE = 8.0
"""Nearly all points of a pose that is settled lie within so many times the noise."""
_LAID = 4
"""So many poses are laid onto the scan before one is believed that does not lie close."""
_COPY = 0.25
"""Of what makes two poses the same: only so close to a known pose one made from a symmetry is a copy of it."""
_EVENED = 3
"""So many poses are looked at again as of a bent part,"""
_OUT_OF_SHAPE = 0.5
"""and so they are where the surface lies farther off than this share of what an inlier may."""


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
            evidence = _laid(case, evidence)
        if _none_passes(evidence):
            return _judge_bent(case, evidence) or Judgement(_best(evidence), (), None)
    return _or_bent(case, _decide(case, evidence))


def _or_bent(case: Case, plain: Judgement) -> Judgement:
    """The judgement, or that of a bent part where it explains plainly more; ambiguous where it names another pose.

    Most of a bent part may be laid onto the wrong faces so that it lies true, and at the right ones only half of it:
    each pose must have been tried in the way that leaves the least deviation too.
    """
    best = plain.champion
    if case.bent or best.spread <= _OUT_OF_SHAPE * case.tau:
        return plain
    bent = _judge_bent(case, [best, *(e for e, _ in plain.rivals), *plain.beaten])
    if bent is None or same_pose(bent.champion.pose, best.pose, case.model.symmetry, case.model.search):
        return plain
    contest = _contest(case, best, bent.champion)
    if contest.decisive:
        return plain
    if Contest(contest.second, contest.first).decisive and bent.champion.inliers > best.inliers:
        return bent
    return replace(plain, rivals=(*plain.rivals, (bent.champion, contest)))


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
    """Rank the poses; once more with the best few laid onto the scan, of those that do not lie close on it.

    On a shallow part, or on sheet without signs, a pose may come to rest 2 mm aside, and then lose to one that is half
    a turn off and did not.
    """
    judgement = _rank(case, evidence)
    if case.bent:
        return judgement
    proper = [judgement.champion, *(e for e, _ in judgement.rivals), *judgement.beaten]
    if lies_close(case, proper[0]):
        laid = [proper[0], *_laid(case, proper[1:], least=proper[0].merit - _CLOSE_CALL)]
    else:
        laid = _laid(case, proper)
    if all(a.pose is b.pose for a, b in zip(laid, proper, strict=True)):
        return replace(judgement, champion=laid[0])
    return _rank(case, [*laid, *(e for e in evidence if e.mirrored)])


def lies_close(case: Case, evidence: Evidence) -> bool:
    """Whether all that lies on the nominal lies there to what the noise allows."""
    return evidence.spread <= _CLOSE * max(case.scan.noise, 0.01)


def _laid(case: Case, evidence: list[Evidence], least: float | None = None) -> list[Evidence]:
    """The evidence with the best proper poses laid onto the scan as they lie closest.

    With ``least`` those of that merit or more are, unless they lie close already.
    """
    proper = sorted((e for e in evidence if not e.mirrored and not e.laid), key=lambda e: -e.merit)[:_LAID]
    if least is None:
        near = [e for e in proper if e.merit >= proper[0].merit - _CLOSE_CALL]
    else:
        near = [e for e in proper if e.merit >= least and not lies_close(case, e)]
    made = []
    for old in evidence:
        if any(old is e for e in near):
            pose = lay_best(case, old.pose)
            new = old if pose is old.pose else evidence_of(case, pose)
            made.append(replace(new, pose=pose, laid=True))
        else:
            made.append(old)
    return made


def evidence_of(case: Case, pose: Floats) -> Evidence:
    """What the whole thinned scan says about one pose (4, 4)."""
    return gather_evidence(pose, case.scan, case.nominal, case.index, case.bins, case.model.search, case.tau)


def _rank(case: Case, evidence: list[Evidence]) -> Judgement:
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
    """The contest of two poses; the same two often meet again."""
    key = id(case.scan), id(first.pose), id(second.pose)
    if key not in case.held:
        contest = compare(first, second, case.scan, case.tau, case.model.search, case.bins, case.index)
        case.held[key] = case.scan, first.pose, second.pose, contest
    return case.held[key][3]


def _known(case: Case, pose: Floats, others: list[Floats], share: float = 1.0) -> bool:
    return any(same_pose(pose, other, case.model.symmetry, case.model.search, share) for other in others)


def _distinct(case: Case, poses: list[Floats]) -> list[Floats]:
    kept: list[Floats] = []
    for pose in poses:
        if not _known(case, pose, kept):
            kept.append(pose)
    return kept


def _fresh(case: Case, champion: Evidence, evidence: list[Evidence]) -> list[Floats]:
    """The rivals of a pose that are not among those known.

    One that lies beside a known pose is no copy of it: the known one may have come to rest aside, and would lose.
    """
    known = [e.pose for e in evidence if e is not champion]
    made = [p for p in manufacture_rivals(case, champion.pose) if not _known(case, p, [champion.pose])]
    return [p for p in _distinct(case, made) if not _known(case, p, known, _COPY)]


def _none_passes(evidence: list[Evidence]) -> bool:
    return all(e.mirrored or Judgement(e, (), None).failed_gates for e in evidence)


def _best(evidence: list[Evidence]) -> Evidence:
    return max((e for e in evidence if not e.mirrored), key=lambda e: e.merit)


def _weigh(case: Case, poses: list[Floats], before: list[Evidence]) -> list[Evidence]:
    """Gather full evidence of the poses that come near the best; keep at most 12 of them."""
    if poses:
        # on one and the same draw, which clutter of many directions fills with itself: a share of it is no share of all
        known = [e.pose for e in before if not e.mirrored]
        shares = quick_merit(case, [*poses, *known])
        merit, best = shares[: len(poses)], float(shares.max())
        order = [i for i in np.argsort(-merit, kind="stable") if merit[i] >= best - 1.5 * _CLOSE_CALL][:12]
        tight = tighten(case, [poses[i] for i in order])
        before = before + side_by_side(*(partial(evidence_of, case, pose) for pose in tight))
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
