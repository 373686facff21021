"""The command line: arguments, exit codes, and the only place that prints."""

from runner.cli.app import main

__all__ = ["main"]
