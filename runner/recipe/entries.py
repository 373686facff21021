"""Results of other gauges, entered by a person in a small file beside the scan.

The file is named like the scan with ``.entries.yaml`` added and holds::

    entries: 1
    person: who gauged
    results:
      "17": {result: pass, gauge: BH-3, calibrated: 2026-09-30}
      "18": {value: 12.03, gauge: MC-7, calibrated: 2026-08-12}

Values are in the drawing's unit.
"""

from __future__ import annotations

import datetime
import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from runner.diagnostics import Problem
from runner.recipe.text import Node, lines_of, read_nodes

SUFFIX = ".entries.yaml"
LONGEST = 1000
"""Characters of a gauge, a person or a note."""
_TOP = ("entries", "person", "results")
_ONE = ("result", "value", "gauge", "calibrated", "person", "note")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True)
class Entry:
    """What a person found with another gauge."""

    id: str
    passed: bool | None
    """For go/no-go and visual checks."""
    value: float | None
    """For values, in the drawing's unit."""
    gauge: str
    calibrated: str
    """Date of the gauge's last calibration, ISO 8601; empty where none applies (visual checks)."""
    person: str
    note: str = ""


def parse_entries(text: str, file: str, kinds: Mapping[str, str]) -> tuple[dict[str, Entry], list[Problem]]:
    """Return the entries by characteristic id, and every problem of the file.

    Parameters
    ----------
    text, file
        Content and name of the file.
    kinds
        The recipe's other gauges: characteristic id to kind (``go/no-go``, ``visual``, ``value``).
    """
    root, problems = read_nodes(text, file)
    reader = _Reader(file, lines_of(text), problems)
    if root is None:
        return {}, problems
    top = reader.table(root, "entries file", _TOP)
    version = reader.words(top.get("entries"), root, "entries file", "entries")
    if version not in ("1", ""):
        reader.say(top["entries"], "entries", f"version {version!r} is not known", "1")
    person = reader.words(top.get("person"), root, "entries file", "person")
    found: dict[str, Entry] = {}
    results = top.get("results")
    if results is None:
        reader.say(root, "entries file", 'the key "results" is missing', 'results: {"17": {result: pass, gauge: BH-3}}')
        return {}, sorted(problems)
    for key, node in results.pairs or []:
        name = str(key.text)
        where = f'entry "{name}"'
        if name not in kinds:
            near = difflib.get_close_matches(name, kinds, n=1)
            allowed = ", ".join(kinds) or "none: the recipe has no other gauge"
            reader.say(key, where, "is no other gauge of the recipe", allowed, near[0] if near else "")
            continue
        entry = reader.entry(name, where, node, kinds[name], person)
        if entry is not None:
            found[name] = entry
    if results.pairs is None:
        reader.say(results, "results", "must be a map from characteristic id to what was found", '"17": {result: pass}')
    return found, sorted(problems)


@dataclass
class _Reader:
    """Walks the nodes and collects problems."""

    file: str
    lines: list[str]
    problems: list[Problem]

    def say(self, node: Node, where: str, message: str, allowed: str = "", suggestion: str = "") -> None:
        excerpt = self.lines[node.line - 1] if 0 < node.line <= len(self.lines) else ""
        self.problems.append(Problem(self.file, node.line, node.column, where, message, allowed, suggestion, excerpt))

    def table(self, node: Node, where: str, allowed: tuple[str, ...]) -> dict[str, Node]:
        if node.pairs is None:
            self.say(node, where, "must be a map", ", ".join(allowed))
            return {}
        found: dict[str, Node] = {}
        for key, value in node.pairs:
            name = str(key.text)
            if name in allowed:
                found.setdefault(name, value)
            else:
                near = difflib.get_close_matches(name, allowed, n=1)
                self.say(key, where, f'unknown key "{name}"', ", ".join(allowed), near[0] if near else "")
        return found

    def words(self, node: Node | None, parent: Node, where: str, key: str, needed: bool = True) -> str:
        if node is None:
            if needed:
                self.say(parent, where, f'the key "{key}" is missing')
            return ""
        if node.text is None or not node.text.strip():
            self.say(node, where, f"{key} must be a few words of text")
            return ""
        if len(node.text) > LONGEST or not node.text.replace("\n", "").isprintable():
            # it stands in documents beside the result
            self.say(node, where, f"{key} must be at most {LONGEST} characters that can be printed")
            return ""
        return node.text.strip()

    def entry(self, name: str, where: str, node: Node, kind: str, person: str) -> Entry | None:
        before = len(self.problems)
        keys = self.table(node, where, _ONE)
        if node.pairs is None:
            return None
        passed: bool | None = None
        value: float | None = None
        wanted, other = ("value", "result") if kind == "value" else ("result", "value")
        if other in keys:
            self.say(keys[other], where, f'a {kind} check takes "{wanted}", not "{other}"')
        said = self.words(keys.get(wanted), node, where, wanted)
        if said and kind == "value":
            value = float(said) if _NUMBER.fullmatch(said) else math.nan
            if not math.isfinite(value):
                self.say(
                    keys[wanted], where, f"{said!r} is not a number", "a number in the drawing's unit, such as 12.03"
                )
        elif said:
            passed = {"pass": True, "fail": False}.get(said)
            if passed is None:
                self.say(keys[wanted], where, f"{said!r} is not a result", "pass, fail")
        gauge = self.words(keys.get("gauge"), node, where, "gauge", needed=kind != "visual")
        calibrated = self.words(keys.get("calibrated"), node, where, "calibrated", needed=kind != "visual")
        if calibrated:
            try:
                datetime.date.fromisoformat(calibrated)
            except ValueError:
                self.say(
                    keys["calibrated"], where, f"{calibrated!r} is not a date", "year-month-day, such as 2026-09-30"
                )
        who = self.words(keys["person"], node, where, "person") if "person" in keys else person
        note = self.words(keys["note"], node, where, "note") if "note" in keys else ""
        if len(self.problems) > before or not who:
            return None
        return Entry(name, passed, value, gauge, calibrated, who, note)
