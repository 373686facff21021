"""``runner replay``: archived scans anew under a changed recipe, compared with what was signed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.app import HOLD, OK
from runner.cli.record import open_ledger, place_options

if TYPE_CHECKING:
    from runner.ledger.store import Ledger
    from runner.report.replay import Replayed

ARCHIVES = (Path("scans/measured"), Path("scans/held"))


@click.command("replay")
@click.argument("recipe", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option("--scans", "folders", multiple=True, type=click.Path(path_type=Path, file_okay=False, exists=True),
              help="Folder to look for the scans in, also below it; several times for several "
                   "[default: scans/measured and scans/held].")  # fmt: skip
@click.option("--from-ledger", is_flag=True,
              help="With --scans: every inspection in the ledger, not only those whose scans lie there.")  # fmt: skip
@click.option("--every-attempt", is_flag=True, help="Also attempts that don't count; void ones never.")
@click.option("--serial", help="Only this serial, as corrected.")
@click.option("--lot", help="Only this lot, as corrected.")
@click.option("--json", "json_file", type=click.Path(path_type=Path, dir_okay=False), help="Write the report here.")
@click.option("--csv", "csv_file", type=click.Path(path_type=Path, dir_okay=False),
              help="Write one row per characteristic and inspection here.")  # fmt: skip
@click.option("--commit", is_flag=True, help="Record the new inspections, and an entry about each old one.")
@click.option("--person", default="", help="For --commit: who decides this.")
@click.option("--reason", default="", help="For --commit: why.")
@click.option("--quiet", is_flag=True, help="No progress; the report alone.")
@place_options
def command(
    recipe: Path,
    folders: tuple[Path, ...],
    from_ledger: bool,
    every_attempt: bool,
    serial: str | None,
    lot: str | None,
    json_file: Path | None,
    csv_file: Path | None,
    commit: bool,
    person: str,
    reason: str,
    quiet: bool,
    ledger_place: str,
    out: Path,
) -> int:
    """Measure the archived scans of a part anew under RECIPE and say what would change.

    Scans are found by the hash of their bytes, whatever their names are now. Nothing in the ledger or in the documents
    changes, unless --commit says so; then each new inspection is a further attempt of its piece, and a reject still
    stands until `runner decide INSPECTION counts` says otherwise.

    Exit status 0: everything was measured anew and no outcome flips. 3: an outcome flips, or something was not measured
    anew; the report says what.
    """
    from runner.cli.show import console, errors, progress_bar
    from runner.pipeline.plan import load_plan
    from runner.pipeline.replay import Choice, Signature, replay
    from runner.report.replay_report import replay_tables, write_replay_csv, write_replay_json

    if commit and not (person.strip() and reason.strip()):
        raise click.UsageError("--commit needs --person and --reason.")
    places = folders or tuple(folder for folder in ARCHIVES if folder.is_dir())
    if not places:
        raise click.UsageError("There is no archive here; name its folders with --scans.")

    def tell(replayed: Replayed, number: int, count: int) -> None:
        if not quiet and errors.is_terminal:
            word = replayed.trouble or str(replayed.new and replayed.new.outcome)
            errors.print(f"{number} of {count}: {replayed.old.serial!r}: {word}", markup=False)

    with open_ledger(ledger_place, out) as ledger:
        with progress_bar(recipe.name, quiet=quiet) as progress:
            plan = load_plan(recipe, progress=progress)
        done, strangers = replay(
            plan,
            ledger,
            places,
            out,
            choice=Choice(every_attempt, serial, lot, found_only=bool(folders) and not from_ledger),
            signature=Signature(person, reason) if commit else None,
            each=tell,
        )
        names = [str(path) for path in strangers]
        console.print(replay_tables(done, names))
        for path, write in ((json_file, lambda p: write_replay_json(p, done, names)),
                            (csv_file, lambda p: write_replay_csv(p, done)[0])):  # fmt: skip
            if path is not None:
                written = write(path)
                console.print(written.reason or f"Report: {written.path}", markup=False, soft_wrap=True)
        if commit:
            _tell_committed(ledger, done, plan.recipe.part.number, out)
    if not done:
        console.print("The ledger holds no such inspection of this part.")
    met = bool(done) and all(r.new is not None and not r.outcome_flips for r in done)
    return OK if met else HOLD


def _tell_committed(ledger: Ledger, done: Sequence[Replayed], part: str, out: Path) -> None:
    """Say what was recorded, and which rejects wait for a decision."""
    from runner.cli.record import tell
    from runner.records import Outcome

    recorded = [replayed for replayed in done if replayed.committed is not None]
    lines = [f"{len(recorded)} new inspections recorded, {len(done) - len(recorded)} not (unchanged or not measured)."]
    if any(r.new is not None and r.new.provenance.recipe_status != "released" for r in recorded):
        lines.append("This recipe is not released, so these outcomes are marked unreleased.")
    for replayed in recorded:
        if replayed.new is not None and replayed.old.outcome is Outcome.REJECT and replayed.outcome_flips:
            until = f"runner decide {replayed.new.id} counts --because ..."
            lines.append(f"The reject of {replayed.old.serial} stands until: {until}")
    tell(ledger, part, out, *lines)
