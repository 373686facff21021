from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.geometry.weld import Welder, duplicate_share, weld


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(*[st.sampled_from([0.0, -0.0, 1.0, -1.0, 0.1, 1e300, 5e-324])] * 3), min_size=1, max_size=60))
def test_same_as_sorting(rows: list[tuple[float, float, float]]) -> None:
    """Oracle: numpy.unique (which also takes plus and minus zero as equal)."""
    points = np.array(rows)
    unique, index = weld(points)
    assert np.array_equal(unique[index], points)
    assert len(unique) == len(np.unique(points + 0.0, axis=0))
    # In order of first appearance.
    assert np.array_equal(np.unique(index, return_index=True)[1], np.sort(np.unique(index, return_index=True)[1]))


def test_growing_from_a_small_guess() -> None:
    points = np.random.default_rng(1).integers(0, 40, (200_000, 3)).astype(float)
    welder = Welder(1)
    index = np.concatenate([welder.add(block) for block in np.array_split(points, 37)])
    assert np.array_equal(welder.points()[index], points)
    assert len(welder.points()) == len(np.unique(points, axis=0))


def test_share_of_duplicates() -> None:
    rng = np.random.default_rng(2)
    few = rng.normal(size=(1000, 3))
    assert duplicate_share(few) == 0.0
    assert duplicate_share(np.concatenate([few, few[:500]])) == 1.0 - 1000 / 1500
    many = rng.normal(size=(300_000, 3))
    assert duplicate_share(many) == 0.0
    assert abs(duplicate_share(np.concatenate([many, many[:100_000]])) - 0.25) < 0.01
    assert duplicate_share(np.zeros((500_000, 3))) in (0.0, 1.0 - 1 / 500_000)
