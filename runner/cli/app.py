"""Entry point: finds the command, keeps the error boundary, and gives the exit status.

Commands are imported when they are called, so that help is quick.
"""

from __future__ import annotations

import importlib
import os
import sys
import traceback
from collections.abc import Sequence

import click

from runner import __version__

OK, REJECT, USAGE, HOLD, OWN_FAULT, INTERRUPTED = 0, 1, 2, 3, 4, 130
"""Exit statuses. Accept is 0; an own fault must never look like reject."""

COMMANDS = {
    "check": "Check a recipe against its own rules and its nominal.",
    "measure": "Measure scans with a recipe and show the results.",
    "watch": "Measure what arrives in the incoming folder, unattended.",
    "status": "Show queue and health of the services, and what waits for a person.",
    "demo": "Scan, drop and measure a small lot of invented parts.",
    "reference": "Print the reference of the recipe language.",
    "schema": "Print the JSON Schema of recipes or of inspection files.",
    "release": "Approve a recipe for production, or withdraw that.",
    "decide": "Enter a person's decision about an attempt.",
    "correct": "Enter the right serial or lot of an inspection.",
    "void": "Enter that an inspection does not count.",
    "replay": "Measure archived scans anew under a changed recipe and compare.",
    "ledger": "Verify, list, back up or export the ledger.",
}


class _LateCommands(click.Group):
    """A group whose commands live in modules of the same name, imported on use."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"runner.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            import difflib

            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean {near[0]!r}?" if near else ""
            raise click.UsageError(f"There is no command {args[0]!r}.{hint} Commands: {', '.join(COMMANDS)}.", ctx)
        return super().resolve_command(ctx, args)


@click.command(cls=_LateCommands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(__version__, prog_name="runner")
def app() -> None:
    """Run written inspection recipes over 3D scans of repeat parts.

    Exit status: 0 accept, 1 reject, 3 hold, 2 wrong usage or recipe, 4 a fault of this program.
    """


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit with its status."""
    from runner.diagnostics import RecipeError, RunnerError

    try:
        status = app.main(args=None if arguments is None else list(arguments), standalone_mode=False)
    except click.exceptions.Abort:
        sys.exit(INTERRUPTED)
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)
    except click.ClickException as error:
        error.show()
        sys.exit(USAGE)
    except RecipeError as error:
        from runner.recipe.show import problems_text

        click.echo(problems_text(error.problems), err=True)
        sys.exit(USAGE)
    except RunnerError as error:
        click.echo(f"runner: {error}", err=True)
        sys.exit(USAGE)
    except BrokenPipeError:
        # the reader of our output went away (runner ... | head): not a fault, but don't claim success
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(INTERRUPTED)
    except Exception as error:
        click.echo(
            f"runner: this is a fault of the program, not of your input: {type(error).__name__}: {error}\n"
            "No verdict was given. Please report it with the lines below.",
            err=True,
        )
        traceback.print_exc()
        sys.exit(OWN_FAULT)
    sys.exit(status if isinstance(status, int) else OK)
