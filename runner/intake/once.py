"""Everything that lies in the incoming folder now, one after another; then the documents."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

from runner.intake.folders import move_into, waiting
from runner.intake.process import Done, Station, process
from runner.intake.settle import Seen, settled
from runner.pipeline.documents import write_workbook
from runner.pipeline.progress import Progress, silent


def claim_settled(station: Station, quiet_s: float, sleep: Callable[[float], None] = time.sleep) -> Iterator[Path]:
    """Yield claimed files: first those a killed run left in hand, then the settled ones of incoming.

    A file that still changes is left for the next run.
    """
    yield from waiting(station.folders.measuring)
    first = {path: _look(path) for path in waiting(station.folders.incoming)}
    if first:
        sleep(quiet_s)
    for path, before in first.items():
        try:
            if settled(before, _look(path), quiet_s * 0.9):
                yield move_into(path, station.folders.measuring)
        except FileNotFoundError:
            continue  # somebody else took it, or the operator took it back


def run_once(
    station: Station,
    *,
    quiet_s: float = 1.0,
    progress: Progress = silent,
    each: Callable[[Done], None] = lambda done: None,
) -> list[Done]:
    """Measure what is there, write the workbooks of the parts touched, and return what became of each file."""
    finished: list[Done] = []
    parts: set[str] = set()
    for claimed in claim_settled(station, quiet_s):
        done = process(claimed, station, progress=progress)
        finished.append(done)
        each(done)
        if done.inspection is not None:
            parts.add(done.inspection.part_number)
    for part in sorted(parts):
        write_workbook(station.ledger, part, station.out)
    return finished


def _look(path: Path) -> Seen:
    status = path.lstat()
    return Seen(status.st_size, status.st_mtime_ns, time.monotonic())
