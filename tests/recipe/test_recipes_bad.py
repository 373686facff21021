"""Broken recipes, each with the full text its writer is shown (tests/recipes_bad, read and accepted one by one)."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.recipe.load import parse_recipe
from runner.recipe.show import problems_text

FOLDER = Path(__file__).parents[1] / "recipes_bad"
NAMES = sorted(path.stem for path in FOLDER.glob("*.yaml"))


def test_there_are_enough_pairs() -> None:
    assert len(NAMES) >= 100
    assert sorted(path.stem for path in FOLDER.glob("*.txt")) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_the_message_is_the_accepted_one(name: str) -> None:
    text = (FOLDER / f"{name}.yaml").read_text(encoding="utf-8")
    recipe, problems = parse_recipe(text, f"{name}.yaml")
    assert problems_text(problems) == (FOLDER / f"{name}.txt").read_text(encoding="utf-8")
    assert (recipe is None) == any(problem.severity == "error" for problem in problems)
    assert problems == sorted(problems, key=lambda problem: (problem.line, problem.column))
