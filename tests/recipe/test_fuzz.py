"""Mutated recipes never crash and never hang: they give problems, or a recipe that survives its resolved text."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.diagnostics import Problem
from runner.recipe.defaults import resolved
from runner.recipe.fingerprint import canonical
from runner.recipe.load import parse_recipe
from runner.recipe.show import problems_text
from runner.recipe.translate import to_align_settings, to_plan

TEXT = (Path(__file__).parent / "gold" / "bearing_block.yaml").read_text(encoding="utf-8")
EVERY = (Path(__file__).parent / "gold" / "every_kind.yaml").read_text(encoding="utf-8")
BAD = sorted((Path(__file__).parents[1] / "recipes_bad").glob("*.yaml"))
PIECES = [
    *("{", "}", "[", "]", ":", ",", "- ", "\n", "  ", "\t", '"', "'", "#", "|", ">", "%", "=", "@", "`", "\\"),
    *("&a ", "*a", "<<: ", "!!int ", "---\n", "...\n", "? ", "\\e[31m", "\u200b", "\x07", "\ud800", "\U0001f4a9"),
    *("~", "null", "yes", ".nan", ".inf", "-1", "0", "1e309", "99999999999", "1_0", "0x1", "1:30", "x" * 400),
    *("±", "Ø", "Ⓜ", "°", "each of ", "A|B|C", "main", "slot", "plane", "pattern", "size", "zone", "limits"),
    *("{part}", "{serial}", "*.*", "recipe: 1\n", "features: "),
]


def examine(text: str) -> bool:
    """Parse and check what must hold of any text; return whether it gave a recipe."""
    recipe, problems = parse_recipe(text, "fuzz.yaml")
    assert all(isinstance(problem, Problem) for problem in problems)
    assert (recipe is None) == any(problem.severity == "error" for problem in problems)
    shown = problems_text(problems)
    assert all(character.isprintable() or character == "\n" for character in shown)
    if recipe is None:
        return False
    to_align_settings(recipe)
    to_plan(recipe)
    written = resolved(recipe)
    again, found = parse_recipe(written, "again.yaml")
    assert again is not None, problems_text(found) + written
    assert canonical(again) == canonical(recipe)
    return True


def mutate(text: str, draw: random.Random, most: int = 4) -> str:
    """Return a text with one to ``most`` random edits."""
    for _ in range(draw.randint(1, most)):
        i, j = sorted(draw.randrange(len(text) + 1) for _ in range(2))
        how = draw.randrange(8)
        if how == 0:
            text = text[:i] + draw.choice(PIECES) + text[i:]
        elif how == 1:
            j = min(j, i + draw.randint(1, 12))
            text = text[:i] + text[j:]
        elif how == 2:
            j = min(j, i + draw.randint(1, 200))
            text = text[:j] + text[i:j] + text[j:]
        elif how == 3:
            text = text[:i] + chr(draw.choice([draw.randrange(128), draw.randrange(0x3000)])) + text[i + 1 :]
        elif how == 4:
            lines = text.split("\n")
            a, b = draw.randrange(len(lines)), draw.randrange(len(lines))
            lines[a], lines[b] = lines[b], lines[a]
            text = "\n".join(lines)
        elif how == 5:
            lines = text.split("\n")
            del lines[draw.randrange(len(lines))]
            text = "\n".join(lines)
        elif how == 6:
            words = text.split(" ")
            a, b = draw.randrange(len(words)), draw.randrange(len(words))
            words[a] = words[b]
            text = " ".join(words)
        else:
            words = text.split(" ")
            words[draw.randrange(len(words))] = draw.choice(PIECES)
            text = " ".join(words)
        text = text or "x"
    return text


def fuzz_good(seed: int, count: int) -> None:
    draw = random.Random(seed)
    accepted = sum(examine(mutate(TEXT, draw)) for _ in range(count))
    # some mutations are harmless (comments, spaces, values); most are not
    assert 0.01 * count < accepted < 0.75 * count


def fuzz_bad(seed: int, count: int) -> None:
    draw = random.Random(seed)
    sources = [path.read_text(encoding="utf-8") for path in BAD]
    for _ in range(count):
        examine(mutate(draw.choice(sources) or "x", draw))


def test_mutated_recipes() -> None:
    fuzz_good(20260731, 120)


def test_mutated_broken_recipes() -> None:
    fuzz_bad(7, 300)


@pytest.mark.slow
def test_a_thousand_mutated_recipes() -> None:
    fuzz_good(1, 400)
    fuzz_bad(2, 600)


@pytest.mark.slow
def test_mutated_recipes_of_every_kind() -> None:
    draw = random.Random(3)
    # a single edit of so dense a recipe is harmless about one time in ten (an edited value, a moved comment)
    assert 0 < sum(examine(mutate(EVERY, draw, most=1)) for _ in range(60)) < 45


@settings(deadline=None, max_examples=150)
@given(st.text(max_size=300))
def test_any_text(text: str) -> None:
    examine(text)


scalars = st.one_of(st.sampled_from(PIECES), st.integers(-5, 5).map(str), st.floats(-1e3, 1e3).map(repr))


@settings(deadline=None, max_examples=30)
@given(
    st.lists(scalars, min_size=3, max_size=3),
    st.sampled_from(["at", "normal", "axis", "diameter", "length", "angle", "limits"]),
)
def test_any_scalars_in_a_feature(values: list[str], key: str) -> None:
    line = f"  odd: {{cylinder: {{at: [{', '.join(values)}], axis: +z, diameter: 3, {key}: {values[0]}}}}}\n"
    examine(TEXT.replace("datums:\n", line + "datums:\n", 1))


def test_many_problems_take_bounded_time() -> None:
    # every entry refers to a name that is nearly right; neither time nor text may explode
    many = 1000
    features = "".join(f"  hole {i:05d}x: {{sphere: {{at: [{i}, 0, 0], diameter: 5}}}}\n" for i in range(many))
    characteristics = "".join(
        f'  "{i}": {{position: hole {i:05d}y, zone: 0.1, shape: SØ, datums: [A, Z]}}\n' for i in range(many)
    )
    text = (
        "recipe: 1\npart: {number: a, revision: b}\ndrawing: {standard: ISO GPS, edition: 2017, units: mm}\n"
        "nominal: {file: a.stl}\nscan: {surface: {noise: 0.1, spacing: 0.1}}\ndecision: {rule: simple}\n"
        f"features:\n{features}characteristics:\n{characteristics}"
    )
    recipe, problems = parse_recipe(text, "many.yaml")
    assert recipe is None
    assert len(problems) >= 3 * many
    assert len(problems_text(problems)) < 4_000_000
