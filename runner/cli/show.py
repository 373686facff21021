"""Printing for the terminal: progress bar, results, problems."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from runner.pipeline.progress import Progress as Report

STEPS = ("recipe", "nominal", "alignment model", "read", "align", "distances", "measure")
"""The steps of a measurement in their order; the bar moves by whole steps and by the share told within one."""

console = Console(highlight=False)
errors = Console(stderr=True, highlight=False)


@contextmanager
def progress_bar(title: str, *, quiet: bool = False) -> Iterator[Report]:
    """Show one bar on standard error while something is measured; silent when not at a terminal."""
    if quiet or not errors.is_terminal:
        yield lambda step, share: None
        return
    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=errors, transient=True) as bar:
        task = bar.add_task(title, total=len(STEPS))

        def report(step: str, share: float) -> None:
            if step in STEPS:
                bar.update(task, completed=STEPS.index(step) + share, description=f"{title}: {step}")
            else:
                bar.update(task, description=f"{title}: {step}")

        yield report
