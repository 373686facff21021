"""Which of the poses given is believed."""

from __future__ import annotations

import numpy as np
import pytest
import sampler

from runner.align.lay import Case, sharpen, tighten
from runner.align.prepare import prepare_scan, scan_normals
from runner.align.symmetry import pose_distance, turn_about
from runner.align.verdict import judge


@pytest.mark.parametrize("seed", [0, 3])
@pytest.mark.parametrize("aside", [-2.0, 2.0])
def test_the_right_pose_come_to_rest_on_a_sheets_other_face_does_not_lose_to_the_half_turn(prepared, seed, aside):
    """Without signs a wall fits its other face as well, and there the right pose is worse than the half turn's best."""
    part = prepared("bracket")
    search, table = part.model.search, part.model.symmetry
    sim = sampler.simulate(part.nominal, part.index, seed, normals="none")
    scan = prepare_scan(sim.scan.points, *scan_normals(sim.scan), search.diagonal)
    case = Case(scan, part.nominal, part.index, part.model.bins(part.nominal), part.model, 1.2 + 2.5 * scan.noise)
    truth = sim.nominal_from_scan
    moved = truth.copy()
    moved[0, 3] += aside
    slid = sharpen(case, [moved], first=0.6)[0]
    assert 1.5 < pose_distance(slid, truth, table, search) < 2.2
    judgement = judge(case, [table.near[0] @ truth, slid])
    assert pose_distance(judgement.champion.pose, truth, table, search) < 0.2
    assert not judgement.rivals


@pytest.mark.parametrize("views", ["all", "one"])
def test_the_half_turn_alone_leads_to_the_pose_that_its_hole_tells(prepared, views):
    """Clutter of many directions fills the balanced draw: shares of it are not shares of all points."""
    part = prepared("bracket")
    search, table = part.model.search, part.model.symmetry
    sim = sampler.simulate(part.nominal, part.index, 1, views=views, table=False, fixtures=0)
    ball = np.random.default_rng(1).normal(size=(20_000, 3))
    ball /= np.linalg.norm(ball, axis=1)[:, None]
    above = sim.scan.points.mean(axis=0) + np.array([0.0, 0.0, 150.0])
    points = np.vstack([sim.scan.points, above + 30.0 * ball])
    scan = prepare_scan(points, np.vstack([sim.scan.normals, ball]), np.ones(len(points), dtype=bool), search.diagonal)
    case = Case(scan, part.nominal, part.index, part.model.bins(part.nominal), part.model, 1.2 + 2.5 * scan.noise)
    truth = sim.nominal_from_scan
    judgement = judge(case, [table.near[0] @ truth])
    assert pose_distance(judgement.champion.pose, truth, table, search) < 0.1
    assert len(judgement.beaten) == 1


def test_a_pose_a_little_aside_is_tightened_and_one_of_a_bent_part_stays(prepared):
    part = prepared("clip")
    search, table = part.model.search, part.model.symmetry
    axis = np.array([0.0, 0.0, 1.0])
    turn = turn_about(search.centre, axis, 0.5 / search.diagonal)
    for form in (0.0, 0.9):
        sim = sampler.simulate(part.nominal, part.index, 5, form=form)
        scan = prepare_scan(sim.scan.points, *scan_normals(sim.scan), search.diagonal)
        case = Case(scan, part.nominal, part.index, part.model.bins(part.nominal), part.model, 1.2 + 2.5 * scan.noise)
        poses = [sharpen(case, [sim.nominal_from_scan])[0], turn @ sim.nominal_from_scan]
        made = tighten(case, poses)
        if form:
            assert made[0] is poses[0]
            continue
        assert pose_distance(poses[1], sim.nominal_from_scan, table, search) > 0.2
        assert pose_distance(made[1], sim.nominal_from_scan, table, search) < 0.05
