"""``runner correct``: an inspection that was filed under a wrong serial or lot."""

from __future__ import annotations

from pathlib import Path

import click

from runner.cli.app import OK
from runner.cli.record import open_ledger, piece_text, place_options, signature_options, tell


@click.command("correct")
@click.argument("inspection")
@click.option("--serial", help="The right serial; as it is when not given.")
@click.option("--lot", help="The right lot; as it is when not given.")
@signature_options
@place_options
def command(
    inspection: str, serial: str | None, lot: str | None, person: str, reason: str, ledger_place: str, out: Path
) -> int:
    """Enter the right serial or lot of INSPECTION (its id, or the first six characters).

    What was recorded stays as it is; from now on the inspection counts for the right piece, and both pieces' attempts
    are counted anew.
    """
    with open_ledger(ledger_place, out) as ledger:
        now = ledger.attempt(inspection).inspection
        right = (now.serial if serial is None else serial, now.lot if lot is None else lot)
        if right == (now.serial, now.lot):
            raise click.UsageError(f"It is serial {now.serial!r}, lot {now.lot!r} already; nothing was entered.")
        entry = ledger.reidentify(now.id, serial=right[0], lot=right[1], reason=reason, person=person)
        tell(ledger, now.part_number, out, f"Entry {entry.sequence}. {piece_text(ledger, now.id)}")
    return OK
