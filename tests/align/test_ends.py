"""Ends of a fit of a part out of shape: which one is the pose, and that it is the same from every start."""

from dataclasses import dataclass

import numpy as np
import pytest
import sampler

from runner.align.ends import choose_end
from runner.align.run import align
from runner.align.types import AlignSettings
from runner.geometry.frames import rigid
from runner.records import PoseStatus

CENTRE, HALF = np.zeros(3), 50.0


@dataclass(frozen=True)
class End:
    nominal_from_scan: np.ndarray


def at(z):
    return End(rigid(np.eye(3), np.array([0.0, 0.0, z])))


@pytest.mark.parametrize(
    ("found", "evened", "chosen"), [(0.30, 0.50, 0.0), (0.50, 0.30, 2.0), (0.30, 0.31, 2.0), (0.30, 0.32, 0.0)]
)
def test_the_evened_poses_end_is_taken_unless_it_leaves_plainly_more(found, evened, chosen):
    ends = choose_end(at(0.0), at(2.0), lambda p: found if p[2, 3] < 1.0 else evened, CENTRE, HALF, None, 0.25)
    assert ends.best.nominal_from_scan[2, 3] == chosen
    assert ends.apart == pytest.approx(2.0)


def test_ends_closer_than_what_counts_are_one():
    ends = choose_end(at(0.0), at(0.2), lambda p: 1.0, CENTRE, HALF, None, 0.25)
    assert ends.best.nominal_from_scan[2, 3] == 0.2
    assert ends.apart == 0.0


def test_a_motion_left_open_sets_no_ends_apart():
    free = np.array([0.0, 0, 0, 0, 0, 1.0])
    assert choose_end(at(0.0), at(2.0), lambda p: 1.0, CENTRE, HALF, free, 0.25).apart == pytest.approx(0.0)


def test_a_fit_that_fails_leaves_the_end_as_it_was():
    found = at(0.0)
    ends = choose_end(found, None, lambda p: 1.0, CENTRE, HALF, None, 0.25)
    assert ends.best is found
    assert ends.apart == 0.0


@pytest.mark.parametrize(("name", "seed"), [("block", 62), ("clip", 65)])
def test_a_part_with_two_ends_gets_the_same_pose_from_the_search_and_from_the_truth(prepared, name, seed):
    """Bent by nearly a millimetre, so that fits from here and there end 1.8 and 3.2 mm apart (invented scans)."""
    part = prepared(name)
    sim = sampler.simulate(part.nominal, part.index, seed, form=0.95)
    searched = align(sim.scan, part.nominal, part.index, part.model, AlignSettings())
    started = align(
        sim.scan, part.nominal, part.index, part.model, AlignSettings(start_pose=sim.nominal_from_scan)
    )  # fmt: skip
    assert searched.status is PoseStatus.ALIGNED, searched.reason
    assert "ends" in searched.evidence["out of shape"]
    assert np.allclose(searched.nominal_from_scan, started.nominal_from_scan, atol=1e-5)
    # half a turn or another face would be tens of millimetres off; a bent part's best fit is off by its own form
    assert sampler.pose_error(searched.nominal_from_scan, sim.nominal_from_scan, part.nominal)[1] < 4.0
