"""When a dropped file counts as complete."""

from hypothesis import given, settings
from hypothesis import strategies as st

from runner.intake.settle import Seen, settled


def test_unchanged_for_the_quiet_time_is_settled() -> None:
    assert settled(Seen(10, 1, 0.0), Seen(10, 1, 2.0), 2.0)


def test_first_look_never_settles() -> None:
    assert not settled(None, Seen(10, 1, 100.0), 0.0)


def test_a_file_that_grows_or_is_rewritten_is_not_settled() -> None:
    assert not settled(Seen(10, 1, 0.0), Seen(11, 1, 9.0), 2.0)
    # a copy that allocated the whole size first: only its time moves
    assert not settled(Seen(10, 1, 0.0), Seen(10, 2, 9.0), 2.0)


def test_an_empty_file_is_never_settled() -> None:
    assert not settled(Seen(0, 1, 0.0), Seen(0, 1, 1e9), 1.0)


@given(st.integers(1, 9), st.integers(0, 3), st.integers(1, 9), st.integers(0, 3), st.floats(0, 5), st.floats(0.1, 5))
@settings(deadline=None)
def test_settled_only_when_nothing_moved_for_long_enough(
    size: int, mtime: int, size_now: int, mtime_now: int, waited: float, quiet: float
) -> None:
    verdict = settled(Seen(size, mtime, 0.0), Seen(size_now, mtime_now, waited), quiet)
    assert verdict == (size == size_now and mtime == mtime_now and waited >= quiet)
