"""Outcomes to exit statuses."""

from __future__ import annotations

from collections.abc import Iterable

from runner.cli.app import HOLD, OK, OWN_FAULT, REJECT
from runner.records import Inspection, Outcome

STATUS = {Outcome.ACCEPT: OK, Outcome.HOLD: HOLD, Outcome.REJECT: REJECT}
WORST_FIRST = (Outcome.REJECT, Outcome.HOLD, Outcome.ACCEPT)


def exit_status(outcomes: Iterable[Outcome]) -> int:
    """Return the exit status of the worst outcome; hold when there is none at all."""
    found = set(outcomes)
    for outcome in WORST_FIRST:
        if outcome in found:
            return STATUS[outcome]
    return HOLD


def inspections_status(inspections: Iterable[Inspection]) -> int:
    """Return the exit status of inspections: a fault of the program in any of them comes before every outcome."""
    found = list(inspections)
    if any(inspection.provenance.faults for inspection in found):
        return OWN_FAULT
    return exit_status(inspection.outcome for inspection in found)
