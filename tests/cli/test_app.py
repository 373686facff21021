"""The command line's manners: help, statuses, and that nothing heavy is imported for help."""

import subprocess
import sys

import click
import pytest

from runner.cli import app as cli
from runner.cli.outcomes import exit_status
from runner.records import Outcome

HEAVY = ("open3d", "OCP", "numba", "scipy", "numpy", "pydantic", "sqlalchemy", "openpyxl", "polars", "pye57", "PIL")


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as stop:
        cli.main(arguments)
    return int(stop.value.code or 0)


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys\nfrom runner.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit as stop:\n    assert not stop.code\n"
        f"print('heavy:', [m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.rstrip().endswith("heavy: []")


def test_every_command_is_listed_and_has_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--help") == cli.OK
    overview = capsys.readouterr().out
    for name in cli.COMMANDS:
        assert name in overview
        assert run(name, "--help") == cli.OK
        assert len(capsys.readouterr().out.splitlines()) > 4


def test_an_unknown_command_is_a_usage_error_with_the_nearest_name(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("mesure") == cli.USAGE
    assert "Did you mean 'measure'?" in capsys.readouterr().err


def test_an_own_fault_never_looks_like_reject(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object, **__: object) -> click.Command:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(cli._LateCommands, "get_command", broken)
    assert run("check", "x.yaml") == cli.OWN_FAULT
    assert "fault of the program" in capsys.readouterr().err


def test_the_worst_outcome_gives_the_status() -> None:
    assert exit_status([Outcome.ACCEPT]) == 0
    assert exit_status([Outcome.ACCEPT, Outcome.HOLD]) == 3
    assert exit_status([Outcome.HOLD, Outcome.REJECT, Outcome.ACCEPT]) == 1
    assert exit_status([]) == 3
