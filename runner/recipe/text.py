"""YAML text to nodes that remember their place. Every scalar stays text; nothing is typed, aliased or merged.

Typing is left to the schema, since YAML itself reads ``no`` as false, ``017`` as 15 and ``1.10`` as 1.1. Anchors,
aliases, merge keys and tags are refused (an alias bomb grows beyond any memory); size, depth and number of nodes
are limited, and the text is read event by event without recursion, so that no text can exhaust the stack.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from runner.diagnostics import Problem

MOST_CHARACTERS = 400_000
MOST_NODES = 30_000
MOST_DEPTH = 16
MOST_SCALAR = 4_000

_LINE_BREAK = re.compile("\r\n|[\n\r\x85\u2028\u2029]")


class Text(str):
    """A scalar as written, with whether it stood in quotes."""

    __slots__ = ("quoted",)
    quoted: bool

    def __new__(cls, value: str, quoted: bool = False) -> Text:
        """Return the text marked as quoted or plain."""
        made = super().__new__(cls, value)
        made.quoted = quoted
        return made


@dataclass(eq=False)
class Node:
    """A scalar, list or map with its place; lines and columns count from 1."""

    line: int
    column: int
    text: Text | None = None
    items: list[Node] | None = None
    pairs: list[tuple[Node, Node]] | None = None
    _index: dict[str, tuple[Node, Node]] = field(default_factory=dict)

    def data(self) -> Any:
        """Return plain data: ``Text``, list or dict, the first of duplicate keys winning."""
        if self.items is not None:
            return [item.data() for item in self.items]
        if self.pairs is not None:
            data: dict[Text, Any] = {}
            for key, value in self.pairs:
                if key.text is not None and key.text not in data:
                    data[key.text] = value.data()
            return data
        return self.text

    def find(self, key: str) -> tuple[Node, Node] | None:
        """Return key node and value node of a key of this map; underscores and spaces count as the same."""
        if self.pairs is None:
            return None
        if not self._index:
            for key_node, value in reversed(self.pairs):
                self._index[spaced(key_node.text or "")] = (key_node, value)
            for key_node, value in reversed(self.pairs):
                self._index[key_node.text or ""] = (key_node, value)
        return self._index.get(key) or self._index.get(spaced(key))


def spaced(key: str) -> str:
    """Return a key in its usual spelling: words with single spaces."""
    return " ".join(key.replace("_", " ").split())


def visible(text: str, most: int = 600) -> str:
    """Return a text cut to a readable length, what can't be seen written as escapes, so that none acts on a screen."""
    if len(text) > most:
        text = text[: most - 3] + "..."
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)


def lines_of(text: str) -> list[str]:
    """Return the lines of a text, counted as YAML counts them."""
    return _LINE_BREAK.split(text)


def read_nodes(text: str, file: str) -> tuple[Node | None, list[Problem]]:
    """Return the root node of a recipe text and the problems of its YAML.

    Parameters
    ----------
    text : str
        The whole text.
    file : str
        Its name, for the problems only.

    Returns
    -------
    tuple
        The root, or None when the text can't be read further; problems found on the way.
    """
    if len(text) > MOST_CHARACTERS:
        return None, [
            Problem(
                file, 1, 1, "recipe", f"this file holds {len(text)} characters", f"at most {MOST_CHARACTERS} characters"
            )
        ]
    problems: list[Problem] = []
    try:
        root = _build(yaml.parse(text, Loader=yaml.SafeLoader), file, problems)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = (mark.line + 1, mark.column + 1) if mark else (0, 0)
        said = error.problem or error.context or "can't be read"
        problems.append(Problem(file, *place, "YAML", visible(_plain_words(said)), suggestion=_yaml_advice(said)))
        return None, problems
    except yaml.reader.ReaderError as error:
        before = text[: error.position] if isinstance(error.position, int) else ""
        rows = lines_of(before)
        problems.append(
            Problem(
                file,
                len(rows),
                len(rows[-1]) + 1,
                "YAML",
                f"the character U+{_code(error.character):04X} is not allowed in a recipe",
                suggestion="remove it; it can't be seen in most editors",
            )
        )
        return None, problems
    except _Stop:
        return None, problems
    except (ValueError, RecursionError, OverflowError) as error:
        # the YAML library lets a few malformed escapes and directives through as bare Python errors
        problems.append(Problem(file, 0, 0, "YAML", f"can't be read as YAML: {error}"))
        return None, problems
    if root is None:
        problems.append(Problem(file, 1, 1, "recipe", "this file is empty", suggestion='begin with "recipe: 1"'))
    return root, problems


class _Stop(Exception):
    """Reading on would be useless or dangerous; the problem is already noted."""


