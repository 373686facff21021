"""The command line: arguments, exit codes, and the only place that prints."""

import os

# before NumPy is loaded: its products here are tall and thin, and its threads would spin beside our own
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from runner.cli.app import main

__all__ = ["main"]
