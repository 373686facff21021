"""``runner demo``: the whole job on invented parts whose truth is known."""

from __future__ import annotations

import shutil
from pathlib import Path

import click

from runner.cli.app import HOLD, OK


@click.command("demo")
@click.option("--folder", type=click.Path(path_type=Path), default=Path("out/demo"), show_default=True,
              help="Where scans, ledger and documents of the demo go; emptied first.")  # fmt: skip
@click.option("--recipes", "recipes_folder", type=click.Path(path_type=Path), default=None,
              help="Recipes of the demo parts (default: those of this project).")  # fmt: skip
def command(folder: Path, recipes_folder: Path | None) -> int:
    """Scan twelve invented pieces, drop them, measure them, and compare with the truth.

    The exit status is 0 when every outcome and every value is as the pieces were made.
    """
    from runner.cli.demo_truth import compare, truth_table
    from runner.cli.show import console, progress_bar
    from runner.intake.choose import load_recipes
    from runner.intake.folders import Folders
    from runner.intake.once import run_once
    from runner.intake.process import Station
    from runner.ledger.store import Ledger
    from runner.nominal.cache import ArrayCache
    from runner.rehearse.demo import make_demo

    recipes_folder = recipes_folder or Path(__file__).resolve().parents[2] / "recipes"
    recipes, broken = load_recipes(recipes_folder)
    if broken or not recipes:
        raise click.UsageError("\n".join(broken.values()) or f"There is no recipe in {str(recipes_folder)!r}.")
    if folder.exists() and any(folder.iterdir()) and not (folder / ".demo").exists():
        raise click.UsageError(f"{str(folder)!r} holds something that is not from the demo; choose another folder.")
    shutil.rmtree(folder, ignore_errors=True)
    folders = Folders(folder / "scans")
    folders.make()
    (folder / ".demo").touch()
    out = folder / "out"
    out.mkdir()

    console.print("Making and scanning 12 pieces with known deviations ...")
    with progress_bar("scanning") as progress:
        make_demo(folders.incoming, progress)
    console.print("Measuring what was dropped ...")
    with Ledger.open(out / "ledger.db") as ledger:
        station = Station(folders, ledger, out, recipes, ArrayCache(), name="demo")
        with progress_bar("measuring") as progress:
            finished = run_once(station, quiet_s=0.3, progress=progress)
        differences = compare([d.inspection for d in finished if d.inspection is not None])
        console.print(truth_table(differences))
        chain = ledger.verify()
    for problem in chain.problems:
        console.print(f"Ledger: {problem}", markup=False)
    met = all(d.met for d in differences) and chain.ok
    console.print("Every truth is met." if met else "NOT every truth is met: see the table.")
    for workbook in sorted(out.glob("*.xlsx")):
        console.print(f"Workbook: {workbook}", soft_wrap=True)
    console.print(f"Pictures, JSON and the ledger: {out}; filed scans: {folders.root}", soft_wrap=True)
    return OK if met else HOLD
