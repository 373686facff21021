"""``runner status``: queue and health at a glance, from what the board shows."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.app import HOLD, OK, OWN_FAULT

if TYPE_CHECKING:
    from collections.abc import Iterator

    from runner.report.board_data import BoardData


@click.command("status")
@click.option("--out", type=click.Path(path_type=Path), default=Path("out"), show_default=True)
@click.option("--scans", "scans_folder", type=click.Path(path_type=Path), default=Path("scans"), show_default=True)
@click.option("--ledger", "ledger_place", default="", help="File or database address of the ledger (default: in OUT).")
@click.option("--json", "as_json", is_flag=True, help="Print everything as one JSON object.")
def command(out: Path, scans_folder: Path, ledger_place: str, as_json: bool) -> int:
    """Show the services, the queue, today's counts and what waits for a person.

    Exit status: 0 all is well (also when every service was stopped on purpose), 4 a service gave no sign of life for
    three polls, 3 other trouble.
    """
    from runner.cli.show import console

    data = _look(out, scans_folder, ledger_place)
    if as_json:
        from runner.records_io import canonical_text, to_json

        click.echo(canonical_text({**to_json(data), "trouble": list(data.troubles), "waiting": data.waiting}))
    else:
        for line in lines(data):
            console.print(line, markup=False, highlight=False, soft_wrap=True)
    return status_of(data)


def status_of(data: BoardData) -> int:
    """The exit status."""
    if data.dead:
        return OWN_FAULT
    return HOLD if data.troubles else OK


def lines(data: BoardData) -> Iterator[str]:
    """The status as lines of text."""
    from runner.report.board_kit import duration_text, seconds_between
    from runner.report.text import visible

    if not data.stations:
        yield "No service has run here yet."
    for station in data.stations:
        quiet = seconds_between(station.beat_utc, data.made_utc)
        ago = "at an unknown time" if quiet is None else f"{duration_text(quiet)} ago"
        head = f"{visible(station.name)} on {visible(station.host)}: {station.state}, last sign of life {ago}"
        yield f"{head}; {station.waiting} waiting, {len(station.in_hand)} being measured, {station.workers} workers"
        for one in station.in_hand:
            since = seconds_between(one.since_utc, data.made_utc)
            age = "" if since is None else f", for {duration_text(since)}"
            yield f"  in hand: {visible(one.part)} {visible(one.serial)} ({visible(one.file)}){age}"
        for one_set in station.sets:
            missing = ", ".join(map(visible, one_set.missing))
            title = f"{visible(one_set.part)} {visible(one_set.serial)}"
            yield f"  set {title}: waits for {missing} until {one_set.until_utc}"
    counts = ", ".join(f"{count} {outcome}" for outcome, count in data.today)
    yield f"Today: {counts}. Last hour: {data.last_hour}. Ledger: {data.entries} entries, last {data.head_hash[:12]}."
    for task in data.tasks:
        yield f"To do: {visible(task.title)}: {visible(task.what_to_do)} ({visible(task.why)})"
    if data.more_tasks:
        yield f"To do: {data.more_tasks} more"
    for text in data.troubles:
        yield f"Trouble: {visible(text)}"


def _look(out: Path, scans_folder: Path, ledger_place: str) -> BoardData:
    """Read everything; a ledger that is not there is not made by looking."""
    from runner.intake.board import board_now
    from runner.intake.folders import Folders
    from runner.ledger.errors import LedgerError
    from runner.ledger.store import Ledger

    held, now = Folders(scans_folder).held, datetime.now().astimezone()
    place = ledger_place or str(out / "ledger.db")
    if "://" not in place and not Path(place).is_file():
        return board_now(None, out, held, now)
    try:
        ledger = Ledger.open(place)
    except LedgerError as error:
        return board_now(None, out, held, now, (f"the ledger can't be opened: {error}",))
    with ledger:
        return board_now(ledger, out, held, now)
