"""The report of a replay: for the terminal, as JSON, as CSV."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.records import Result
from runner.report.atomic import Written, write_bytes
from runner.report.csv_report import Cell, write_rows
from runner.report.replay import Change, Replayed, Spread, spreads
from runner.report.text import CAUTION, visible

if TYPE_CHECKING:
    from rich.console import RenderableType

FORMAT = 1
CAPTIONS = (
    *("part number", "serial", "lot", "characteristic", "requirement", "unit", "change", "old value", "new value"),
    *("difference", "old verdict", "new verdict", "verdict flips", "old requirement", "new requirement", "old reason"),
    *("new reason", "old outcome", "new outcome", "outcome flips", "counts", "not replayed because"),
    *("old inspection", "ledger entry", "old recipe", "new recipe", "new inspection"),
)


def write_replay_csv(path: Path, replays: Sequence[Replayed]) -> tuple[Written, int]:
    """One row per characteristic and inspection; an inspection that was not replayed has one row that says why."""
    return write_rows(path, CAPTIONS, (row for replay in replays for row in _rows(replay)))


def write_replay_json(path: Path, replays: Sequence[Replayed], strangers: Sequence[str]) -> Written:
    """Everything that changed, with the totals by characteristic."""
    return write_bytes(path, (json.dumps(replay_json(replays, strangers), indent=1) + "\n").encode("ascii"))


def replay_json(replays: Sequence[Replayed], strangers: Sequence[str]) -> dict[str, Any]:
    """The JSON values of a report."""
    return {
        "format": FORMAT,
        "caution": CAUTION,
        "inspections": [_inspection(replay) for replay in replays],
        "characteristics": [_characteristic(spread) for spread in spreads(replays)],
        "files not in the ledger": list(strangers),
    }


def replay_tables(replays: Sequence[Replayed], strangers: Sequence[str]) -> RenderableType:
    """Totals by characteristic, every flip, every scan that is missing."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    done = [replay for replay in replays if replay.new is not None]
    table = Table(show_edge=False, pad_edge=False, header_style="bold")
    for name, side in (("No.", "left"), ("Compared", "right"), ("Mean difference", "right"), ("Largest", "right")):
        table.add_column(name, justify=side)  # type: ignore[arg-type]
    table.add_column("Serial of it", overflow="fold")
    table.add_column("Verdicts that flip", overflow="fold")
    for spread in spreads(replays):
        flips = "; ".join(f"{count} × {old} -> {new}" for old, new, count in spread.flips)
        asked = "requirement changed" if spread.requirement_changed else ""
        table.add_row(
            *(Text(visible(t)) for t in (spread.id, str(spread.compared), _signed(spread.mean, spread.unit))),
            *(Text(visible(t)) for t in (_signed(spread.largest, spread.unit), spread.at)),
            Text(visible("; ".join(text for text in (flips, asked) if text))),
        )
    lines = [f"{len(done)} of {len(replays)} inspections measured anew."]
    for replay in done:
        lines += _flip_lines(replay)
    flipped = sum(replay.outcome_flips for replay in done)
    lines.append(f"{flipped} outcomes flip." if flipped else "No outcome flips.")
    for replay in replays:
        if replay.new is None:
            lines.append(f"NOT replayed: {_piece(replay)}: {replay.trouble}")
            lines += [f"  missing: {text}" for text in replay.missing]
    if strangers:
        lines.append(f"{len(strangers)} files lie there that no chosen inspection used: {', '.join(strangers[:10])}")
    return Group(table, *(Text(visible(line)) for line in lines))


def _flip_lines(replay: Replayed) -> list[str]:
    """The outcome and the verdicts that flip, of one inspection."""
    assert replay.new is not None
    flips = [change for change in replay.changes if change.flips]
    if not flips and not replay.outcome_flips:
        return []
    word = "OUTCOME FLIPS" if replay.outcome_flips else "outcome stays"
    head = f"{_piece(replay)}: {word}: {replay.old.outcome} -> {replay.new.outcome}"
    return [head, *(f"  {change.sentence}" for change in flips)]


def _piece(replay: Replayed) -> str:
    lot = f" of lot {replay.old.lot}" if replay.old.lot else ""
    rest = "" if replay.counts else ", an attempt that does not count"
    return f"{replay.old.part_number} {replay.old.serial}{lot} ({replay.old.id[:8]}{rest})"


def _signed(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:+.4f} {unit}".strip()


def _rows(replay: Replayed) -> list[list[Cell]]:
    old, new = replay.old, replay.new
    piece: list[Cell] = [old.part_number, old.serial, old.lot]
    ends: list[Cell] = [old.outcome.value, new.outcome.value if new else None, "yes" if replay.outcome_flips else "no"]
    ends += ["yes" if replay.counts else "no", "; ".join(t for t in (replay.trouble, *replay.missing) if t)]
    ends += [old.id, replay.entry, old.provenance.recipe_fingerprint]
    ends += [new.provenance.recipe_fingerprint, new.id] if new else [None, None]
    middles = [_middle(change) for change in replay.changes] or [[None] * 14]
    return [[*piece, *middle, *ends] for middle in middles]


def _middle(change: Change) -> list[Cell]:
    old, new = change.before, change.after
    shown = new or old
    assert shown is not None

    def both(get: Any) -> list[Cell]:
        return [None if result is None else get(result) for result in (old, new)]

    return [
        change.id,
        shown.title,
        shown.unit,
        change.what,
        *both(lambda r: r.value),
        change.difference,
        *both(lambda r: r.verdict.value),
        "yes" if change.flips else "no",
        *both(lambda r: r.limits_text),
        *both(lambda r: r.reason),
    ]


def _inspection(replay: Replayed) -> dict[str, Any]:
    old, new = replay.old, replay.new
    return {
        "part_number": old.part_number,
        "serial": old.serial,
        "lot": old.lot,
        "counts": replay.counts,
        "ledger_entry": replay.entry,
        "old_inspection": old.id,
        "old_recipe": old.provenance.recipe_fingerprint,
        "old_versions": dict(old.provenance.versions),
        "old_outcome": old.outcome.value,
        "old_reason": old.reason,
        "new_inspection": new.id if new else None,
        "new_recipe": new.provenance.recipe_fingerprint if new else None,
        "new_versions": dict(new.provenance.versions) if new else None,
        "new_outcome": new.outcome.value if new else None,
        "new_reason": new.reason if new else None,
        "outcome_flips": replay.outcome_flips,
        "not_replayed_because": replay.trouble,
        "missing_scans": list(replay.missing),
        "recorded_as_entry": replay.committed,
        "characteristics": [_change(change) for change in replay.changes],
    }


def _change(change: Change) -> dict[str, Any]:
    return {
        "id": change.id,
        "change": change.what,
        "difference": change.difference,
        "verdict_flips": change.flips,
        "old": _result(change.before),
        "new": _result(change.after),
    }


def _result(result: Result | None) -> dict[str, Any] | None:
    if result is None:
        return None
    return {
        "value": result.value,
        "unit": result.unit,
        "verdict": result.verdict.value,
        "reason": result.reason,
        "requirement": result.limits_text,
        "lower": result.lower,
        "upper": result.upper,
    }


def _characteristic(spread: Spread) -> dict[str, Any]:
    return {
        "id": spread.id,
        "title": spread.title,
        "unit": spread.unit,
        "compared": spread.compared,
        "mean_difference": spread.mean,
        "largest_difference": spread.largest,
        "largest_at_serial": spread.at,
        "requirement_changed": spread.requirement_changed,
        "flips": [{"old": old.value, "new": new.value, "count": count} for old, new, count in spread.flips],
    }
