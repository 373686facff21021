"""Rows of what people enter."""

from __future__ import annotations

from runner.measure.kind import Kind

ROWS: tuple[Kind, ...] = (
    Kind(
        "other gauge",
        "{features} is measured by another gauge and entered by a person.",
        (),
        (0, None),
        False,
        "none",
        "none: recorded as entered",
        "none: recorded as entered",
        "the entered value",
        "entered:evaluate",
    ),
)
