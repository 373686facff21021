"""``runner reference``: the recipe language, from the code's own tables."""

from __future__ import annotations

import click

from runner.cli.app import OK


@click.command("reference")
def command() -> int:
    """Print the reference of the recipe language (Markdown)."""
    from runner.recipe.reference import language_reference

    click.echo(language_reference())
    return OK
