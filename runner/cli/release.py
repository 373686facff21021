"""``runner release``: who approved which recipe, when and why."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.app import OK
from runner.cli.record import place_options, tell

if TYPE_CHECKING:
    from runner.ledger.entries import Release
    from runner.ledger.store import Ledger


@click.command("release")
@click.argument("recipe", required=False, type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option(
    "--fingerprint", help="Instead of RECIPE: a recipe that the ledger knows by this fingerprint (or its start)."
)
@click.option("--outcome", metavar="INSPECTION", help="Instead of RECIPE: the outcome of one inspection.")
@click.option("--withdraw", is_flag=True, help="Withdraw the release: from now on its outcomes are unreleased.")
@click.option("--list", "show", is_flag=True, help="List every release and withdrawal of recipes, and stop.")
@click.option("--person", default="", help="Who decides this: stands in the ledger and the documents.")
@click.option("--reason", default="", help="Why: on what proof the recipe is released, or why not any more.")
@place_options
def command(
    recipe: Path | None,
    fingerprint: str | None,
    outcome: str | None,
    withdraw: bool,
    show: bool,
    person: str,
    reason: str,
    ledger_place: str,
    out: Path,
) -> int:
    """Release RECIPE for production, by its fingerprint: its text with every default, and the nominal.

    Outcomes measured while the release is in force are released; all others are marked unreleased in every document,
    also where the recipe is released afterwards. Any change of the recipe or of the nominal needs a new release.
    """
    from runner.cli.record import open_ledger
    from runner.ledger.entries import INSPECTION, Release
    from runner.ledger.store import Ledger
    from runner.report.text import visible

    if show:
        with open_ledger(ledger_place, out) as ledger:
            _list(ledger)
        return OK
    if [recipe, fingerprint, outcome].count(None) != 2:
        raise click.UsageError("Give one of: RECIPE, --fingerprint, --outcome.")
    if not person.strip() or not reason.strip():
        raise click.UsageError("A release needs --person and --reason.")
    if recipe is not None:
        entry = _of_recipe(recipe, not withdraw, person, reason)
        out.mkdir(parents=True, exist_ok=True)
        # the first release comes before the first inspection, so the ledger may have to be made
        ledger = Ledger.open(ledger_place or out / "ledger.db")
    else:
        ledger = open_ledger(ledger_place, out)
    with ledger:
        if outcome is not None:
            inspection = ledger.attempt(outcome).inspection
            entry = Release(INSPECTION, inspection.id, not withdraw, reason, person, inspection.part_number)
        elif fingerprint is not None:
            entry = _known(ledger, fingerprint, not withdraw, person, reason)
        _refuse_repeated(ledger, entry)
        made = ledger.append(entry)
        what = "released" if entry.approved else "release withdrawn"
        text = f"Entry {made.sequence}. {entry.subject} {entry.about} of {entry.part_number}: {what}."
        if entry.part_number in ledger.parts():
            tell(ledger, entry.part_number, out, text)
        else:
            click.echo(visible(text))
    return OK


def _of_recipe(recipe: Path, approved: bool, person: str, reason: str) -> Release:
    """The entry for a recipe file: checked first, its warnings told."""
    from runner.cli.show import progress_bar
    from runner.pipeline.release import releasable
    from runner.recipe.show import problems_text

    with progress_bar(recipe.name) as progress:
        found = releasable(recipe, progress=progress)
    if found.warnings:
        click.echo(problems_text(found.warnings), err=True)
    return found.entry(approved=approved, person=person, reason=reason)


def _known(ledger: Ledger, fingerprint: str, approved: bool, person: str, reason: str) -> Release:
    """The entry for a recipe that a release or an inspection in the ledger already names."""
    from dataclasses import replace

    earlier = {r.release.about: r.release for r in ledger.releases() if r.release.about.startswith(fingerprint)}
    if len(fingerprint) < 8 or len(earlier) != 1:
        raise click.UsageError(
            f"{len(earlier)} recipes with a release begin with {fingerprint!r}; give eight characters or more of one "
            "that `runner release --list` shows, or the recipe file."
        )
    (found,) = earlier.values()
    return replace(found, approved=approved, person=person, reason=reason)


def _refuse_repeated(ledger: Ledger, entry: Release) -> None:
    """Refuse an entry that would say what already holds."""
    from runner.ledger.entries import RECIPE

    if entry.subject == RECIPE:
        released = ledger.recipe_state(entry.about).word == "released"
    else:
        released = ledger.attempt(entry.about).release_word == "released"
    if released == entry.approved:
        now = "released already" if released else "not released"
        raise click.UsageError(f"This {entry.subject} is {now}; nothing was entered.")


def _list(ledger: Ledger) -> None:
    from runner.cli.show import console
    from runner.report.text import visible

    found = ledger.releases()
    for entry in found:
        release = entry.release
        revision = f" rev {release.part_revision}" if release.part_revision else ""
        what = f"{release.part_number}{revision} {release.recipe_file}"
        line = f"{entry.sequence:>5} {release.about[:16]} {what}: {entry.text}"
        console.print(visible(line), markup=False, soft_wrap=True)
    if not found:
        console.print("No recipe was ever released in this ledger.")
