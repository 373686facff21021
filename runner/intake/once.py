"""Everything that lies in the incoming folder now, measured in this process; then the documents."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from runner.intake.health import FOLDER
from runner.intake.job import measure_job
from runner.intake.log import open_log
from runner.intake.process import Done, Station
from runner.intake.service import Service, Settings
from runner.intake.submit import Inline
from runner.intake.upkeep import Upkeep
from runner.pipeline.progress import Progress, silent


def run_once(
    station: Station,
    *,
    quiet_s: float = 1.0,
    progress: Progress = silent,
    each: Callable[[Done], None] = lambda done: None,
) -> list[Done]:
    """Measure what is there, write the documents of the parts touched, and return what became of each file.

    A file that still changes, or a set that is not complete, is left for the next run.
    """
    log = open_log(station.out / FOLDER, station.name or "station")
    service = Service(
        station,
        Inline(partial(measure_job, progress=progress, plans=station.plans)),
        Settings(poll_s=min(1.0, max(quiet_s, 0.05)), quiet_s=quiet_s),
        log,
        Upkeep(station.ledger, station.out, held=station.folders.held, background=False),
        each=each,
    )
    try:
        return service.run(once=True)
    finally:
        log.close()
