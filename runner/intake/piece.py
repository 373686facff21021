"""Serial, lot and operator from a small file beside the scan, where the file name does not carry them.

The file is named like the scan with ``.piece.yaml`` added and holds::

    piece: 1
    part: WV-210        # only where the scan's own name fits no recipe
    serial: "0042"
    lot: L7
    operator: night shift

What the scan's name says too must be the same; the two contradicting each other is a hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from runner.diagnostics import Problem
from runner.intake.folders import PIECE_SUFFIX, is_plain
from runner.recipe.show import problems_text
from runner.recipe.text import lines_of, read_nodes

KEYS = ("part", "serial", "lot", "operator")
VERSION = "piece"
MOST_BYTES = 10_000
LONGEST = 200


@dataclass(frozen=True)
class PieceFile:
    """What the file says; empty where it says nothing."""

    part: str = ""
    serial: str = ""
    lot: str = ""
    operator: str = ""


def read_piece(scan: Path) -> PieceFile | str:
    """Read the file beside ``scan``: what it says, nothing when there is none, or what is wrong with it."""
    path = scan.with_name(scan.name + PIECE_SUFFIX)
    if not is_plain(path):
        return PieceFile()
    try:
        with path.open("rb") as stream:
            content = stream.read(MOST_BYTES + 1)
    except FileNotFoundError:
        return PieceFile()  # taken away between two looks
    except PermissionError:
        return f"{path.name} can't be read: permission denied"
    if len(content) > MOST_BYTES:
        return f"{path.name} has over {MOST_BYTES} bytes; it is a file of a few lines"
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        return f"{path.name} is not text: {error}"
    found, problems = parse_piece(text, path.name)
    return f"{path.name} is not sound:\n{problems_text(problems)}" if problems else found


def parse_piece(text: str, file: str) -> tuple[PieceFile, list[Problem]]:
    """Return what the text says, and every problem."""
    root, problems = read_nodes(text, file)
    lines = lines_of(text)

    def say(line: int, column: int, message: str, allowed: str = "", suggestion: str = "") -> None:
        excerpt = lines[line - 1] if 0 < line <= len(lines) else ""
        problems.append(Problem(file, line, column, "piece file", message, allowed, suggestion, excerpt))

    if root is None:
        return PieceFile(), problems
    if root.pairs is None:
        say(root.line, root.column, "must be a map", ", ".join((VERSION, *KEYS)))
        return PieceFile(), problems
    said: dict[str, str] = {}
    for key, value in root.pairs:
        name = str(key.text)
        if name not in (VERSION, *KEYS):
            near = get_close_matches(name, KEYS, n=1)
            say(key.line, key.column, f'unknown key "{name}"', ", ".join((VERSION, *KEYS)), near[0] if near else "")
        elif value.text is None or not value.text.strip():
            say(value.line, value.column, f"{name} must be a few words of text")
        elif len(value.text) > LONGEST or not value.text.isprintable():
            say(value.line, value.column, f"{name} must be at most {LONGEST} characters that can be printed")
        elif name == VERSION and value.text.strip() != "1":
            say(value.line, value.column, f"version {str(value.text)!r} is not known", "1")
        else:
            said.setdefault(name, value.text.strip())
    if VERSION not in said and not problems:
        say(root.line, root.column, f'the key "{VERSION}" is missing', f"{VERSION}: 1")
    return PieceFile(**{key: said.get(key, "") for key in KEYS}), sorted(problems)
