"""``runner check``: is a recipe sound, by itself and on its nominal?"""

from __future__ import annotations

from pathlib import Path

import click

from runner.cli.app import OK, USAGE


@click.command("check")
@click.argument("recipe", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--resolved", is_flag=True, help="Print the recipe with every default filled in, and stop.")
@click.option("--text-only", is_flag=True, help="Check the text alone; don't open the nominal.")
def command(recipe: Path, resolved: bool, text_only: bool) -> int:
    """Check RECIPE: all its problems at once, then one plain sentence per characteristic."""
    from runner.diagnostics import RecipeError
    from runner.recipe.defaults import resolved as fill_in
    from runner.recipe.load import read_recipe
    from runner.recipe.sentences import sentences
    from runner.recipe.show import problems_text

    loaded, problems = read_recipe(recipe)
    if loaded is None:
        raise RecipeError(tuple(problems))
    if resolved:
        click.echo(fill_in(loaded), nl=False)
        return OK
    if not text_only:
        from runner.cli.show import progress_bar
        from runner.pipeline.check import check_on_nominal
        from runner.pipeline.plan import load_plan

        with progress_bar(recipe.name) as progress:
            plan = load_plan(recipe, progress=progress, with_model=False)
            problems += check_on_nominal(plan)
    for name, sentence in sentences(loaded).items():
        click.echo(f"{name:>5}  {sentence}")
    if problems:
        click.echo(problems_text(sorted(problems)), err=True)
    failed = any(p.severity == "error" for p in problems)
    where = "the recipe's text" if text_only else "the recipe and its nominal"
    click.echo(f"\n{recipe.name}: {'not usable' if failed else 'sound'}, as far as {where} can tell.")
    return USAGE if failed else OK
