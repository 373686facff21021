"""What the commands have in common that enter something into the ledger: where it is, who, why, and the documents."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

if TYPE_CHECKING:
    from runner.ledger.store import Ledger

Function = TypeVar("Function", bound=Callable[..., object])


def place_options(function: Function) -> Function:
    """``--ledger`` and ``--out``."""
    out = click.option(
        "--out",
        type=click.Path(path_type=Path),
        default=Path("out"),
        show_default=True,
        help="Folder of ledger and documents.",
    )
    return out(ledger_option(function))


def ledger_option(function: Function) -> Function:
    """``--ledger``."""
    return click.option(
        "--ledger",
        "ledger_place",
        default="",
        help="File or postgresql:// address of the ledger [default: OUT/ledger.db].",
    )(function)


def signature_options(function: Function) -> Function:
    """``--person`` and ``--reason``, both needed: an entry without them is refused."""
    person = click.option("--person", required=True, help="Who decides this: stands in the ledger and the documents.")
    reason = click.option("--reason", required=True, help="Why, in words for whoever reads the report later.")
    return person(reason(function))


def open_ledger(ledger_place: str, out: Path) -> Ledger:
    """Open a ledger that is there; a mistyped name must not make a new one."""
    from runner.ledger.store import Ledger

    place = ledger_place or str(out / "ledger.db")
    if "://" not in place and not Path(place).is_file():
        raise click.UsageError(f"There is no ledger {place!r}; name it with --ledger or --out.")
    return Ledger.open(place)


def tell(ledger: Ledger, part_number: str, out: Path, *lines: str) -> None:
    """Say what was entered, and bring the workbook of the part up to date."""
    from runner.cli.show import console
    from runner.pipeline.documents import write_workbook
    from runner.report.text import visible

    for line in lines:
        console.print(visible(line), markup=False, soft_wrap=True)
    written = write_workbook(ledger, part_number, out)
    console.print(written.reason or f"Workbook: {written.path}", markup=False, soft_wrap=True)


def piece_text(ledger: Ledger, inspection_id: str) -> str:
    """How the piece of an inspection stands now, in one line."""
    attempt = ledger.attempt(inspection_id)
    inspection = attempt.inspection
    of_lot = f" of lot {inspection.lot}" if inspection.lot else ""
    attempts = ledger.inspections(inspection.part_number, inspection.lot, inspection.serial)
    counting = next((a for a in attempts if a.standing), None)
    now = (
        f"attempt {counting.number} of {len(attempts)} counts: {counting.inspection.outcome}, {counting.release_word}"
        if counting
        else "no attempt counts"
    )
    return f"{inspection.part_number} {inspection.serial}{of_lot}: {now}"
