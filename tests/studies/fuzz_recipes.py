"""Mutated recipes, as text and as structure; what the loader accepts must be what the text says.

Beside what ``examine`` asks of any text, two things speak against silent acceptance: a number in the accepted recipe
that neither the text nor the unchanged recipe's defaults hold; and a recipe that stays the same though one number of
it was changed.
"""

from __future__ import annotations

import json
import random
import re
from functools import cache

from runner.recipe.fingerprint import canonical
from runner.recipe.load import parse_recipe
from runner.recipe.text import Node, Text, read_nodes
from tests.recipe.test_fuzz import BAD, EVERY, PIECES, TEXT, examine, mutate
from tests.studies.fuzz_harness import Answer

_NUMBER = re.compile(r"\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?")
_PLAIN = re.compile(r"[-+\w.|/*±°%()Ø][-+\w .|/*±°%()Ø']*")
UNSEEN = ("outputs",)
"""Sections that decide what is written and drawn, not what is measured: no part of the fingerprint."""


@cache
def _broken() -> tuple[str, ...]:
    return tuple(text for path in BAD if (text := path.read_text(encoding="utf-8")))


def _source(draw: random.Random) -> str:
    """Mostly the small sound recipe, which takes little time; the one of every kind; a broken one."""
    return draw.choices((TEXT, EVERY, draw.choice(_broken())), (7, 1, 2))[0]


@cache
def known(text: str) -> tuple[str, frozenset[float]]:
    """Canonical form of a sound recipe and the numbers in it."""
    recipe, _ = parse_recipe(text, "whole.yaml")
    said = "" if recipe is None else canonical(recipe)
    return said, frozenset(_numbers(json.loads(said)) if said else [])


def case(seed: int, number: int) -> Answer:
    """Load one mutated recipe."""
    draw = random.Random(seed * 1_000_003 + number)
    source = _source(draw)
    way = draw.choice(("text", "structure", "structure", "number"))
    text = source
    if way == "text":
        text = mutate(source, draw)
    else:
        root, _ = read_nodes(source, "source.yaml")
        if root is None:
            way, text = "text", mutate(source, draw)
        else:
            changed = _change_number(root, draw) if way == "number" else _change(root, draw)
            text = write(root) if changed else source
    try:
        accepted = examine(text)
        wrong = _silent(text, source, way) if accepted else ""
    except MemoryError:
        raise
    except BaseException as error:
        wrong, accepted = f"{type(error).__name__}: {error}", False
    if wrong:
        return Answer("finding", way, wrong[:400], text.encode("utf-8", "surrogatepass"), ".yaml")
    return Answer("accepted" if accepted else "refused", way)


def _silent(text: str, source: str, way: str) -> str:
    recipe, _ = parse_recipe(text, "again.yaml")
    assert recipe is not None
    said = canonical(recipe)
    before, numbers = known(source)
    if way == "number" and text != source and said == before:
        return "silent: a number was changed, and the recipe stayed the same"
    written = {float(word.replace(",", ".")) for word in _NUMBER.findall(text)}
    # a share as per cent; the step of a whole circle of that many; the reach of a profile, five times its zone
    allowed = {f(value) for value in written if value for f in (abs, _share, _step, _reach)} | numbers | {0.0}
    strange = sorted(v for v in set(_numbers(json.loads(said))) if abs(v) not in allowed and v not in allowed)
    return f"silent: the text holds no {strange[:5]}" if strange else ""


def _share(value: float) -> float:
    return value / 100


def _step(value: float) -> float:
    return 360 / value


def _reach(value: float) -> float:
    return 5 * value


def _numbers(value: object) -> list[float]:
    if isinstance(value, dict):
        return [n for one in value.values() for n in _numbers(one)]
    if isinstance(value, list):
        return [n for one in value for n in _numbers(one)]
    if isinstance(value, str) and value.startswith("number "):
        return [float(value[7:])]
    return []


def _scalars(node: Node, section: str = "") -> list[tuple[Node, str]]:
    if node.text is not None:
        return [(node, section)]
    found = [pair for item in node.items or [] for pair in _scalars(item, section)]
    for key, value in node.pairs or []:
        found += _scalars(value, section or str(key.text))
    return found


def _change_number(root: Node, draw: random.Random) -> bool:
    """Change one digit of one value so that its number is another."""
    places = [n for n, section in _scalars(root) if section not in UNSEEN and n.text and _NUMBER.search(n.text)]
    if not places:
        return False
    node = draw.choice(places)
    text = str(node.text)
    at = draw.choice([i for i, c in enumerate(text) if c.isascii() and c.isdigit()] or [-1])
    if at < 0:
        return False
    digit = draw.choice([d for d in "0123456789" if d != text[at]])
    node.text = Text(text[:at] + digit + text[at + 1 :], quoted=node.text.quoted if node.text else False)
    return True


def _nodes(node: Node) -> list[Node]:
    inner = [*(node.items or []), *(part for pair in node.pairs or [] for part in pair)]
    return [node, *(deeper for one in inner for deeper in _nodes(one))]


def _change(root: Node, draw: random.Random) -> bool:
    """One to three changes of the structure: values swapped, renamed, doubled, dropped, nested, made extreme."""
    for _ in range(draw.randint(1, 3)):
        nodes = _nodes(root)
        one, other = draw.choice(nodes), draw.choice(nodes)
        how = draw.randrange(7)
        if how == 0 and one.text is not None:
            one.text = Text(draw.choice(PIECES), quoted=draw.random() < 0.3)
        elif how == 1 and one.text is not None and other.text is not None:
            one.text, other.text = other.text, one.text
        elif how == 2 and one.pairs:
            one.pairs.pop(draw.randrange(len(one.pairs)))
        elif how == 3 and one.pairs and other.pairs:
            one.pairs.append(draw.choice(other.pairs))
        elif how == 4 and one.items:
            one.items.append(draw.choice(one.items))
        elif how == 5 and one.items:
            one.items.pop(draw.randrange(len(one.items)))
        elif one.text is not None:
            text = str(one.text)
            one.text, one.items = None, [Node(0, 0, Text(text)) for _ in range(draw.randint(0, 3))]
    return True


def write(node: Node, depth: int = 0) -> str:
    """The nodes as a text in flow style; sections on lines of their own."""
    if depth > 20:
        return "deep"
    if node.text is not None:
        text = str(node.text)
        plain = _PLAIN.fullmatch(text) and text == text.strip() and not node.text.quoted
        return text if plain else json.dumps(text, ensure_ascii=False)
    if node.items is not None:
        return "[" + ", ".join(write(item, depth + 1) for item in node.items) + "]"
    pairs = [f"{write(key, depth + 1)}: {write(value, depth + 1)}" for key, value in node.pairs or []]
    return "\n".join(pairs) + "\n" if depth == 0 else "{" + ", ".join(pairs) + "}"
