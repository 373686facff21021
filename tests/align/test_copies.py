"""Which rivals are the champion once more, and which stay."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from runner.align.contest import Contest
from runner.align.copies import without_copies
from runner.align.verdict import Judgement


def shifted(x):
    pose = np.eye(4)
    pose[0, 3] = x
    return pose


def test_only_a_rival_whose_fit_ends_at_the_champions_own_pose_drops_out(prepared):
    part = prepared("block")
    case = SimpleNamespace(model=part.model, scan=SimpleNamespace(noise=0.005))
    diagonal = part.model.search.diagonal
    fitted = []

    def evidence(x):
        return SimpleNamespace(pose=shifted(x), mirrored=False)

    # a copy that slid by 2 mm, one whose fit ends a tenth of a millimetre away, and one a third of the part away
    ends = {2.0: 0.001, 1.5: 0.1, diagonal / 3: 0.0}

    def fit(rival):
        fitted.append(rival.pose[0, 3])
        return SimpleNamespace(nominal_from_scan=shifted(ends[rival.pose[0, 3]]))

    rivals = tuple((evidence(x), Contest(20, 18)) for x in ends)
    beaten = (evidence(30.0),)
    judgement = Judgement(evidence(0.0), rivals, None, beaten)
    refined = SimpleNamespace(nominal_from_scan=shifted(0.0))
    left = without_copies(case, judgement, refined, fit)
    assert [rival.pose[0, 3] for rival, _ in left.rivals] == [1.5, diagonal / 3]
    assert fitted == [2.0, 1.5]
    assert left.champion is judgement.champion
    assert left.beaten == beaten
    # nothing to be fitted where there is no rival
    alone = replace(judgement, rivals=())
    assert without_copies(case, alone, refined, fit).rivals == ()
    assert fitted == [2.0, 1.5]
