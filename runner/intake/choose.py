"""Which recipe is meant by a scan's file name."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from runner.diagnostics import RecipeError
from runner.pipeline.identity import Identity
from runner.recipe.defaults import resolve
from runner.recipe.filenames import match
from runner.recipe.load import load_recipe
from runner.recipe.schema import Recipe


def load_recipes(folder: Path) -> tuple[dict[Path, Recipe], dict[Path, str]]:
    """Return the sound recipes of a folder, and for each broken one why it can't be used."""
    sound: dict[Path, Recipe] = {}
    broken: dict[Path, str] = {}
    for path in sorted(folder.glob("*.yaml")):
        try:
            sound[path] = resolve(load_recipe(path))
        except RecipeError as error:
            broken[path] = str(error)
    return sound, broken


def choose(file_name: str, recipes: Mapping[Path, Recipe]) -> tuple[Path, Identity] | str:
    """Return the one recipe whose pattern fits ``file_name`` with who the piece is, or the reason why there is none."""
    fitting: list[tuple[Path, Identity]] = []
    for path, recipe in recipes.items():
        fields = match(recipe.scan.file_name or "", file_name, {"part": recipe.part.number})
        if fields is None:
            continue
        identity = Identity(
            serial=fields.get("serial", ""),
            lot=fields.get("lot", ""),
            operator=fields.get("operator", ""),
            station=fields.get("station", ""),
        )
        fitting.append((path, identity))
    if len(fitting) == 1:
        if not fitting[0][1].serial:
            return f"the file name gives no serial by the pattern {recipes[fitting[0][0]].scan.file_name!r}"
        return fitting[0]
    if not fitting:
        patterns = ", ".join(f"{r.scan.file_name!r} ({r.part.number})" for r in recipes.values()) or "none"
        return f"no recipe's file name pattern fits; patterns known here: {patterns}"
    return "the file name fits more than one recipe: " + ", ".join(path.name for path, _ in fitting)
