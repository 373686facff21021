"""Puts what a person found with other gauges in place of the open results."""

from __future__ import annotations

import stat
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from runner.diagnostics import InputError
from runner.measure.characteristics.common import Value
from runner.measure.judge import PER_UNIT, judge
from runner.measure.specs import CharacteristicSpec, MeasurePlan
from runner.recipe.entries import SUFFIX, Entry, parse_entries
from runner.recipe.show import problems_text
from runner.records import Result, Verdict

MOST_BYTES = 100_000


def entries_file(scan: Path) -> Path:
    """Where a person's entries for a scan are, whether or not the file exists."""
    return scan.with_name(scan.name + SUFFIX)


def read_entries(path: Path, plan: MeasurePlan) -> dict[str, Entry]:
    """Read the entries for one part; ``InputError`` with all problems when the file is not sound."""
    try:
        status = path.lstat()
        if not stat.S_ISREG(status.st_mode):
            # a pipe would be waited on for ever; a link may point at anything
            raise InputError(path.name, "is a link, a pipe or a folder, not a file.", advice="Give the file itself.")
        if status.st_size > MOST_BYTES:
            raise InputError(path.name, f"is over {MOST_BYTES} bytes; entries are a few lines.")
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(path.name, f"can't be read as text: {error}") from None
    kinds = {c.id: c.entered.get("kind", "") for c in plan.characteristics if c.kind == "other gauge"}
    found, problems = parse_entries(text, path.name, kinds)
    if problems:
        raise InputError(
            path.name, "is not sound:\n" + problems_text(problems), advice="Correct it and drop both again."
        )
    return found


def with_entries(results: Sequence[Result], plan: MeasurePlan, entries: Mapping[str, Entry]) -> tuple[Result, ...]:
    """Return the results with each entered one decided: by pass or fail, or by its limits."""
    specs = {c.id: c for c in plan.characteristics}
    return tuple(_entered(r, specs[r.id], entries[r.id]) if r.id in entries else r for r in results)


def _entered(result: Result, spec: CharacteristicSpec, entry: Entry) -> Result:
    said = {"gauge": entry.gauge, "calibrated": entry.calibrated, "entered by": entry.person, "note": entry.note}
    details: dict[str, float | str] = {name: text for name, text in said.items() if text}
    if entry.value is not None:
        value = Value(spec.id, entry.value / PER_UNIT[spec.unit])
        return replace(judge(spec, [value]), details=details)
    verdict = Verdict.CONFORMS if entry.passed else Verdict.DOES_NOT_CONFORM
    reason = "" if entry.passed else "failed at the other gauge"
    return replace(result, verdict=verdict, reason=reason, details=details)
