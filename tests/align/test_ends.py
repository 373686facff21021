"""Ends of a fit: two wells of known place and depth along one motion."""

from dataclasses import dataclass

import numpy as np
import pytest

from runner.align.ends import lowest_end
from runner.geometry.frames import rigid

CENTRE, HALF = np.zeros(3), 50.0


@dataclass(frozen=True)
class End:
    nominal_from_scan: np.ndarray
    limit: float = 1.0


def at(z):
    return rigid(np.eye(3), np.array([0.0, 0.0, z]))


def wells(deep, other):
    """A fit that falls into the well at 0 below z = 0.7 and into the one at 2 above; the losses of the two."""

    def fit(start, some):
        assert some is None or (len(some) == 6000 and some.max() < 20_000)
        return End(at(0.0 if start[2, 3] < 0.7 else 2.0))

    return fit, lambda pose: deep if pose[2, 3] < 1.0 else other


@pytest.mark.parametrize("start", [0.0, 2.0])
@pytest.mark.parametrize(
    ("deep", "other", "best", "apart"),
    [
        (0.30, 0.50, 0.0, 0.0),
        (0.50, 0.30, 2.0, 0.0),
        (0.30, 0.302, 0.0, 2.0),
        (0.302, 0.30, 2.0, 2.0),
        (0.30, 0.306, 0.0, 0.0),
    ],
)
def test_the_lowest_end_is_taken_from_either_and_an_equal_one_told(start, deep, other, best, apart):
    fit, loss = wells(deep, other)
    # from 2.0 a start one limit aside lies at 1.0, in the same well: the other is out of reach there
    reach = 1.0 if start == 0.0 else 1.5
    found = lowest_end(fit, loss, End(at(start), reach), 20_000, CENTRE, HALF, None, 0.25)
    assert found.best.nominal_from_scan[2, 3] == pytest.approx(best)
    assert found.apart == pytest.approx(apart)


def test_one_end_is_left_as_it_was_found():
    found = End(at(0.0))
    made = lowest_end(lambda s, r: End(at(0.0)), lambda p: 1.0, found, 100, CENTRE, HALF, None, 0.25)
    assert made.best is found
    assert made.apart == 0.0


def test_fits_that_fail_leave_the_end_as_it_was():
    found = End(at(0.0))
    assert lowest_end(lambda s, r: None, lambda p: 1.0, found, 100, CENTRE, HALF, None, 0.25).best is found
