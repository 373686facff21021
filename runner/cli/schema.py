"""``runner schema``: JSON Schemas for editors and for readers of results."""

from __future__ import annotations

import json

import click

from runner.cli.app import OK


@click.command("schema")
@click.argument("of", type=click.Choice(["recipe", "inspection"]))
def command(of: str) -> int:
    """Print the JSON Schema of recipe files (for an editor) or of inspection files (for a reader of results)."""
    if of == "recipe":
        from runner.recipe.json_schema import json_schema as schema
    else:
        from runner.records_io import inspection_schema as schema
    click.echo(json.dumps(schema(), indent=2, ensure_ascii=False))
    return OK
