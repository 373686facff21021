"""``runner measure``: scans in, results on the terminal."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.outcomes import inspections_status

if TYPE_CHECKING:
    from runner.recipe.schema import Recipe


def _numbered(path: Path, index: int, count: int) -> Path:
    """One file per part: the name as given for one part, with -1, -2 ... for several."""
    return path if count == 1 else path.with_stem(f"{path.stem}-{index + 1}")


def _sets(scans: tuple[Path, ...], recipe: Recipe) -> list[list[Path]]:
    """The scans of each part; usage errors name what does not fit the recipe's pattern and what is missing."""
    from runner.pipeline.scan_set import group

    grouped = group(scans, recipe)
    troubles = [f"{path.name} does not fit the pattern {recipe.scan.file_name!r}" for path in grouped.strangers]
    for part in grouped.sets:
        troubles += part.problems
        troubles += [f'serial {part.serial}: the scan "{name}" is missing' for name in part.missing]
    if troubles:
        raise click.UsageError("; ".join(troubles) + ". With --together, SCANS are taken as one part as they are.")
    return [list(part.paths) for part in grouped.sets]


def _release_word(out: Path, fingerprint: str) -> str:
    """Whether the ledger has a release of this recipe."""
    from runner.ledger.store import Ledger

    with Ledger.open(out / "ledger.db") as ledger:
        return ledger.recipe_state(fingerprint).word


@click.command("measure")
@click.argument("recipe", type=click.Path(path_type=Path, dir_okay=False))
@click.argument("scans", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--serial", default="", help="Serial of the part, where the file name does not carry it.")
@click.option("--lot", default="", help="Lot of the part, likewise.")
@click.option("--operator", default="", help="Who scanned.")
@click.option(
    "--together", is_flag=True, help="All SCANS show the same part, whatever their names say: one inspection."
)
@click.option(
    "--json",
    "json_file",
    type=click.Path(path_type=Path),
    help="Write poses, results and provenance here; several parts: FILE-1, FILE-2 ...",
)
@click.option("--picture", type=click.Path(path_type=Path), help="Write the deviation picture (PNG) here.")
@click.option("--record", is_flag=True, help="Also commit to the ledger and bring the workbook up to date.")
@click.option("--out", type=click.Path(path_type=Path), default=Path("out"), show_default=True, help="For --record.")
@click.option("--quiet", is_flag=True, help="No progress bar; one line per part instead of the table.")
def command(
    recipe: Path,
    scans: tuple[Path, ...],
    serial: str,
    lot: str,
    operator: str,
    together: bool,
    json_file: Path | None,
    picture: Path | None,
    record: bool,
    out: Path,
    quiet: bool,
) -> int:
    """Measure SCANS with RECIPE. The exit status is that of the worst outcome.

    Where the recipe names a set of scans (scan: set), SCANS are put together by their names: one inspection per part.
    """
    from runner.cli.show import console, progress_bar
    from runner.pipeline.identity import identify
    from runner.pipeline.inspect import inspect
    from runner.pipeline.plan import load_plan
    from runner.pipeline.scan_set import wanted_scans
    from runner.records import Inspection
    from runner.report.json_report import write_json
    from runner.report.terminal import inspection_table, summary

    with progress_bar(recipe.name, quiet=quiet) as progress:
        plan = load_plan(recipe, progress=progress)
    for path in scans:
        if not path.exists():
            raise click.UsageError(f"There is no scan {str(path)!r}.")
    if together:
        sets = [list(scans)]
    elif wanted_scans(plan.recipe):
        sets = _sets(scans, plan.recipe)
    else:
        sets = [[scan] for scan in scans]
    if len(sets) > 1 and (serial or picture):
        raise click.UsageError("--serial and --picture are for one part; give one scan, or --together.")
    done: list[Inspection] = []
    status = _release_word(out, plan.fingerprint) if record else "unreleased"
    for paths in sets:
        identity = identify(plan.recipe, paths[0].name, serial=serial, lot=lot, operator=operator)
        with progress_bar(paths[0].name, quiet=quiet) as progress:
            inspected = inspect(plan, paths, identity, progress=progress, recipe_status=status)
        inspection = inspected.inspection
        if record:
            from runner.ledger.store import Ledger
            from runner.pipeline.documents import write_evidence, write_workbook

            with Ledger.open(out / "ledger.db") as ledger:
                known = ledger.find(inspection.provenance.scan_set_sha256, plan.fingerprint)
                if known is None:
                    inspection = write_evidence(inspected, plan, out)
                    ledger.record(inspection)
                    written = write_workbook(ledger, inspection.part_number, out)
                    console.print(written.reason or f"Recorded; workbook: {written.path}", soft_wrap=True)
                else:
                    console.print("These bytes were recorded before with this recipe; nothing new in the ledger.")
        if picture is not None:
            from runner.pipeline.documents import draw

            draw(picture, plan, inspected, inspection)
        console.print(summary(inspection) if quiet else inspection_table(inspection))
        if json_file is not None:
            write_json(_numbered(json_file, len(done), len(sets)), inspection)
        done.append(inspection)
    return inspections_status(done)
