"""YAML text to nodes: no typing, no aliases, places kept, bounded size and time."""

from __future__ import annotations

import pytest

from runner.recipe.text import MOST_CHARACTERS, MOST_DEPTH, MOST_NODES, MOST_SCALAR, Node, Text, lines_of, read_nodes


def root_of(text: str) -> Node:
    root, problems = read_nodes(text, "t.yaml")
    assert problems == [] and root is not None
    return root


def test_every_scalar_stays_text() -> None:
    root = root_of('{a: no, b: 017, c: 1:30, d: 1.10, e: "1.10", f: .nan, g: ~, h: 2024-01-01}')
    assert root.data() == {
        "a": "no",
        "b": "017",
        "c": "1:30",
        "d": "1.10",
        "e": "1.10",
        "f": ".nan",
        "g": "~",
        "h": "2024-01-01",
    }
    assert [value.text.quoted for _, value in root.pairs or [] if value.text is not None] == [False] * 4 + [True] + [
        False
    ] * 3


def test_places_count_from_one() -> None:
    root = root_of("first: 1\nsecond:\n  - a\n  -   b\n")
    key, value = root.find("second") or pytest.fail("no key")
    assert (key.line, key.column) == (2, 1)
    assert value.items is not None
    assert [(item.line, item.column) for item in value.items] == [(3, 5), (4, 7)]


def test_keys_are_found_in_either_spelling() -> None:
    root = root_of("part_state: 1\nkeep within: 2\n")
    for key in ("part state", "part_state", "keep within", "keep_within"):
        assert root.find(key) is not None
    assert root.find("other") is None


def test_lines_are_counted_as_yaml_counts_them() -> None:
    text = "a: 1\r\nb: 2\rc: 3\u2028d: 4\u0085e: 5\n"
    root = root_of(text)
    assert [key.line for key, _ in root.pairs or []] == [1, 2, 3, 4, 5]
    assert lines_of(text)[4] == "e: 5"


def test_the_first_of_equal_keys_wins_and_the_second_is_a_problem() -> None:
    root, problems = read_nodes("a: 1\na: 2\n", "t.yaml")
    assert root is not None and root.data() == {"a": "1"}
    assert [(p.line, p.column) for p in problems] == [(2, 1)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a: &x 1\nb: *x\n", "anchor &x"),
        ("a: *x\n", "alias *x"),
        ("{<<: {a: 1}}", "merge key"),
        ("a: !!python/object:os.system x", "tag !!python/object:os.system"),
        ("a: !local x", "tag !local"),
        ("%TAG ! tag:x,2000:\n---\na: 1\n", "directives"),
        ("a: 1\n---\nb: 1\n", "second document"),
        ("[" * 5000, "nested deeper"),
        ("{a: " * 5000, "nested deeper"),
        ("- " * 5000 + "x", "nested deeper"),
        ("? " * 5000 + "x", ""),
        ("? [a, b]\n: c", "can't be a key"),
        ("a: " + "x" * (MOST_SCALAR + 1), "characters"),
        ("[" + "1," * (MOST_NODES + 1) + "]", "more than"),
        ("x" * (MOST_CHARACTERS + 1), "characters"),
        ("a: \x00", "U+0000"),
        ("a: \ud800", "U+D800"),
        ('a: "\\xZZ"', ""),
        ('a: "\\UFFFFFFFF"', ""),
        ("a: 'x", "ends inside"),
        ("a: [1, 2", ""),
        ("a: b: c", "a colon stands"),
        ("", "empty"),
        ("# only\n", "empty"),
        ("---\n", "empty"),
    ],
)
def test_what_is_refused(text: str, said: str) -> None:
    _, problems = read_nodes(text, "t.yaml")
    assert problems
    assert any(said in problem.message for problem in problems), problems


def test_an_alias_bomb_is_refused_at_its_first_anchor() -> None:
    bomb = "a0: &a0 [x, x]\n" + "".join(f"a{i}: &a{i} [*a{i - 1}, *a{i - 1}]\n" for i in range(1, 40))
    _, problems = read_nodes(bomb, "t.yaml")
    assert [(p.line, p.message) for p in problems] == [(1, "the anchor &a0 is not allowed")]


def test_the_deepest_allowed_text_is_read() -> None:
    depth = MOST_DEPTH
    root_of("[" * depth + "x" + "]" * depth)
    _, problems = read_nodes("[" * (depth + 1) + "x" + "]" * (depth + 1), "t.yaml")
    assert problems


def test_text_is_a_str_that_knows_its_quotes() -> None:
    assert Text("a", quoted=True) == "a"
    assert not Text("a").quoted


@pytest.mark.parametrize("text", ["a: &{} 1", "a: *{}", "a: !{} 1", "{}: 1\n{}: 2\n", 'a: "{}'])
def test_messages_stay_short(text: str) -> None:
    _, problems = read_nodes(text.replace("{}", "x" * 3000), "t.yaml")
    assert problems
    assert all(len(problem.message) <= 700 for problem in problems)
