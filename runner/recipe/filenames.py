"""File name patterns: how a scan's file name carries the serial number and more, as data and nothing else.

A pattern is literal text with fields in braces and ``*``. Matching never guesses: where a name could be split in two
ways, it does not match. It takes time proportional to the name's length.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from itertools import pairwise

FIELDS = ("part", "revision", "serial", "lot", "operator", "station", "cavity", "scan", "date")
LONGEST_NAME = 255
_TOKEN = re.compile(r"\{([^{}]*)\}|(\*)|([^{}*]+)")


class PatternError(ValueError):
    """A pattern can't be used."""

    def __init__(self, message: str, allowed: str = "", suggestion: str = "") -> None:
        self.message, self.allowed, self.suggestion = message, allowed, suggestion
        super().__init__(message)


def _tokens(pattern: str) -> list[tuple[str, str]]:
    """Return (kind, text) with kinds ``field``, ``any`` and ``text``."""
    tokens: list[tuple[str, str]] = []
    position = 0
    for found in _TOKEN.finditer(pattern):
        if found.start() != position:
            break
        position = found.end()
        if found.group(1) is not None:
            tokens.append(("field", found.group(1).strip()))
        elif found.group(2):
            tokens.append(("any", "*"))
        else:
            tokens.append(("text", found.group(3)))
    if position != len(pattern):
        raise PatternError(f'"{pattern}" has a brace without its partner', "fields in braces, such as {serial}")
    return tokens


def check_pattern(pattern: str) -> None:
    """Raise ``PatternError`` when a pattern is unusable or could be read in two ways."""
    allowed = " ".join(f"{{{name}}}" for name in FIELDS) + " and *"
    if len(pattern) > LONGEST_NAME:
        raise PatternError(f"a pattern of {len(pattern)} characters", f"at most {LONGEST_NAME} characters")
    if "/" in pattern or "\\" in pattern:
        raise PatternError(f'"{pattern}" contains a folder', "a file name only")
    tokens = _tokens(pattern)
    seen: set[str] = set()
    for kind, text in tokens:
        if kind != "field":
            continue
        if text not in FIELDS:
            close = get_close_matches(text, FIELDS, n=1, cutoff=0.5)
            raise PatternError(
                f"a file name has no field {{{text}}}", allowed, f"did you mean {{{close[0]}}}?" if close else ""
            )
        if text in seen:
            raise PatternError(f"the field {{{text}}} stands twice", "each field once")
        seen.add(text)
    if "serial" not in seen:
        raise PatternError("the pattern carries no serial number", allowed, "add {serial}")
    for (kind, text), (next_kind, next_text) in pairwise(tokens):
        if kind != "text" and next_kind != "text":
            raise PatternError(
                f"{_shown(kind, text)} and {_shown(next_kind, next_text)} touch: a name could be split in two ways",
                "a separator between them, such as _",
            )
    if sum(kind == "any" for kind, _ in tokens) > 3:
        raise PatternError("more than three * in one pattern", "at most three *")


def _shown(kind: str, text: str) -> str:
    return "*" if kind == "any" else f"{{{text}}}"


def match(pattern: str, file_name: str, known: Mapping[str, str] | None = None) -> dict[str, str] | None:
    """Return the fields that a file name carries, or None when it does not fit the pattern.

    Parameters
    ----------
    pattern : str
        A pattern that passed ``check_pattern``.
    file_name : str
        A bare file name; one with a folder, control or invisible characters fits no pattern.
    known : mapping, optional
        Fields whose value is known, e.g. ``{"part": "VH_104"}``: they must then stand there literally (in
        either case), and may contain the separators.

    Examples
    --------
    >>> match("{part}_{serial}.*", "VH-104_0007.ply")
    {'part': 'VH-104', 'serial': '0007'}
    >>> match("{part}_{serial}.*", "VH-104_00_07.ply") is None
    True
    """
    if not 0 < len(file_name) <= LONGEST_NAME or any(c in "/\\" or _invisible(c) for c in file_name):
        return None
    known = known or {}
    tokens = _tokens(pattern)
    # a closing ".*" stands for one extension, so that a serial with points in it is not cut at the first one
    extension = len(tokens) >= 2 and tokens[-1][0] == "any" and tokens[-2][1].endswith(".")
    parts: list[str] = []
    for i, (kind, text) in enumerate(tokens):
        if kind == "text":
            parts.append(re.escape(text) if i < len(tokens) - 1 else f"(?i:{re.escape(text)})")
        elif kind == "any":
            parts.append("[^.]+" if extension and i == len(tokens) - 1 else ".*?")
        elif text in known:
            parts.append(f"(?P<{text}>(?i:{re.escape(known[text])}))")
        else:
            parts.append(f"(?P<{text}>[^{re.escape(_separators(tokens, i, known, extension))}]+)")
    found = re.fullmatch("".join(parts), file_name, re.DOTALL)
    if found is None:
        return None
    values = found.groupdict()
    # two blanks and one look alike on paper and on the board
    if any(value != " ".join(value.split()) or value.strip(".") == "" for value in values.values()):
        return None
    return values


def _separators(tokens: list[tuple[str, str]], i: int, known: Mapping[str, str], extension: bool) -> str:
    """Return the characters that an open field must not contain, so that only one split is possible."""
    barred = "/"
    if i + 1 < len(tokens):
        following = tokens[i + 1][1]
        if not (extension and i + 1 == len(tokens) - 2 and following == "."):
            barred += following[0]
    if i >= 2:
        kind, name = tokens[i - 2]
        if kind == "any" or name not in known:
            barred += tokens[i - 1][1][-1]
    return barred


def _invisible(character: str) -> bool:
    """Return whether a character can't be told from another, or from none: control, format, odd blanks, unassigned."""
    return not character.isprintable()
