"""Measuring in long-lived processes of this machine, each with its own pipe, watched over by the service.

A process that crashes, takes too much memory or too long costs the scan it had in hand and nothing else: it is
replaced, and the answer says why. Processes are spawned, never forked: threads of the numerical libraries don't survive
a fork.
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any

from runner.intake.job import ASK, MEMORY_ADVICE, TIME_ADVICE, Finished, Job
from runner.intake.worker_process import resident_bytes, serve

MEASURE = "runner.intake.job:measure_job"
LEAST_MEMORY = 2 << 30
WATCH_S = 0.5
"""Seconds between two looks at memory and time of the processes."""
START_S = 300.0
"""Seconds a process may take to start and prepare; the time for the scan counts from there."""
THREAD_SETTINGS = ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass
class _Worker:
    """One process with the job it has in hand."""

    process: SpawnProcess
    pipe: Connection
    job: Job | None = None
    since: float = 0.0
    started: bool = False


class Workers:
    """``Submit`` by processes. They are started when there is work for them."""

    def __init__(
        self,
        count: int | None = None,
        *,
        memory_bytes: int | None = None,
        time_limit_s: float = 900.0,
        measure: str = MEASURE,
        cores: int | None = None,
        start_s: float = START_S,
    ) -> None:
        """``memory_bytes`` for each measurement; None: an even share of the machine's, 0: no limit."""
        cores = cores or usable_cores()
        self.count = count or cores
        self._threads = max(1, cores // self.count)
        self._memory = default_memory(self.count) if memory_bytes is None else memory_bytes
        self._time_limit_s = time_limit_s
        self._start_s = start_s
        self._measure = measure
        self._context = get_context("spawn")
        self._workers: list[_Worker] = []
        self._ready: list[Finished] = []
        self._looked = 0.0

    def submit(self, job: Job) -> None:
        """Give the job to a process that is free, or to a new one."""
        while True:
            free = next((worker for worker in self._workers if worker.job is None), None)
            if free is None:
                free = self._start()
            try:
                free.pipe.send(job)
            except OSError:
                self._bury(free)  # it died while it was idle; nothing is lost
                continue
            free.job, free.since = job, time.monotonic()
            return

    def ready(self) -> list[Finished]:
        """What was finished, also by the death of its process."""
        for worker in list(self._workers):
            self._hear(worker)
        if time.monotonic() - self._looked >= WATCH_S:
            self._looked = time.monotonic()
            for worker in list(self._workers):
                self._watch(worker)
        found, self._ready = self._ready, []
        return found

    def capacity(self) -> int:
        """Processes that have nothing in hand."""
        return self.count - sum(worker.job is not None for worker in self._workers)

    def wait(self, timeout_s: float, wake: Sequence[Any] = ()) -> None:
        """Wait until a process answers or dies."""
        if self._ready:
            return
        busy = [worker for worker in self._workers if worker.job is not None]
        if busy:
            timeout_s = min(timeout_s, WATCH_S)
        waitables: list[Any] = [*wake, *(w.pipe for w in busy), *(w.process.sentinel for w in busy)]
        if waitables:
            wait(waitables, timeout_s)
        else:
            time.sleep(timeout_s)

    def close(self, wait: bool) -> None:
        """End the processes: each after the job in hand, whose answer is dropped, or at once."""
        for worker in self._workers:
            with contextlib.suppress(OSError):
                worker.pipe.close()
            if not wait:
                worker.process.kill()
        for worker in self._workers:
            worker.process.join(self._time_limit_s if worker.job is not None else 10.0)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()
            worker.process.close()
        self._workers.clear()

    def pids(self) -> tuple[int, ...]:
        """Process numbers, for tests and for the log."""
        return tuple(worker.process.pid or 0 for worker in self._workers)

    def _start(self) -> _Worker:
        here, there = self._context.Pipe()
        process = self._context.Process(
            target=serve, args=(there, self._measure, self._memory, os.getpid()), name="measuring", daemon=True
        )
        with _environment({name: str(self._threads) for name in THREAD_SETTINGS}):
            process.start()
        there.close()  # so that its death is the end of the pipe
        worker = _Worker(process, here)
        self._workers.append(worker)
        return worker

    def _hear(self, worker: _Worker) -> None:
        """Take an answer, or notice that there will be none."""
        try:
            if worker.pipe.poll():
                answer = worker.pipe.recv()
                if answer is None:
                    worker.started, worker.since = True, time.monotonic()
                elif worker.job is not None:
                    self._ready.append(answer)
                    worker.job = None
                return
        except (EOFError, OSError):
            self._lost(worker)
            return
        if not worker.process.is_alive():
            self._lost(worker)

    def _watch(self, worker: _Worker) -> None:
        """End a process that is over its limits."""
        if worker.job is None:
            return
        spent = time.monotonic() - worker.since
        limit = self._time_limit_s if worker.started else self._start_s
        used = resident_bytes(worker.process.pid or 0)
        if spent > limit and not worker.started:
            self._lost(worker, f"was not ready within {limit:g} s")
        elif spent > limit:
            text = f"measuring took longer than {limit:g} s and was ended"
            self._lost(worker, text, TIME_ADVICE)
        elif worker.started and self._memory and used > self._memory + LEAST_MEMORY:
            text = f"it takes more than {self._memory / 2**30:.1f} GiB of memory and was ended"
            self._lost(worker, text, MEMORY_ADVICE)

    def _lost(self, worker: _Worker, text: str = "", advice: str = "") -> None:
        """Answer for a process that died or has to, and remove it."""
        job = worker.job
        number = self._bury(worker)
        if job is None:
            return
        if not worker.started:  # the scan was not looked at: it is not to blame
            text = f"a measuring process {text or f'died while it started ({_ending(number)})'}"
            self._ready.append(Finished(job.claim, trouble=text))
            return
        if not text:
            text, advice = f"the measuring process died ({_ending(number)})", ASK
            if number == -getattr(signal, "SIGKILL", 9):
                text += "; most likely the system had no memory left"
                advice = MEMORY_ADVICE
        self._ready.append(Finished(job.claim, text, advice))

    def _bury(self, worker: _Worker) -> int | None:
        """Make sure that a process is gone; return how it ended."""
        self._workers.remove(worker)
        worker.process.join(0.2)
        if worker.process.exitcode is None:
            worker.process.kill()
            worker.process.join()
        number = worker.process.exitcode
        worker.pipe.close()
        worker.process.close()
        return number


def usable_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def default_memory(count: int) -> int:
    """An even share of nine tenths of the machine's memory, at least 2 GiB; 0 (no limit) where it can't be told."""
    try:
        total = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return 0
    return max(LEAST_MEMORY, int(0.9 * total / count))


def _ending(number: int | None) -> str:
    """An exit status for people."""
    if number is not None and number < 0:
        with contextlib.suppress(ValueError):
            return f"signal {signal.Signals(-number).name}"
    return f"exit status {number}"


@contextlib.contextmanager
def _environment(settings: Mapping[str, str]) -> Iterator[None]:
    """Settings that a process inherits that is started meanwhile."""
    before = {name: os.environ.get(name) for name in settings}
    os.environ.update(settings)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
