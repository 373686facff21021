"""Parts bent by nearly as much as is expected: still told from their near-symmetric poses, or not told at all."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import sampler

from runner.align import status, verdict
from runner.align.contest import Contest
from runner.align.duel import Ground, duel
from runner.align.lay import Case, lay_best
from runner.align.planes import find_table
from runner.align.prepare import prepare_scan, scan_normals
from runner.align.run import align
from runner.align.status import judge_again
from runner.align.types import AlignSettings
from runner.align.verdict import Judgement, evidence_of, judge, least_near
from runner.records import PoseStatus

HOLES = [(118, 55), (22, 15), (22, 55), (118, 15)]


def away_from_holes(points):
    return np.min([np.hypot(points[:, 0] - x, points[:, 1] - y) for x, y in HOLES], axis=0) < 12


@pytest.mark.parametrize("form", [0.6, 0.95])
def test_a_bent_part_is_told_by_its_one_hole(prepared, form):
    """The hole is 5 mm wide; bent so far, its middle is hardly farther from surface than all the rest."""
    part = prepared("bracket")
    sim = sampler.simulate(part.nominal, part.index, 42, views="table", form=form)
    found = align(sim.scan, part.nominal, part.index, part.model, AlignSettings())
    assert found.status is PoseStatus.ALIGNED, found.reason
    # a best fit of a part out of shape lays most of it true and is off by more than that; the half turn is 156 mm off
    assert sampler.pose_error(found.nominal_from_scan, sim.nominal_from_scan, part.nominal)[1] < 3.0 * form


def test_a_bent_part_whose_one_hole_is_unseen_stays_ambiguous(prepared):
    part = prepared("bracket")
    sim = sampler.simulate(part.nominal, part.index, 4, form=0.6, hide=away_from_holes)
    found = align(sim.scan, part.nominal, part.index, part.model, AlignSettings())
    assert found.status is PoseStatus.AMBIGUOUS, found.reason


@pytest.mark.parametrize("normals", ["signed", "none"])
def test_a_duel_counts_where_poses_differ_and_nothing_else(prepared, normals):
    part = prepared("bracket")
    search = part.model.search
    half = part.model.symmetry.near[0]
    for hidden in (False, True):
        sim = sampler.simulate(
            part.nominal, part.index, 6, form=0.5, normals=normals, hide=away_from_holes if hidden else None
        )
        scan = prepare_scan(sim.scan.points, *scan_normals(sim.scan), search.diagonal)
        ground = Ground(scan, search, part.model.bins(part.nominal), part.index)
        votes = duel(sim.nominal_from_scan, half @ sim.nominal_from_scan, ground, 0.12, 0.8)
        assert duel(half @ sim.nominal_from_scan, sim.nominal_from_scan, ground, 0.12, 0.8) == votes[::-1]
        # surroundings that neither pose is laid onto: nothing is told there
        assert duel(sim.nominal_from_scan, half @ sim.nominal_from_scan, ground, 0.12, 0.8, 1e-6) == (0, 0)
        if hidden:
            assert max(votes) <= 2
        else:
            assert votes[0] >= 12 and votes[1] <= votes[0] // 4


def test_a_table_is_found_under_a_sheet_that_holds_more_points():
    """A plane aslant through the table and the sheet 2 mm above holds more points than the table itself."""
    rng = np.random.default_rng(2)
    table = np.column_stack([rng.uniform(-200, 300, (6000, 2)), np.zeros(6000)])
    sheet = np.column_stack([rng.uniform(0, [140, 52], (14_000, 2)), np.full(14_000, 2.0)])
    points = np.vstack([table, sheet]) + 0.02 * rng.normal(size=(20_000, 3))
    plane = find_table(points, np.tile([0.0, 0, 1], (20_000, 1)), 160.0, 0.37)
    assert plane is not None
    assert abs(plane.normal[2]) > 0.999999 and abs(plane.offset) < 0.01


def test_a_pose_aside_by_a_sheets_thickness_is_brought_home(prepared, monkeypatch):
    """Points without signs on one face of a wall fit its other face as well, until all else is asked."""
    # or one of them would be the true pose, by chance
    monkeypatch.setattr("runner.align.verdict.manufacture_rivals", lambda *_: [])
    part = prepared("bracket")
    search = part.model.search
    sim = sampler.simulate(part.nominal, part.index, 6, views="one", normals="none")
    scan = prepare_scan(sim.scan.points, *scan_normals(sim.scan), search.diagonal)
    case = Case(scan, part.nominal, part.index, part.model.bins(part.nominal), part.model, 1.25)
    for axis in range(3):
        aside = sim.nominal_from_scan.copy()
        aside[axis, 3] += 2.0
        home = lay_best(case, aside)
        judged = judge(case, [aside]).champion
        assert judged.laid
        assert sampler.pose_error(judged.pose, sim.nominal_from_scan, part.nominal)[1] < 0.3
        assert sampler.pose_error(home, sim.nominal_from_scan, part.nominal)[1] < 0.3
    assert np.allclose(lay_best(case, sim.nominal_from_scan), sim.nominal_from_scan), "what lies true stays"


def test_where_a_quiet_fit_ended_is_judged_like_any_pose(prepared):
    """A fit that goes 12 mm and ends in noise alone was right to go; of a part out of shape that is no proof."""
    part = prepared("bracket")
    sim = sampler.simulate(part.nominal, part.index, 6)
    scan = prepare_scan(sim.scan.points, *scan_normals(sim.scan), part.model.search.diagonal)
    case = Case(scan, part.nominal, part.index, part.model.bins(part.nominal), part.model, 1.25)
    aside = sim.nominal_from_scan.copy()
    aside[0, 3] += 12.0
    before = Judgement(evidence_of(case, aside), (), None)
    quiet = SimpleNamespace(nominal_from_scan=sim.nominal_from_scan, limit=6.0 * scan.noise)
    after = judge_again(case, before, quiet, AlignSettings())
    assert not after.failed_gates
    assert sampler.pose_error(after.champion.pose, sim.nominal_from_scan, part.nominal)[1] < 0.05
    bent = SimpleNamespace(nominal_from_scan=sim.nominal_from_scan, limit=0.5)
    assert judge_again(case, before, bent, AlignSettings()) is before
    at_home = Judgement(evidence_of(case, sim.nominal_from_scan), (), None)
    assert judge_again(case, at_home, quiet, AlignSettings()) is at_home


@pytest.mark.parametrize(("near", "coverage", "right"), [
    # measured: right scans that came nearest to refusal, and a scan of a clip against a tray's nominal
    (0.929, 0.257, True), (0.926, 0.302, True), (0.873, 0.394, True), (0.853, 0.515, True), (0.877, 0.254, False),
])  # fmt: skip
def test_the_less_was_seen_the_more_of_it_has_to_fit(near, coverage, right):
    assert (near >= least_near(coverage)) is right


def test_a_fit_that_leaves_places_behind_is_not_followed(prepared):
    """As of a panel that slides along its own bulge: all lies true there but an edge that hangs over."""
    part = prepared("bracket")
    sim = sampler.simulate(part.nominal, part.index, 6)
    scan = prepare_scan(sim.scan.points, *scan_normals(sim.scan), part.model.search.diagonal)
    case = Case(scan, part.nominal, part.index, part.model.bins(part.nominal), part.model, 1.25)

    def aside(x):
        pose = sim.nominal_from_scan.copy()
        pose[0, 3] += x
        return SimpleNamespace(nominal_from_scan=pose, limit=6.0 * scan.noise)

    at_home = Judgement(evidence_of(case, sim.nominal_from_scan), (), None)
    away = Judgement(evidence_of(case, aside(5.0).nominal_from_scan), (), None)
    assert status._leaves_places(case, at_home, aside(5.0))
    assert judge_again(case, at_home, aside(5.0), AlignSettings()) is at_home
    # nothing is left behind by a small step, nor on the way home
    assert not status._leaves_places(case, at_home, aside(1.0))
    assert not status._leaves_places(case, away, aside(0.0))


@pytest.mark.parametrize(
    ("counts", "inliers", "outcome"),
    [
        ((226, 7), 0.9999, "plain"),
        ((2, 673), 0.9999, "bent"),
        ((2, 673), 0.9500, "both"),
        ((40, 60), 0.9999, "both"),
    ],
)
def test_a_pose_of_a_bent_part_is_asked_for_where_the_best_lies_far_off(
    prepared, monkeypatch, counts, inliers, outcome
):
    """Counts as seen on a block with bores: laid true onto other faces by a robust fit, 144 mm off."""
    part = prepared("block")
    case = SimpleNamespace(bent=False, tau=1.25, model=part.model)
    far = np.eye(4)
    far[0, 3] = 0.3 * part.model.search.diagonal

    def evidence(pose, inliers, spread):
        return SimpleNamespace(pose=pose, inliers=inliers, spread=spread)

    other = Judgement(evidence(far, inliers, 0.64), (), None)
    asked = []
    monkeypatch.setattr(verdict, "_contest", lambda *_: Contest(*counts))
    monkeypatch.setattr(verdict, "_judge_bent", lambda _, proper: asked.append(proper) or other)
    beaten = evidence(np.eye(4), 0.93, 1.2)
    plain = Judgement(evidence(np.eye(4), 0.967, 1.18), (), None, (beaten,))
    found = verdict._or_bent(case, plain)
    assert asked == [[plain.champion, beaten]]
    if outcome == "both":
        assert found.champion is plain.champion
        assert found.rivals == ((other.champion, Contest(*counts)),)
    else:
        assert found is {"plain": plain, "bent": other}[outcome]
    # what lies close is not bent
    near = Judgement(evidence(np.eye(4), 0.967, 0.6), (), None)
    assert verdict._or_bent(case, near) is near
    assert len(asked) == 1
