"""``runner watch``: measure what arrives."""

from __future__ import annotations

import platform
import time
from pathlib import Path

import click

from runner.cli.app import OK


@click.command("watch")
@click.option("--once", is_flag=True, help="Measure what lies there now, then stop.")
@click.option("--scans", "scans_folder", type=click.Path(path_type=Path), default=Path("scans"), show_default=True)
@click.option(
    "--recipes", "recipes_folder", type=click.Path(path_type=Path), default=Path("recipes"), show_default=True
)
@click.option("--out", type=click.Path(path_type=Path), default=Path("out"), show_default=True)
@click.option("--poll", type=click.FloatRange(0.2), default=5.0, show_default=True, help="Seconds between two looks.")
@click.option("--quiet-for", type=click.FloatRange(0.0), default=1.0, show_default=True,
              help="Seconds a file must stay unchanged before it is taken.")  # fmt: skip
@click.option("--station", default=platform.node(), help="Name of this station in the ledger.")
def command(
    once: bool, scans_folder: Path, recipes_folder: Path, out: Path, poll: float, quiet_for: float, station: str
) -> int:
    """Measure every scan dropped into SCANS/incoming by the recipe that its name calls for.

    The exit status is 0 when the service did its work, whatever the parts were like: outcomes are in the
    ledger and the workbook.
    """
    from runner.cli.show import console, errors, progress_bar
    from runner.intake.choose import load_recipes
    from runner.intake.folders import Folders
    from runner.intake.once import run_once
    from runner.intake.process import Done, Station
    from runner.ledger.store import Ledger
    from runner.nominal.cache import ArrayCache

    recipes, broken = load_recipes(recipes_folder)
    for path, why in broken.items():
        errors.print(f"{path.name} is not usable and left out:\n{why}", markup=False)
    if not recipes:
        raise click.UsageError(f"There is no usable recipe in {str(recipes_folder)!r}.")
    folders = Folders(scans_folder)
    folders.make()
    out.mkdir(parents=True, exist_ok=True)

    def tell(done: Done) -> None:
        inspection = done.inspection
        if inspection is None:
            console.print(f"hold    {done.file.name}: {done.reason}", markup=False)
            return
        why = f": {inspection.reason}" if inspection.reason else ""
        remark = f" ({done.reason})" if done.reason else ""
        console.print(
            f"{inspection.outcome:7s} {inspection.part_number} {inspection.serial}{why}{remark}", markup=False
        )

    with Ledger.open(out / "ledger.db") as ledger:
        place = Station(folders, ledger, out, recipes, ArrayCache(), name=station)
        while True:
            with progress_bar("watch", quiet=not once) as progress:
                finished = run_once(place, quiet_s=quiet_for, progress=progress, each=tell)
            if once:
                if not finished:
                    console.print(f"Nothing to measure in {folders.incoming}.", markup=False)
                return OK
            time.sleep(poll)
