"""Writing a workbook in a process of its own, so that the memory that it takes ends with it.

A workbook shows every piece of its part number: what writing one takes grows with the ledger, and a process that has
lived on it keeps most of it for good. The service runs for months, so it does not write them itself. Nor does it stand
still meanwhile.
"""

from __future__ import annotations

import contextlib
import os
import signal
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from pathlib import Path

from runner.intake.worker_process import die_with
from runner.ledger.store import Ledger
from runner.pipeline.documents import workbook_path, write_workbook
from runner.report.atomic import Written


class Apart:
    """``WriteBook`` by a process for each workbook."""

    def __init__(self) -> None:
        self._context = get_context("spawn")
        self._process: SpawnProcess | None = None

    def __call__(self, ledger: Ledger, part: str, out: Path) -> Written:
        """Write the workbook of a part number and wait for it; what goes wrong is in the answer."""
        here, there = self._context.Pipe()
        process = self._context.Process(
            target=_write, args=(there, ledger.address, part, out, os.getpid()), name="documents", daemon=True
        )
        with here:
            process.start()
            self._process = process
            there.close()  # so that its death is the end of the pipe
            try:
                answer = here.recv()
            except (EOFError, OSError):
                answer = ""
            finally:
                process.join()
                self._process = None
        if isinstance(answer, Written):
            return answer
        why = answer or f"the process that writes it ended with status {process.exitcode}"
        return Written(workbook_path(part, out), False, f"the workbook of {part} can't be written: {why}")

    def kill(self) -> None:
        """End the process that is writing, if there is one: the old workbook stays, and is known to be behind."""
        process = self._process
        if process is not None:
            with contextlib.suppress(ValueError, OSError):
                process.kill()


def _write(pipe: Connection, address: str, part: str, out: Path, parent: int) -> None:
    """What the process does. Signals that ask the service to stop reach it too; the service decides."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    die_with(parent)

    def rename(source: Path, target: Path) -> None:
        if pipe.poll():  # the service is gone: a later one may have written a newer workbook by now
            raise ConnectionAbortedError("the service ended")
        source.replace(target)

    answer: Written | str
    try:
        with Ledger.open(address) as ledger:
            answer = write_workbook(ledger, part, out, rename=rename)
    except Exception as error:
        answer = f"{type(error).__name__}: {error}"
    with contextlib.suppress(OSError):
        pipe.send(answer)
