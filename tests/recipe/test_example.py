"""The full example: it loads, says what it says in sentences, and its resolved text is stable."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.recipe.defaults import resolve, resolved
from runner.recipe.fingerprint import canonical, fingerprint
from runner.recipe.load import parse_recipe
from runner.recipe.schema import Recipe
from runner.recipe.sentences import sentences
from runner.recipe.translate import to_plan

GOLD = Path(__file__).parent / "gold"


def example() -> Recipe:
    text = (GOLD / "bearing_block.yaml").read_text(encoding="utf-8")
    recipe, problems = parse_recipe(text, "bearing_block.yaml")
    assert recipe is not None
    # rows of standards' tables that are known from memory only are marked, and nothing else is
    assert {p.severity for p in problems} <= {"warning"}
    assert all("table row not confirmed" in p.message for p in problems) and len(problems) == 3
    return recipe


def test_resolved_text_is_the_accepted_one() -> None:
    assert resolved(example()) == (GOLD / "bearing_block_resolved.yaml").read_text(encoding="utf-8")


def test_sentences_are_the_accepted_ones() -> None:
    said = "".join(f"{name}: {text}\n" for name, text in sentences(example()).items())
    assert said == (GOLD / "bearing_block_sentences.txt").read_text(encoding="utf-8")


def test_resolved_text_loads_again_to_the_same_recipe() -> None:
    first = example()
    again, problems = parse_recipe(resolved(first), "again.yaml")
    assert again is not None and {p.severity for p in problems} <= {"warning"}
    assert fingerprint(again, "0" * 64) == fingerprint(first, "0" * 64)
    assert resolved(again) == resolved(first)
    assert sentences(again) == sentences(first)
    assert resolve(resolve(first)) == resolve(first)


def test_the_plan_of_the_resolved_text_is_the_same_but_for_line_numbers() -> None:
    first = example()
    again, _ = parse_recipe(resolved(first), "again.yaml")
    assert again is not None
    before, after = repr(to_plan(first)), repr(to_plan(again))
    import re

    def without_origins(text: str) -> str:
        return re.sub(r"origin=(None|Origin\([^)]*\))", "", text)

    assert without_origins(before) == without_origins(after)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("Ø 32 H7", "32 H7"),
        ("Ø 0.3 Ⓜ", "Ø0.3 (M)"),
        ("shape: Ø", "shape: diametral"),
        ("file_name:", "file name:"),
        ("fit: {to: all surfaces, ignore_beyond: 0.8}", "fit: {ignore_beyond: 0.80}"),
        ("normal: [0, 0, 1]", "normal: +z"),
        ("coverage: 40 %", "coverage: 0.4"),
        ("datums: [A, B]", 'datums: "A|B"'),
        ("# An invented part", "# Another comment"),
        ("start: 30°", "start: 30, step: 60"),
    ],
)
def test_spelling_does_not_change_the_fingerprint(old: str, new: str) -> None:
    text = (GOLD / "bearing_block.yaml").read_text(encoding="utf-8")
    assert text.count(old) == 1
    changed, problems = parse_recipe(text.replace(old, new), "bearing_block.yaml")
    assert changed is not None, problems
    assert canonical(changed) == canonical(example())


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("32 H7", "32 H8"),
        ("datums: [A, B]", "datums: [B, A]"),
        ("main: [A, B, C]", "main: [A, C, B]"),
        ("revision: D", "revision: E"),
        ("factor: 1.0", "factor: 1.1"),
        ("search: 0.6", "search: 0.7"),
        ("decimals: as drawing plus one", "decimals: as drawing"),
        ("zone: 0.08", "zone: 0.080"),  # one decimal more is reported
    ],
)
def test_meaning_changes_the_fingerprint(old: str, new: str) -> None:
    text = (GOLD / "bearing_block.yaml").read_text(encoding="utf-8")
    assert text.count(old) == 1
    changed, problems = parse_recipe(text.replace(old, new), "bearing_block.yaml")
    assert changed is not None, problems
    assert canonical(changed) != canonical(example())


def test_the_nominal_is_part_of_the_fingerprint() -> None:
    assert fingerprint(example(), "0" * 64) != fingerprint(example(), "1" * 64)


def test_the_order_of_entries_does_not_matter() -> None:
    text = (GOLD / "bearing_block.yaml").read_text(encoding="utf-8")
    lines = text.splitlines()
    first = next(i for i, line in enumerate(lines) if line.strip().startswith('"12":'))
    lines[first], lines[first + 1] = lines[first + 1], lines[first]
    changed, _ = parse_recipe("\n".join(lines), "bearing_block.yaml")
    assert changed is not None
    assert canonical(changed) == canonical(example())
