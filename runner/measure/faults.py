"""Faults of the program itself: caught one by one, so that one of them does not take the other results with it.

A fault is never passed over: what it concerns is ``not measured``, the part is held, and the command's exit status says
that the program failed.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")

SAID = "a fault of the program"
PACKAGE = "runner"
DEEPEST = 8
"""Innermost calls that are kept."""
LONGEST = 300


@dataclass(frozen=True)
class Fault:
    """One fault: what was being done, what went wrong, and where in the program."""

    what: str
    """E.g. ``characteristic 3``."""
    error: str
    calls: tuple[str, ...]
    """Innermost last: ``module:line in function``; files of the program only by their place in it."""

    @property
    def reason(self) -> str:
        """One sentence for a result."""
        return f"{SAID}: {self.error}"

    @property
    def text(self) -> str:
        """Everything in one line, for the provenance."""
        return f"{self.what}: {self.error} [{' < '.join(reversed(self.calls))}]"


class Faults:
    """Collects the faults of one measurement."""

    def __init__(self) -> None:
        self._found: list[Fault] = []

    def guarded(self, what: str, make: Callable[[], T], failed: Callable[[str], T]) -> T:
        """Return what ``make`` gives; after an error of the program in it, what ``failed`` makes of the reason.

        Being stopped by the user is no error and passes through.
        """
        try:
            return make()
        except Exception as error:
            fault = describe(what, error)
            self.add(fault)
            return failed(fault.reason)

    def add(self, fault: Fault) -> None:
        """Keep one more fault."""
        self._found.append(fault)

    @property
    def found(self) -> tuple[Fault, ...]:
        """The faults so far."""
        return tuple(self._found)


def describe(what: str, error: Exception) -> Fault:
    """Return the fault that an exception shows, without folders of this machine in its text."""
    message = " ".join(str(error).split())[:LONGEST]
    calls = [f"{_place(frame.filename)}:{frame.lineno} in {frame.name}" for frame in _frames(error)]
    name = type(error).__name__
    return Fault(what, f"{name}: {message}" if message else name, tuple(calls[-DEEPEST:]))


def _frames(error: Exception) -> list[traceback.FrameSummary]:
    return list(traceback.extract_tb(error.__traceback__))


def _place(file_name: str) -> str:
    """A source file from the package's name on; of other packages only the last folder and the name."""
    parts = Path(file_name).parts
    if PACKAGE in parts:
        start = len(parts) - 1 - parts[::-1].index(PACKAGE)
        return "/".join(parts[start:])
    return "/".join(parts[-2:]) if len(parts) > 1 and not parts[-2].startswith("/") else parts[-1]