def _code(character: object) -> int:
    """Return the code point of what the YAML reader reports as a bad character."""
    if isinstance(character, int):
        return character
    if isinstance(character, str | bytes) and len(character) > 0:
        return ord(character[:1])
    return 0


def _plain_words(said: str) -> str:
    """Return the YAML library's complaint in words for a recipe's writer."""
    known = {
        "mapping values are not allowed here": "a colon stands where no key can stand",
        "found character '\\t' that cannot start any token": "a tab stands where only spaces may indent",
        "could not find expected ':'": "a colon is missing after this key, or a quote or bracket above is not closed",
        "found unexpected end of stream": "the file ends inside a quoted text",
    }
    return known.get(said, said)


def _yaml_advice(said: str) -> str:
    """Return what to do about a complaint, where that is known."""
    if "mapping values" in said:
        return 'put a text that contains ": " into double quotes'
    if "expected ',' or" in said and "':'" in said:
        return 'a comma or bracket is missing, or a text that contains ": " needs double quotes'
    if "expected ',' or" in said:
        return "a comma or a closing bracket is missing"
    if "\\t" in said:
        return "indent by spaces"
    return ""


@dataclass(eq=False)
class _Open:
    """A list or map that is still being read."""

    node: Node
    key: Node | None = None
    seen: dict[str, int] = field(default_factory=dict)


def _build(events: Iterator[Any], file: str, problems: list[Problem]) -> Node | None:
    """Return the root node from the YAML library's events."""
    stack: list[_Open] = []
    root: Node | None = None
    count = documents = 0

    def stop(event: Any, message: str, allowed: str = "") -> _Stop:
        mark = event.start_mark
        problems.append(Problem(file, mark.line + 1, mark.column + 1, "YAML", message, allowed))
        return _Stop()

    for event in events:
        if isinstance(event, yaml.DocumentStartEvent):
            documents += 1
            if documents > 1:
                raise stop(event, "a second document begins here", "one recipe in one file")
            if event.tags:
                raise stop(event, "YAML directives are not used in a recipe")
            continue
        if isinstance(event, yaml.AliasEvent):
            raise stop(
                event,
                f"the alias *{visible(event.anchor or '', 40)} is not allowed",
                "every value written where it belongs",
            )
        if not isinstance(event, yaml.NodeEvent):
            if isinstance(event, yaml.SequenceEndEvent | yaml.MappingEndEvent):
                stack.pop()
            continue
        if event.anchor:
            raise stop(
                event,
                f"the anchor &{visible(event.anchor or '', 40)} is not allowed",
                "every value written where it belongs",
            )
        tag = getattr(event, "tag", None)
        if tag:
            raise stop(
                event,
                f"the tag {visible(tag.replace('tag:yaml.org,2002:', '!!'), 40)} is not allowed",
                "plain text, numbers, lists and maps",
            )
        count += 1
        if count > MOST_NODES:
            raise stop(event, f"more than {MOST_NODES} values in one recipe")
        mark: Any = event.start_mark
        node = Node(mark.line + 1, mark.column + 1)
        if isinstance(event, yaml.ScalarEvent):
            if len(event.value) > MOST_SCALAR:
                raise stop(event, f"a text of {len(event.value)} characters", f"at most {MOST_SCALAR} characters")
            node.text = Text(event.value, quoted=event.style is not None)
        elif isinstance(event, yaml.SequenceStartEvent):
            node.items = []
        else:
            node.pairs = []
        _attach(node, stack, file, problems, event, stop)
        if root is None:
            root = node
        if node.text is None:
            if len(stack) >= MOST_DEPTH:
                raise stop(event, f"nested deeper than {MOST_DEPTH} levels")
            stack.append(_Open(node))
    if root is not None and root.text == "" and not root.text.quoted:
        return None
    return root


def _attach(node: Node, stack: list[_Open], file: str, problems: list[Problem], event: Any, stop: Any) -> None:
    """Hang a node into the list or map that is open; note duplicate keys."""
    if not stack:
        return
    top = stack[-1]
    if top.node.items is not None:
        top.node.items.append(node)
        return
    assert top.node.pairs is not None
    if top.key is not None:
        top.node.pairs.append((top.key, node))
        top.key = None
        return
    if node.text is None:
        raise stop(event, "a list or map can't be a key", "a word as key")
    if node.text == "<<" and not node.text.quoted:
        raise stop(event, 'the merge key "<<" is not allowed', "every value written where it belongs")
    top.key = node
    key = str(node.text)
    if key in top.seen:
        problems.append(
            Problem(
                file,
                node.line,
                node.column,
                "YAML",
                f'the key "{visible(key, 80)}" stands twice in one map; first in line {top.seen[key]}',
                "each key once",
            )
        )
    else:
        top.seen[key] = node.line
