"""Problems as values, and the errors of this program.

A ``Problem`` is something wrong in an input file that its writer can mend; checks return lists of them.
An ``InputError`` is raised at the rim when an input as a whole can't be used.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Problem:
    """One thing wrong in a text file. Lines and columns count from 1; 0 means that the place is unknown."""

    file: str
    line: int
    column: int
    where: str
    """The object it concerns, e.g. ``feature "bore 2"``."""
    message: str
    allowed: str = ""
    suggestion: str = ""
    """Nearest allowed word, or what to do."""
    excerpt: str = ""
    severity: str = "error"
    """``error`` or ``warning``."""


def printable(text: str, lines: bool = False) -> str:
    """The text with everything that can't be printed written as an escape; with ``lines`` line feeds are kept."""
    if text.isprintable():
        return text
    return "".join(
        c if c.isprintable() or (lines and c == "\n") else c.encode("unicode_escape").decode("ascii") for c in text
    )


class RunnerError(Exception):
    """Base of every error that is raised on purpose. Its text is a complete message for the user."""


class InputError(RunnerError):
    """An input file can't be used: what, where in the file, what was expected, what to do."""

    def __init__(self, file: str, message: str, *, place: str = "", advice: str = "") -> None:
        # parts of the file stand in the message: they must not act on the screen that shows it
        self.file = printable(file)
        self.message = printable(message, lines=True)
        self.place = printable(place)
        self.advice = advice
        where = f"{self.file} ({self.place})" if place else self.file
        super().__init__(f"{where}: {self.message}" + (f" {advice}" if advice else ""))


class RecipeError(RunnerError):
    """A recipe has problems; all of them are in ``problems``, sorted by line."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = tuple(sorted(problems))
        super().__init__("\n".join(f"{p.file}:{p.line}:{p.column}  {p.where}: {p.message}" for p in self.problems))


class MissingLibraryError(RunnerError):
    """A system library or an optional package is missing; the text names what to install."""
