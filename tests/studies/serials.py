"""Cost of one more serial in a part that has thousands: ledger, workbook, board.

    python -m tests.studies.serials --serials 5000 --characteristics 60

Fills a temporary ledger with invented inspections (every 40th a reject, every 25th on hold, every 50th measured twice)
and, at each step of a tenth, times everything that the service does per row: the ledger's commit, the board, and the
workbook. How often the workbook is written is decided by the service's own rule (runner/intake/debounce.py), which is
run on a clock of its own with scans coming at ``--every`` seconds and the writing costs measured here, interpolated;
"workbook ms/row" is all the time that it spent writing up to there, over the rows up to there. Times are CPU seconds of
one process (what else runs on the machine matters little), but for "wall", which has the disk's part.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from runner.intake.board import board_now
from runner.intake.debounce import Debounce
from runner.ledger.overview import changes_after
from runner.ledger.store import Ledger
from runner.pipeline.board import write_board
from runner.records import Inspection, Outcome, Result, Verdict
from runner.report import workbook
from tests.report.samples import make_inspection, sha

START = datetime(2031, 5, 2, 6, 0, tzinfo=UTC)
PART = "PB-220"


def inspections(count: int, characteristics: int, seed: int = 5) -> list[Inspection]:
    """Invented inspections, all different, of one part number."""
    return [one(number, characteristics, seed) for number in range(count)]


def one(number: int, characteristics: int, seed: int = 5) -> Inspection:
    """The inspection with that number."""
    rng = np.random.default_rng([seed, number])
    serial = number - 1 if number % 50 == 49 else number
    base = make_inspection(f"S{serial:05d}", scan=f"scan {number}")
    kinds = [r for r in base.results if r.value is not None]
    noise = rng.normal(0.0, 0.01, characteristics)
    results: list[Result] = []
    for index in range(characteristics):
        kind = kinds[index % len(kinds)]
        assert kind.value is not None
        value = float(kind.value + noise[index])
        results.append(replace(kind, id=str(index + 1), value=value, verdict=Verdict.CONFORMS))
    outcome, reason = Outcome.ACCEPT, ""
    if number % 40 == 7:
        results[2] = replace(results[2], verdict=Verdict.DOES_NOT_CONFORM)
        outcome, reason = Outcome.REJECT, "does not conform: 3"
    elif number % 25 == 3:
        results[4] = replace(results[4], verdict=Verdict.NOT_MEASURED, value=None, deviation=None, reason="not seen")
        outcome, reason = Outcome.HOLD, "not measured: 5"
    features = tuple(replace(base.features[k % 2], name=f"feature {k}") for k in range(characteristics // 2))
    when = (START + timedelta(seconds=number)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    provenance = replace(base.provenance, scan_set_sha256=sha(f"set {number}"), finished_utc=when, started_utc=when)
    return replace(
        base,
        id=sha(f"inspection {number}")[:32],
        results=tuple(results),
        features=features,
        outcome=outcome,
        reason=reason,
        provenance=provenance,
        picture="",
    )


def upkeep_seconds(rows: list[int], costs: list[float], every_s: float, last: int) -> list[float]:
    """Seconds that the service's rule spends writing up to each number of ``rows``, scans coming steadily."""
    rule, now, spent, ends = Debounce(), 0.0, 0.0, iter(rows)
    found: list[float] = []
    next_end = next(ends)
    for number in range(1, last + 1):
        now += every_s
        rule.touched(PART, now)
        for name in rule.due(now):
            cost = float(np.interp(number, [0, *rows], [0.0, *costs]))
            rule.wrote(name, now, now + cost, done=True)
            spent += cost
        if number == next_end:
            found.append(spent)
            next_end = next(ends, -1)
    return found


def main(arguments: list[str] | None = None) -> list[dict[str, float]]:
    """Run the study, print its table and return the rows."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--serials", type=int, default=5000)
    parser.add_argument("--characteristics", type=int, default=60)
    parser.add_argument("--steps", type=int, default=10)
    parser.add_argument("--every", type=float, default=1.0, help="seconds between two scans")
    given = parser.parse_args(arguments)
    step = max(1, given.serials // given.steps)
    found: list[dict[str, float]] = []
    with tempfile.TemporaryDirectory() as folder, Ledger.open(Path(folder) / "ledger.db") as ledger:
        out = Path(folder)
        for first in range(0, given.serials, step):
            found.append(_step(ledger, out, first, min(step, given.serials - first), given.characteristics))
    ends = [int(row["rows"]) for row in found]
    spent = upkeep_seconds(ends, [row["workbook"] for row in found], given.every, ends[-1])
    print(f"{given.characteristics} characteristics, a scan every {given.every:g} s")
    head = (
        "rows",
        "ledger ms/row",
        "wall ms/row",
        "workbook ms/row",
        "board ms",
        "look ms",
        "workbook s",
        "of it read s",
        "peak MB",
    )
    print("".join(f"{text:>16s}" for text in head))
    for row, seconds in zip(found, spent, strict=True):
        row["upkeep"] = seconds / row["rows"]
        cells = [row[name] * 1e3 for name in ("record", "wall", "upkeep", "board", "look")]
        print(
            f"{row['rows']:16.0f}"
            + "".join(f"{cell:16.2f}" for cell in (*cells, row["workbook"], row["read"], row["peak"]))
        )
    return found


def _step(ledger: Ledger, out: Path, first: int, count: int, characteristics: int) -> dict[str, float]:
    """Add rows and time everything with them there."""
    ready = [one(number, characteristics) for number in range(first, first + count)]
    started, wall = time.process_time(), time.perf_counter()
    for inspection in ready:
        ledger.record(inspection)
    record, wall = (time.process_time() - started) / count, (time.perf_counter() - wall) / count
    started = time.process_time()
    changes_after(ledger, first + count - 1)
    look = time.process_time() - started
    started = time.process_time()
    write_board(board_now(ledger, out, None, datetime.now(UTC)), out)
    board = time.process_time() - started
    started = time.process_time()
    pieces = ledger.standing(PART)
    read = time.process_time() - started
    workbook.write(out / "book.xlsx", pieces)
    whole = time.process_time() - started
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    row = {
        "rows": first + count,
        "record": record,
        "wall": wall,
        "look": look,
        "board": board,
        "read": read,
        "workbook": whole,
    }
    return {**row, "peak": peak}


if __name__ == "__main__":
    main()
