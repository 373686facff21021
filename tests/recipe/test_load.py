"""Files in, recipes out: what is wrong with a file is a problem with its name, never an exception of another sort."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.diagnostics import RecipeError
from runner.recipe.load import load_recipe, parse_recipe, read_recipe
from runner.recipe.show import problems_text

TEXT = """\
recipe: 1
part: {number: KT-31, revision: A}
drawing: {standard: ISO GPS, edition: 2017, units: mm}
nominal: {file: lever.step}
scan: {surface: {noise: 0.02, spacing: 0.2}}
features:
  base: {plane: {at: [0, 0, 0], normal: -z}}
characteristics:
  "1": {flatness: base, zone: 0.1, judge: all points}
decision: {rule: simple}
"""


def test_a_recipe_knows_where_it_came_from(tmp_path: Path) -> None:
    (tmp_path / "lever.step").write_text("x")
    path = tmp_path / "lever.yaml"
    path.write_text(TEXT, encoding="utf-8-sig")
    recipe = load_recipe(path)
    assert recipe.part.number == "KT-31"
    assert recipe.nominal_path == tmp_path / "lever.step"
    assert recipe.source.file == str(path) and recipe.source.text == TEXT
    origin = recipe.source.origin("characteristics", "1")
    assert origin is not None and (origin.file, origin.line) == (str(path), 9)
    assert recipe.source.origin("features", "other") is None


def test_a_missing_nominal_names_the_nearest_file(tmp_path: Path) -> None:
    (tmp_path / "levers.step").write_text("x")
    path = tmp_path / "lever.yaml"
    path.write_text(TEXT, encoding="utf-8")
    with pytest.raises(RecipeError) as caught:
        load_recipe(path)
    (problem,) = caught.value.problems
    assert (problem.line, problem.message) == (4, 'file: there is no file "lever.step"') or (
        problem.line,
        problem.message,
    ) == (4, 'there is no file "lever.step"')
    assert problem.suggestion == 'did you mean "levers.step"?'


def test_a_nominal_of_another_kind(tmp_path: Path) -> None:
    (tmp_path / "lever.dwg").write_text("x")
    path = tmp_path / "lever.yaml"
    path.write_text(TEXT.replace("lever.step", "lever.dwg"), encoding="utf-8")
    recipe, problems = read_recipe(path)
    assert recipe is None and "no kind of nominal" in problems[0].message


def test_files_that_cant_be_read(tmp_path: Path) -> None:
    for path, said in ((tmp_path / "none.yaml", "no such file"), (tmp_path, "is a folder")):
        recipe, problems = read_recipe(path)
        assert recipe is None and said in problems[0].message
        assert problems_text(problems).startswith(f"{path}  recipe: ")
    path = tmp_path / "latin.yaml"
    path.write_bytes(TEXT.replace("KT-31", "K\xe4-31").encode("latin-1"))
    recipe, problems = read_recipe(path)
    assert recipe is None and problems[0].line == 2 and "not UTF-8" in problems[0].message
    path.write_bytes(b"\xff\xfe" + TEXT.encode("utf-16-le"))
    assert read_recipe(path)[0] is None
    path.write_bytes(b"")
    assert "empty" in read_recipe(path)[1][0].message


def test_an_enormous_file_is_refused_without_being_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "big.yaml"
    with path.open("wb") as stream:
        stream.truncate(3_000_000_000)  # sparse
    recipe, problems = read_recipe(path)
    assert recipe is None and problems


def test_warnings_do_not_stop_a_recipe() -> None:
    text = TEXT.replace("characteristics:", "  spare: {plane: {at: [0, 0, 0], normal: +z}}\ncharacteristics:")
    recipe, problems = parse_recipe(text, "lever.yaml")
    assert recipe is not None
    assert [problem.severity for problem in problems] == ["warning"]


def test_parsing_looks_at_no_file() -> None:
    recipe, problems = parse_recipe(TEXT, "no/such/folder/lever.yaml")
    assert recipe is not None and problems == []
