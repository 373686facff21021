"""What runs in a measuring process: takes jobs from a pipe one after another, under its limits, until the pipe ends."""

from __future__ import annotations

import ctypes
import importlib
import os
import signal
import sys
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from runner.intake.job import MEMORY_ADVICE, Finished, Job

_DIE_WITH_PARENT = 1  # PR_SET_PDEATHSIG of Linux


def serve(pipe: Connection, measure: str, memory_bytes: int, parent: int) -> None:
    """Answer each job that comes through ``pipe``; ``measure`` is ``module:function``.

    Signals that ask the service to stop reach the whole group of processes; only the service decides what they mean.
    """
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    die_with(parent)
    function, prepare = load(measure)
    prepare()
    limit_memory(memory_bytes)
    try:
        pipe.send(None)  # ready: the time of the first job begins here
    except OSError:
        return
    while True:
        try:
            job: Job = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            answer = function(job)
        except MemoryError:
            answer = Finished(job.claim, "it needs more memory than one measurement may take", MEMORY_ADVICE)
        except Exception as error:
            answer = Finished(job.claim, f"measuring failed: {type(error).__name__}: {error}")
        try:
            pipe.send(answer)
        except OSError:
            return


def load(measure: str) -> tuple[Callable[[Job], Finished], Callable[[], object]]:
    """The function that a text names, and what its module wants done before the first job."""
    module_name, _, name = measure.partition(":")
    module: Any = importlib.import_module(module_name)
    return getattr(module, name), getattr(module, "prepare", lambda: None)


def die_with(parent: int) -> None:
    """End this process when its parent ends, also in the middle of a job (Linux; elsewhere at the next answer)."""
    if not sys.platform.startswith("linux"):
        return
    try:
        ctypes.CDLL(None).prctl(_DIE_WITH_PARENT, signal.SIGKILL, 0, 0, 0)
    except (OSError, AttributeError):
        return
    if os.getppid() != parent:  # it ended before this was asked for
        os._exit(1)


def limit_memory(more_bytes: int) -> None:
    """Allow this process ``more_bytes`` beyond what it has now; 0: no limit. Only where the system can."""
    if not more_bytes or sys.platform == "win32":
        return
    import resource

    # data, not address space: mapped files (scans, cached nominals) cost no memory of their own
    limit = data_bytes(os.getpid()) + more_bytes
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    if hard != resource.RLIM_INFINITY:
        limit = min(limit, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (limit, hard))


def data_bytes(pid: int) -> int:
    """Private writable memory of a process as the system counts it for the limit; 0 where it can't be told."""
    return _status(pid, "VmData:")


def resident_bytes(pid: int) -> int:
    """Memory that a process really occupies, files it maps left out; 0 where it can't be told."""
    return _status(pid, "RssAnon:")


def _status(pid: int, key: str) -> int:
    try:
        text = Path(f"/proc/{pid}/status").read_text(encoding="ascii", errors="replace")
    except OSError:
        return 0
    line = next((line for line in text.splitlines() if line.startswith(key)), "")
    return int(line.split()[1]) * 1024 if line else 0
