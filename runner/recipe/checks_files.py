"""The only checks that look at the disk: the nominal, and lists of points."""

from __future__ import annotations

from pathlib import Path

from runner.diagnostics import Problem
from runner.recipe.characteristics import PointList
from runner.recipe.places import Places
from runner.recipe.pointlists import PointTable, read_points
from runner.recipe.scalars import nearest
from runner.recipe.schema import Recipe

NOMINAL_SUFFIXES = (".step", ".stp", ".stl", ".ply", ".obj")


def check_files(recipe: Recipe, places: Places) -> list[Problem]:
    """Return the problems of files that a recipe names; the only check that looks at the disk."""
    path = recipe.nominal_path
    try:
        exists = path.is_file()
    except (OSError, ValueError):
        exists = False
    if not exists:
        said = f'there is no file "{recipe.nominal.file}"'
        near = nearest(path.name, _files_beside(recipe))
        return [places.problem(("nominal", "file"), said, "a path from the recipe's folder", near)]
    if path.suffix.lower() not in NOMINAL_SUFFIXES:
        said = f'"{path.name}" is no kind of nominal known here'
        return [places.problem(("nominal", "file"), said, "a file " + ", ".join(NOMINAL_SUFFIXES))]
    return []


def _files_beside(recipe: Recipe) -> list[str]:
    """Return up to 200 names of nominal files in the folder that was looked in."""
    try:
        folder = recipe.nominal_path.parent
        names = (entry.name for entry in folder.iterdir() if entry.suffix.lower() in NOMINAL_SUFFIXES)
        return sorted(name for name, _ in zip(names, range(200), strict=False))
    except (OSError, ValueError):
        return []


def read_tables(recipe: Recipe, places: Places) -> tuple[dict[str, PointTable], list[Problem]]:
    """Return the point lists that a recipe names by the file name it writes, and the problems of every row."""
    tables: dict[str, PointTable] = {}
    problems: list[Problem] = []
    kinds: dict[str, str] = {}
    for name, item in recipe.characteristics.items():
        if not isinstance(item, PointList) or item.point_file is None:
            continue
        path, stated = ("characteristics", name, item.kind, "file"), item.point_file
        if kinds.setdefault(stated, item.kind) != item.kind:
            said = f'"{stated}" is a list of {kinds[stated]} already'
            problems.append(places.problem(path, said, "a file for each kind"))
            continue
        if stated in tables:
            continue
        file = (recipe.source.folder or Path(places.file).parent) / stated
        try:
            exists = file.is_file()
        except (OSError, ValueError):
            exists = False
        if not exists:
            problems.append(places.problem(path, f'there is no file "{stated}"', "a path from the recipe's folder"))
            continue
        table, found = read_points(file, str(file), item.kind == "edge points")
        problems += found
        if table is not None:
            tables[stated] = table
    return tables, problems
