"""Measuring on a cluster, through the ``concurrent.futures`` interface of Dask's ``distributed`` (extra ``cluster``).

Start a scheduler and, on each machine, one worker process per measurement that may run there at a time:

    DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES=0 dask scheduler
    dask worker tcp://SCHEDULER:8786 --nworkers 4 --nthreads 1 --memory-limit 8GB

Every worker needs this program in the same version, and must see the scans, the recipes and the output folder under
the same paths as the service does (a file share). A worker that does not see them says so, and the scan is tried again:
it is never held for that. Memory is limited by the worker's own ``--memory-limit``: a worker over it is ended and
replaced, and the scan it had is answered for. The address should lie in a network that only the stations reach: whoever
reaches the scheduler can run programs on its workers.
"""

from __future__ import annotations

import contextlib
import pickle
import socket
import threading
import time
import uuid
from collections.abc import Sequence
from concurrent.futures import Future
from concurrent.futures import wait as wait_for
from dataclasses import dataclass, replace
from multiprocessing.connection import wait as wait_for_any
from pathlib import Path
from typing import Any

from runner.diagnostics import MissingLibraryError, RunnerError
from runner.intake.job import ASK, MEMORY_ADVICE, TIME_ADVICE, Finished, Job, Measure, measure_job

WATCH_S = 0.5
"""Seconds between two looks at how long jobs take."""
_ONE_AT_A_TIME = threading.Lock()


@dataclass
class _InHand:
    """A job on the cluster."""

    job: Job
    future: Future[Finished]
    key: str
    since: float


class DaskSubmit:
    """``Submit`` by a cluster."""

    def __init__(
        self,
        address: str | None = None,
        *,
        client: Any = None,
        time_limit_s: float = 900.0,
        measure: Measure = measure_job,
    ) -> None:
        """Connect to the scheduler at ``address``, or use a connected ``distributed.Client``.

        Raises ``MissingLibraryError`` without the extra, ``RunnerError`` when the scheduler can't be reached.
        """
        try:
            from distributed import Client
        except ImportError:
            raise MissingLibraryError(
                "Measuring on a cluster needs the package distributed: install this program with its extra 'cluster'."
            ) from None
        self._owns_client = client is None
        try:
            self._client = client if client is not None else Client(address, set_as_default=False)
        except (OSError, ValueError) as error:
            raise RunnerError(f"no scheduler of a cluster answers at {address!r}: {error}") from None
        self._executor = self._client.get_executor(pure=False, retries=0)
        self._measure = measure
        self._time_limit_s = time_limit_s
        self._in_hand: list[_InHand] = []
        self._ready: list[Finished] = []
        self._bell, self._ring = socket.socketpair()
        for end in (self._bell, self._ring):
            end.setblocking(False)

    def submit(self, job: Job) -> None:
        """Hand the job to the scheduler, with paths that do not depend on where a process was started."""
        whole = replace(
            job,
            scans=tuple(path.absolute() for path in job.scans),
            recipe=job.recipe.absolute(),
            stage=job.stage.absolute(),
            cache=job.cache and job.cache.absolute(),
        )
        key = f"measure-{uuid.uuid4().hex}"
        future = self._executor.submit(measure_alone, self._measure, whole, key=key)
        self._in_hand.append(_InHand(job, future, key, time.monotonic()))
        future.add_done_callback(self._wake)

    def ready(self) -> list[Finished]:
        """What was finished, also by the death of its worker or of the connection."""
        with contextlib.suppress(BlockingIOError):
            self._bell.recv(4096)
        still: list[_InHand] = []
        for held in self._in_hand:
            if held.future.done():
                self._ready.append(_answer(held))
            elif time.monotonic() - held.since > self._time_limit_s:
                self._ready.append(self._end(held))
            else:
                still.append(held)
        self._in_hand = still
        found, self._ready = self._ready, []
        return found

    def capacity(self) -> int:
        """Workers of the cluster that have no job of ours; 0 while the scheduler can't be reached."""
        try:
            workers = self._client.scheduler_info(n_workers=-1)["workers"]
        except Exception:  # whatever the connection raises: no worker can be reached now
            return 0
        return max(0, len(workers) - len(self._in_hand))

    def wait(self, timeout_s: float, wake: Sequence[Any] = ()) -> None:
        """Wait until a job is done, ``wake`` can be read, or the time is over."""
        if self._in_hand:
            timeout_s = min(timeout_s, max(WATCH_S, self._time_limit_s / 100))
        wait_for_any([self._bell, *wake], timeout_s)

    def close(self, wait: bool) -> None:
        """End the connection: after what is in hand, whose answers are dropped, or at once."""
        if wait:
            wait_for([held.future for held in self._in_hand], self._time_limit_s)
        self._executor.shutdown(wait=False)
        self._in_hand.clear()
        if self._owns_client:
            self._client.close(timeout=2)
        self._bell.close()
        self._ring.close()

    def _wake(self, _future: Future[Finished]) -> None:
        with contextlib.suppress(OSError):
            self._ring.send(b".")

    def _end(self, held: _InHand) -> Finished:
        """Give up a job that takes too long, and replace the worker that has it: a running thread can't be stopped."""
        with contextlib.suppress(Exception):  # the answer stands even when the worker can't be replaced
            having = [worker for worker, keys in self._client.processing().items() if held.key in keys]
            held.future.cancel()
            self._client.restart_workers(having, timeout=30, raise_for_error=False)
        text = f"measuring took longer than {self._time_limit_s:g} s and was ended"
        return Finished(held.job.claim, text, TIME_ADVICE)


def measure_alone(measure: Measure, job: Job) -> Finished:
    """Measure on a worker: one job at a time in one process, and only where the files can be seen."""
    unseen = [path for path in (*job.scans, job.recipe, _root(job.stage)) if not path.exists()]
    if unseen:
        return Finished(job.claim, trouble=f"the worker on {socket.gethostname()} does not see {unseen[0]}")
    with _ONE_AT_A_TIME:
        return measure(job)


def _root(stage: Path) -> Path:
    """The folder above those that measuring itself would make: ``OUT`` of ``OUT/service/work/CLAIM/TRY``."""
    return stage.parents[min(3, len(stage.parents) - 1)]


def _answer(held: _InHand) -> Finished:
    """What a finished future says. Measuring itself never raises, so an error is the cluster's."""
    from distributed import KilledWorker

    claim = held.job.claim
    if held.future.cancelled():
        return Finished(claim, trouble="the connection to the cluster was lost")
    error = held.future.exception()
    if error is None:
        return held.future.result()
    if isinstance(error, KilledWorker):
        return Finished(claim, "the worker died while measuring it, or took too much memory", MEMORY_ADVICE)
    if isinstance(error, pickle.PickleError | TypeError | AttributeError):
        return Finished(claim, f"the cluster could not run it: {type(error).__name__}: {error}", ASK)
    return Finished(claim, trouble=f"the cluster could not run it: {type(error).__name__}: {error}")
