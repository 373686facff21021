"""``runner ledger``: look at the ledger, prove that it is whole, and copy it."""

from __future__ import annotations

from pathlib import Path

import click

from runner.cli.app import HOLD, OK
from runner.cli.record import open_ledger

_place = click.option(
    "--ledger",
    "--file",
    "place",
    default="out/ledger.db",
    show_default=True,
    help="File or postgresql:// address of the ledger.",
)
_NOWHERE = Path()


@click.group("ledger")
def command() -> None:
    """Verify, list, back up or export the ledger."""


@command.command("verify")
@_place
@click.option("--head", default="", help="A head hash from a document or a backup, which must still be in the chain.")
def verify(place: str, head: str) -> int:
    """Recompute the chain of hashes and the index; exit status 3 when anything is broken.

    The chain alone can't miss its own end: give --head to see that no entry was cut off.
    """
    with open_ledger(place, _NOWHERE) as ledger:
        found, shown = ledger.verify(head.strip().lower()), ledger.place
    for problem in found.problems:
        click.echo(f"{shown}: {problem}", err=True)
    if not found.ok:
        return HOLD
    click.echo(f"{shown}: the chain of {found.entries} entries is whole; head {found.head_hash}")
    return OK


@command.command("list")
@_place
@click.option("--part", help="Only this part number.")
@click.option("--serial", help="Only this serial, as corrected.")
def list_entries(place: str, part: str | None, serial: str | None) -> int:
    """List inspections, oldest first."""
    from runner.cli.show import console
    from runner.report.terminal import attempt_line

    with open_ledger(place, _NOWHERE) as ledger:
        for attempt in ledger.attempts(part=part, serial=serial):
            console.print(attempt_line(attempt), soft_wrap=True)
    return OK


@command.command("backup")
@click.argument("target", type=click.Path(path_type=Path, dir_okay=False))
@_place
@click.option("--replace", is_flag=True, help="Take the place of a backup of that name.")
def backup(target: Path, place: str, replace: bool) -> int:
    """Copy the ledger to the file TARGET while others write, and verify the copy.

    The copy is a ledger itself, also where the ledger is on a server. Its head hash is printed: keep it elsewhere.
    """
    from runner.ledger.store import Ledger

    if target.exists() and not replace:
        raise click.UsageError(f"{str(target)!r} is there already; choose another name, or say --replace.")
    with open_ledger(place, _NOWHERE) as ledger:
        ledger.backup(target)
    with Ledger.open(target) as copy:
        found = copy.verify()
    for problem in found.problems:
        click.echo(f"{target}: {problem}", err=True)
    if not found.ok:
        return HOLD
    click.echo(f"{target}: {found.entries} entries, whole; head {found.head_hash}")
    return OK


@command.command("export")
@_place
@click.option("--json", "json_file", type=click.Path(path_type=Path, dir_okay=False),
              help="Write every entry, with its hashes, so that the chain can be checked elsewhere.")  # fmt: skip
@click.option("--csv", "csv_file", type=click.Path(path_type=Path, dir_okay=False),
              help="Write one row per characteristic and inspection.")  # fmt: skip
@click.option("--part", help="CSV: only this part number.")
@click.option("--lot", help="CSV: only this lot, as corrected.")
@click.option("--standing", is_flag=True, help="CSV: only the attempts that count.")
def export(
    place: str, json_file: Path | None, csv_file: Path | None, part: str | None, lot: str | None, standing: bool
) -> int:
    """Export the ledger as JSON, as CSV, or both."""
    from runner.report.csv_report import write_csv

    if json_file is None and csv_file is None:
        raise click.UsageError("Give --json FILE, --csv FILE, or both.")
    with open_ledger(place, _NOWHERE) as ledger:
        if json_file is not None:
            click.echo(f"{json_file}: {ledger.export_json(json_file)} entries")
        if csv_file is not None:
            attempts = (a for a in ledger.attempts(part=part, lot=lot) if a.standing or not standing)
            written, rows = write_csv(csv_file, attempts)
            click.echo(written.reason or f"{written.path}: {rows} rows")
    return OK
