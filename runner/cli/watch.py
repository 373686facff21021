"""``runner watch``: measure what arrives."""

from __future__ import annotations

import platform
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.app import OK, OWN_FAULT

if TYPE_CHECKING:
    from runner.intake.process import Done
    from runner.intake.submit import Submit


@click.command("watch")
@click.option("--once", is_flag=True, help="Measure what lies there now, then stop.")
@click.option("--scans", "scans_folder", type=click.Path(path_type=Path), default=Path("scans"), show_default=True)
@click.option(
    "--recipes", "recipes_folder", type=click.Path(path_type=Path), default=Path("recipes"), show_default=True
)
@click.option("--out", type=click.Path(path_type=Path), default=Path("out"), show_default=True)
@click.option("--ledger", "ledger_place", default="", help="File or database address of the ledger (default: in OUT).")
@click.option("--poll", type=click.FloatRange(0.2), default=5.0, show_default=True, help="Seconds between two looks.")
@click.option("--quiet-for", type=click.FloatRange(0.0), default=1.0, show_default=True,
              help="Seconds a file must stay unchanged before it is taken.")  # fmt: skip
@click.option("--set-wait", type=click.FloatRange(0.0), default=30.0, show_default=True,
              help="Minutes that a set of scans waits for its missing members before it is held.")  # fmt: skip
@click.option("--workers", type=click.IntRange(1), default=None, help="Measurements at a time (default: cores).")
@click.option("--memory", type=click.FloatRange(0.0), default=None,
              help="GiB that one measurement may take; 0: no limit (default: its share of the machine's).")  # fmt: skip
@click.option("--time-limit", type=click.FloatRange(1.0), default=900.0, show_default=True,
              help="Seconds that one measurement may take.")  # fmt: skip
@click.option("--cluster", default="", help="Address of a Dask scheduler that measures in place of own processes.")
@click.option("--station", default=platform.node(), help="Name of this station in the ledger.")
def command(
    once: bool,
    scans_folder: Path,
    recipes_folder: Path,
    out: Path,
    ledger_place: str,
    poll: float,
    quiet_for: float,
    set_wait: float,
    workers: int | None,
    memory: float | None,
    time_limit: float,
    cluster: str,
    station: str,
) -> int:
    """Measure every scan dropped into SCANS/incoming by the recipe that its name calls for.

    The first Ctrl-C, or SIGTERM, finishes what is in hand and stops; the second stops at once, and what was in hand is
    taken up at the next start. The exit status is 0 when the service did its work, whatever the parts were like:
    outcomes are in the ledger and the workbook. With --once it is 4 when something could not be brought to its end.
    """
    from runner.cli.show import console, errors
    from runner.intake.apart import Apart
    from runner.intake.choose import RecipeBook
    from runner.intake.folders import Folders
    from runner.intake.health import FOLDER
    from runner.intake.log import open_log
    from runner.intake.process import Station
    from runner.intake.service import Service, Settings
    from runner.intake.upkeep import Upkeep
    from runner.intake.wake import Wake
    from runner.intake.workers import usable_cores
    from runner.ledger.store import Ledger
    from runner.nominal.cache import ArrayCache

    book = RecipeBook(recipes_folder, quiet_s=quiet_for)
    for path, why in book.broken.items():
        errors.print(f"{path.name} is not usable and left out:\n{why}", markup=False)
    if not book.recipes:
        raise click.UsageError(f"There is no usable recipe in {str(recipes_folder)!r}.")
    folders = Folders(scans_folder)
    folders.make()
    if len({path.stat().st_dev for path in (folders.incoming, folders.measuring, folders.measured, folders.held)}) > 1:
        text = "a scan is moved between them by one rename: mount the share as the folder above them"
        raise click.UsageError(f"The folders in {str(scans_folder)!r} lie on different file systems; {text}.")
    if cluster and memory is not None:
        raise click.UsageError("--memory is for own processes; a cluster's workers have limits of their own.")
    out.mkdir(parents=True, exist_ok=True)
    count = workers or usable_cores()
    settings = Settings(poll_s=poll, quiet_s=quiet_for, set_wait_s=60.0 * set_wait, workers=count)
    log = open_log(out / FOLDER, station)
    wake = Wake()
    with Ledger.open(ledger_place or out / "ledger.db") as ledger, wake.on_signals():
        place = Station(folders, ledger, out, book.recipes, ArrayCache(), name=station, broken=book.broken)
        service = Service(
            place,
            _submit(count, memory, time_limit, cluster),
            settings,
            log,
            Upkeep(ledger, out, held=folders.held, write_book=Apart()),
            wake=wake,
            each=_teller(console.print),
            book=book,
        )
        if not once:
            wake.watch(folders.incoming)
            console.print(f"Watching {folders.incoming}; Ctrl-C finishes what is in hand and stops.", markup=False)
        finished = service.run(once=once)
    log.close()
    troubles = service.trouble()
    if once:
        if not finished:
            console.print(f"Nothing to measure in {folders.incoming}.", markup=False)
        for text in troubles:
            errors.print(text, markup=False)
    return OWN_FAULT if once and service.left else OK


def _submit(count: int, memory: float | None, time_limit: float, cluster: str) -> Submit:
    """Where measuring happens."""
    if cluster:
        from runner.intake.cluster import DaskSubmit

        return DaskSubmit(cluster, time_limit_s=time_limit)
    from runner.intake.workers import Workers

    return Workers(count, memory_bytes=None if memory is None else int(memory * 2**30), time_limit_s=time_limit)


def _teller(say: Callable[..., object]) -> Callable[[Done], None]:
    """One line for each scan or set."""
    from runner.report.text import visible

    def tell(done: Done) -> None:
        inspection = done.inspection
        if inspection is None:
            # of a scan that was filed after a stop only the folder says what became of it
            word = "filed" if done.file.parent.name == "measured" else "hold"
            say(visible(f"{word:7s} {done.file.name}: {done.reason}"), markup=False)
            return
        why = f": {inspection.reason}" if inspection.reason else ""
        remark = f" ({done.reason})" if done.reason else ""
        mark = "" if inspection.provenance.recipe_status == "released" else " [unreleased recipe]"
        line = f"{inspection.outcome:7s} {inspection.part_number} {inspection.serial}{mark}{why}{remark}"
        say(visible(line), markup=False)

    return tell
