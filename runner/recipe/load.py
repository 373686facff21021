"""Text or file to a checked recipe, or to all of its problems."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from pydantic import ValidationError

from runner.diagnostics import Problem, RecipeError
from runner.recipe.checks import check
from runner.recipe.checks_files import check_files, read_tables
from runner.recipe.diagnose import diagnose
from runner.recipe.draft import draft_of
from runner.recipe.places import Places
from runner.recipe.schema import Recipe, Source
from runner.recipe.text import MOST_CHARACTERS, Node, read_nodes, spaced


def parse_recipe(text: str, file_name: str) -> tuple[Recipe | None, list[Problem]]:
    """Return the recipe a text states, and all problems sorted by line.

    Reads no file: whether the nominal exists is checked by ``load_recipe``.

    Parameters
    ----------
    text : str
        The recipe.
    file_name : str
        Its name for the problems; its folder is where a relative nominal counts from.

    Returns
    -------
    tuple
        The recipe, or None when there is any error; problems, of which warnings may stand beside a recipe.
    """
    root, problems = read_nodes(text, file_name)
    places = Places.of(file_name, text, root)
    recipe: Recipe | None = None
    if root is not None and root.pairs is None:
        problems.append(
            places.problem((), "this is no recipe: a map of sections belongs here", 'begin with "recipe: 1"')
        )
    elif root is not None:
        data = root.data()
        try:
            recipe = Recipe.model_validate(data)
        except ValidationError as error:
            problems += diagnose(error, places)
        problems += check(draft_of(data, places, recipe))
    problems = [p if p.excerpt else dataclasses.replace(p, excerpt=places.excerpt(p.line)) for p in problems]
    problems = sorted(set(problems), key=lambda p: (p.line, p.column, p.severity, p.where, p.message))
    if recipe is None or any(p.severity == "error" for p in problems):
        return None, problems
    source = Source(file_name, text, Path(file_name).parent, _lines(root))
    return recipe.with_source(source), problems


def load_recipe(path: str | Path) -> Recipe:
    """Return the recipe in a file.

    Raises
    ------
    RecipeError
        With all problems, when there is any error; warnings alone don't stop it (``recipe_problems`` lists them).
    """
    recipe, problems = read_recipe(path)
    if recipe is None:
        raise RecipeError(tuple(problems))
    return recipe


def read_recipe(path: str | Path) -> tuple[Recipe | None, list[Problem]]:
    """Return the recipe in a file and all problems, warnings included; a file that can't be read is a problem too."""
    path = Path(path)
    name = str(path)
    try:
        if not path.is_file():
            said = "is a folder, not a recipe" if path.is_dir() else "there is no such file"
            return None, [Problem(name, 0, 0, "recipe", said)]
        with path.open("rb") as stream:
            content = stream.read(4 * MOST_CHARACTERS + 1)
        text = content.decode("utf-8-sig")
    except OSError as error:
        return None, [Problem(name, 0, 0, "recipe", f"can't be read: {error.strerror or error}")]
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        return None, [Problem(name, line, 0, "recipe", f"byte {error.start} is not UTF-8", "a text saved as UTF-8")]
    recipe, problems = parse_recipe(text, name)
    if recipe is not None:
        root, _ = read_nodes(text, name)
        places = Places.of(name, text, root)
        tables, of_tables = read_tables(recipe, places)
        recipe = recipe.with_source(dataclasses.replace(recipe.source, tables=tables))
        problems = sorted(
            [*problems, *check_files(recipe, places), *of_tables],
            key=lambda p: (p.file != name, p.file, p.line, p.column),
        )
        if any(p.severity == "error" for p in problems):
            return None, problems
    return recipe, problems


def _lines(root: Node | None) -> dict[tuple[str, ...], int]:
    """Return the line of each section and of each named entry."""
    lines: dict[tuple[str, ...], int] = {}
    for key, value in root.pairs or [] if root is not None else []:
        section = spaced(key.text or "")
        lines[(section,)] = key.line
        for name, _ in value.pairs or []:
            lines[(section, " ".join((name.text or "").split()))] = name.line
    return lines
