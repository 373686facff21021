"""``runner void``: an inspection that does not count, because it was made on the wrong piece or with a wrong recipe."""

from __future__ import annotations

from pathlib import Path

import click

from runner.cli.app import OK
from runner.cli.record import open_ledger, piece_text, place_options, signature_options, tell


@click.command("void")
@click.argument("inspection")
@signature_options
@place_options
def command(inspection: str, person: str, reason: str, ledger_place: str, out: Path) -> int:
    """Enter that INSPECTION (its id, or the first six characters) does not count.

    It stays in the ledger and in the documents, marked, and is counted among the attempts. The same scan may be
    measured again.
    """
    with open_ledger(ledger_place, out) as ledger:
        attempt = ledger.attempt(inspection)
        if attempt.void:
            raise click.UsageError(f"It is void already: {attempt.void}; nothing was entered.")
        entry = ledger.void(attempt.inspection.id, reason=reason, person=person)
        text = f"Entry {entry.sequence}. {piece_text(ledger, attempt.inspection.id)}"
        tell(ledger, attempt.inspection.part_number, out, text)
    return OK
