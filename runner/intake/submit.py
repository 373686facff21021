"""Where measuring happens: the one interface, and the simplest way, in the service's own process.

``workers.Workers`` measures in processes of this machine, ``cluster`` on a cluster; the service knows only ``Submit``.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Any, Protocol

from runner.intake.job import Finished, Job, Measure, measure_job


class Submit(Protocol):
    """Takes jobs and gives back what became of them, in any order."""

    def submit(self, job: Job) -> None:
        """Take a job; only called while ``capacity`` is above 0. Does not wait for it."""

    def ready(self) -> list[Finished]:
        """What was finished since the last call. Does not wait. Every job taken comes back exactly once."""

    def capacity(self) -> int:
        """How many more jobs can be taken now."""

    def wait(self, timeout_s: float, wake: Sequence[Any] = ()) -> None:
        """Wait until something is ready, one of ``wake`` (sockets) can be read, or the time is over."""

    def close(self, wait: bool) -> None:
        """Stop: after what is in hand (``wait``), or at once."""


class Inline:
    """Measures in this process, one job at a time, when it is asked what is ready."""

    def __init__(self, measure: Measure = measure_job) -> None:
        self._measure = measure
        self._jobs: deque[Job] = deque()

    def submit(self, job: Job) -> None:
        """Take the job."""
        self._jobs.append(job)

    def ready(self) -> list[Finished]:
        """Measure the job that waits."""
        return [self._measure(self._jobs.popleft())] if self._jobs else []

    def capacity(self) -> int:
        """One job at a time."""
        return 1 - len(self._jobs)

    def wait(self, timeout_s: float, wake: Sequence[Any] = ()) -> None:
        """Wait for ``wake`` when there is nothing to do."""
        from multiprocessing.connection import wait

        if self._jobs:
            return
        if wake:
            wait(list(wake), timeout_s)
        else:
            import time

            time.sleep(timeout_s)

    def close(self, wait: bool) -> None:
        """Forget what was not begun; the claims stay and are taken up at the next start."""
        self._jobs.clear()
