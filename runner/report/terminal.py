"""One inspection for the terminal: a table and a one-line summary. Text from outside can't steer the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from runner.records import Attempt, Inspection, Outcome, Result, Verdict
from runner.report.tables import shown_decimals
from runner.report.text import overlap_text, visible

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.text import Text

_STYLES = {
    Verdict.CONFORMS.value: "green",
    Verdict.DOES_NOT_CONFORM.value: "bold red",
    Verdict.UNDECIDED.value: "yellow",
    Verdict.NOT_MEASURED.value: "magenta",
    Verdict.INFORMATION.value: "dim",
    Outcome.ACCEPT.value: "bold green",
    Outcome.REJECT.value: "bold red",
    Outcome.HOLD.value: "bold yellow",
}


def inspection_table(inspection: Inspection) -> RenderableType:
    """Return the table of results with the outcome above and what to do below, to be printed by rich."""
    from rich.console import Group
    from rich.table import Table

    table = Table(show_edge=False, pad_edge=False, header_style="bold")
    for name, side in (("No.", "left"), ("Requirement", "left"), ("As drawn", "left"), ("Value", "right")):
        table.add_column(name, justify=side, overflow="fold")  # type: ignore[arg-type]
    table.add_column("Deviation", justify="right")
    table.add_column("Verdict", overflow="fold")
    for result in inspection.results:
        title = _plain(short_title(result))
        if result.reason:
            title.append(f"\n{visible(result.reason)}", style="dim")
        table.add_row(
            _plain(result.id),
            title,
            _plain(result.limits_text),
            _plain(value_text(result)),
            _plain(deviation_text(result)),
            _styled(result.verdict.value),
        )
    parts: list[RenderableType] = [summary(inspection), table]
    parts += [_plain(overlap_text(overlap)) for overlap in inspection.overlaps]
    if inspection.advice:
        parts.append(_plain(f"What to do: {inspection.advice}"))
    return Group(*parts)


def short_title(result: Result) -> str:
    """Return a few words for a result; the whole sentence stands in the workbook."""
    named = ", ".join(result.features[:2]) + (
        f" and {len(result.features) - 2} more" if len(result.features) > 2 else ""
    )
    frame = f" in {result.datum_system}" if result.datum_system else ""
    return f"{result.kind}: {named}{frame}" if named else result.title


def summary(inspection: Inspection) -> Text:
    """Return one line: piece, outcome, why."""
    line = _plain(f"{inspection.part_number} {inspection.serial}: ")
    line.append_text(_styled(inspection.outcome.value))
    if inspection.reason:
        line.append(f"  {visible(inspection.reason)}")
    if inspection.provenance.recipe_status != "released":
        line.append("  (unreleased recipe)", style="bold yellow")
    return line


def attempt_line(attempt: Attempt) -> Text:
    """One line of the ledger's list: entry, time, id, piece, outcome, whether it counts and is released, notes."""
    inspection = attempt.inspection
    line = _plain(f"{attempt.sequence:>5} {attempt.created_utc} {inspection.id[:8]} ")
    lot = f" of lot {inspection.lot}" if inspection.lot else ""
    line.append_text(_plain(f"{inspection.part_number} {inspection.serial}{lot}: "))
    line.append_text(_styled(inspection.outcome.value))
    counts = "void" if attempt.void else ("counts" if attempt.standing else "does not count")
    line.append(f", attempt {attempt.number}, {counts}, {attempt.release_word}")
    for text in (inspection.reason, *attempt.notes):
        if text:
            line.append(f"  {visible(text)}", style="dim")
    return line


def value_text(result: Result) -> str:
    """Value with unit, with more decimals than drawn where rounding would move it across a limit."""
    if result.value is None:
        return ""
    decimals = shown_decimals(result.value, result.decimals, result.lower, result.upper)
    return f"{result.value:.{decimals}f} {result.unit}".strip()


def deviation_text(result: Result) -> str:
    """Deviation with its sign."""
    return "" if result.deviation is None else f"{result.deviation:+.{result.decimals}f}"


def _plain(text: str) -> Text:
    """Text that rich takes as it is: no markup, no control characters."""
    from rich.text import Text

    return Text(visible(text))


def _styled(word: str) -> Text:
    from rich.text import Text

    return Text(word, style=_STYLES[word])
