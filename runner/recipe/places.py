"""From a path of keys to a place in the text, and to words that name the object there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from runner.diagnostics import Problem
from runner.recipe.text import Node, lines_of, visible

Path = Sequence[str | int]

_NAMED = {
    "features": "feature",
    "characteristics": "characteristic",
    "datums": "datum",
    "datum systems": "datum system",
}


@dataclass(frozen=True)
class Places:
    """The text of a recipe with its nodes, for making problems that say where."""

    file: str
    root: Node | None
    lines: tuple[str, ...]

    @classmethod
    def of(cls, file: str, text: str, root: Node | None) -> Places:
        """Return the places of a text."""
        return cls(file, root, tuple(lines_of(text)))

    def find(self, path: Path, at_key: bool = False) -> tuple[int, int]:
        """Return line and column of the value at a path, or of its nearest enclosing key."""
        node = self.root
        if node is None:
            return 0, 0
        place = (node.line, node.column)
        for step in path:
            if isinstance(step, int):
                if node.items is None or step >= len(node.items):
                    break
                node = node.items[step]
                place = (node.line, node.column)
                continue
            if step == "[key]":
                break
            found = node.find(step)
            if found is None:
                continue
            key, node = found
            inline = node.line == key.line and node.text is not None
            last = path[-1] == step
            # an empty value has no place of its own worth pointing at
            value_place = inline and node.text != "" and last and not at_key
            place = (node.line, node.column) if value_place else (key.line, key.column)
        return place

    def node(self, path: Path) -> Node | None:
        """Return the node at a path, or None."""
        node = self.root
        for step in path:
            if node is None:
                return None
            if isinstance(step, int):
                node = node.items[step] if node.items is not None and step < len(node.items) else None
            else:
                found = node.find(step)
                node = found[1] if found else None
        return node

    def problem(
        self,
        path: Path,
        message: str,
        allowed: str = "",
        suggestion: str = "",
        severity: str = "error",
        at_key: bool = False,
    ) -> Problem:
        """Return a problem placed at a path, with the line it stands in."""
        line, column = self.find(path, at_key)
        return Problem(
            self.file,
            line,
            column,
            visible(where(path), 120),
            visible(message),
            visible(allowed),
            visible(suggestion),
            self.excerpt(line),
            severity,
        )

    def excerpt(self, line: int) -> str:
        """Return a line of the text, cut to 120 characters."""
        if not 1 <= line <= len(self.lines):
            return ""
        text = visible(self.lines[line - 1].rstrip().replace("\t", "    "))
        return text if len(text) <= 120 else text[:117] + "..."


def where(path: Path) -> str:
    """Return the object a path lies in, e.g. ``feature "bore 2"`` or ``drawing``."""
    if not path:
        return "recipe"
    first = str(path[0])
    if first in _NAMED and len(path) > 1:
        return f'{_NAMED[first]} "{path[1]}"'
    return first


def trail(path: Path) -> str:
    """Return the keys of a path inside its object, e.g. ``circle: diameter``."""
    inside = path[2:] if path and str(path[0]) in _NAMED else path[1:]
    return ": ".join(f"item {step + 1}" if isinstance(step, int) else step for step in inside if step != "[key]")
