"""``runner ledger``: look at the ledger and prove that it is whole."""

from __future__ import annotations

from pathlib import Path

import click

from runner.cli.app import HOLD, OK

_file = click.option(
    "--file", "path", type=click.Path(path_type=Path, exists=True), default=Path("out/ledger.db"), show_default=True
)


@click.group("ledger")
def command() -> None:
    """Verify or list the ledger."""


@command.command("verify")
@_file
def verify(path: Path) -> int:
    """Recompute the chain of hashes; exit status 3 when it is broken."""
    from runner.ledger.store import Ledger

    with Ledger.open(path) as ledger:
        found = ledger.verify()
    for problem in found.problems:
        click.echo(f"{path}: {problem}", err=True)
    if not found.ok:
        return HOLD
    click.echo(f"{path}: the chain of {found.entries} entries is whole; head {found.head_hash}")
    return OK


@command.command("list")
@_file
@click.option("--part", help="Only this part number.")
def list_entries(path: Path, part: str | None) -> int:
    """List inspections, oldest first."""
    from runner.cli.show import console
    from runner.ledger.store import Ledger
    from runner.report.terminal import summary

    with Ledger.open(path) as ledger:
        for attempt in ledger.inspections(part=part):
            console.print(f"{attempt.sequence:>5} {attempt.created_utc}", summary(attempt.inspection))
    return OK
