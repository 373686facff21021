"""``runner decide``: what a person decides about an attempt. An entry of its own; no result is ever changed."""

from __future__ import annotations

from pathlib import Path

import click

from runner.cli.app import OK
from runner.cli.record import open_ledger, piece_text, place_options, signature_options, tell

ACTIONS = ("counts", "concession", "nonconformance", "rework", "scrap")
BECAUSE = ("bad scan", "re-measured", "reworked")


@click.command("decide")
@click.argument("inspection")
@click.argument("action", type=click.Choice(ACTIONS))
@click.option(
    "--because", type=click.Choice(BECAUSE), help="For counts: what lets this attempt stand in place of a reject."
)
@click.option("--number", default="", help="Number of the concession, nonconformance report or order.")
@signature_options
@place_options
def command(
    inspection: str,
    action: str,
    because: str | None,
    number: str,
    person: str,
    reason: str,
    ledger_place: str,
    out: Path,
) -> int:
    """Enter a decision about INSPECTION (its id from the workbook's sheet Attempts, or the first six characters).

    counts: this attempt counts in place of an earlier reject (needs --because). concession: the piece is used as it is
    (needs --number); the outcome stays what it was. nonconformance: it is handled under a report (needs --number).
    rework, scrap: what is done with it.
    """
    if (action == "counts") != (because is not None):
        raise click.UsageError(
            f"counts needs --because {' | '.join(map(repr, BECAUSE))}."
            if because is None
            else "--because is for counts."
        )
    with open_ledger(ledger_place, out) as ledger:
        attempt = ledger.attempt(inspection)
        if action == "counts" and attempt.void:
            raise click.UsageError(f"This attempt is void and can't count: {attempt.void}.")
        if action == "counts" and attempt.standing:
            raise click.UsageError("This attempt counts already; nothing was entered.")
        full = f"{because}: {reason}" if because and reason.strip() else reason
        entry = ledger.decide(attempt.inspection.id, action, reason=full, person=person, reference=number)
        text = f"Entry {entry.sequence}. {piece_text(ledger, attempt.inspection.id)}"
        tell(ledger, attempt.inspection.part_number, out, text)
    return OK
