"""A test that hangs must fail, not hang."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager

import pytest


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Fail when what is inside takes longer; waiting in the system is interrupted too."""
    if not hasattr(signal, "setitimer"):
        pytest.skip("this system can't interrupt a wait")

    def stop(*_: object) -> None:
        raise AssertionError(f"not done within {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
