"""One recipe with every kind of feature and characteristic: it loads, resolves, is schema-valid, and its twin is equal.

The scenario is invented; the part need not exist, since nothing here opens a nominal.
"""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path

import numpy as np
import pytest
import yaml

from runner.recipe import kinds
from runner.recipe.defaults import resolve, resolved
from runner.recipe.fingerprint import fingerprint
from runner.recipe.json_schema import json_schema
from runner.recipe.load import load_recipe, parse_recipe
from runner.recipe.schema import Recipe
from runner.recipe.sentences import sentences
from runner.recipe.translate import to_plan

GOLD = Path(__file__).parent / "gold"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("every")
    for name in ("every_kind.yaml", "edges.csv"):
        (place / name).write_bytes((GOLD / name).read_bytes())
    (place / "everything.step").write_text("a nominal that nobody opens here")
    return place


@pytest.fixture(scope="module")
def recipe(folder: Path) -> Recipe:
    return load_recipe(folder / "every_kind.yaml")


def test_every_kind_is_there(recipe: Recipe) -> None:
    assert {item.kind for item in recipe.features.values()} == {*kinds.FEATURE_KINDS, "pattern"}
    assert {item.kind for item in recipe.characteristics.values()} == set(kinds.CHARACTERISTIC_KINDS)


def test_every_characteristic_has_its_sentence(recipe: Recipe) -> None:
    said = "".join(f"{name}: {text}\n" for name, text in sentences(recipe).items())
    assert said == (GOLD / "every_kind_sentences.txt").read_text(encoding="utf-8")


def test_resolved_text_loads_again_to_the_same_fingerprint(recipe: Recipe, folder: Path) -> None:
    text = resolved(recipe)
    (folder / "again.yaml").write_text(text, encoding="utf-8")
    again = load_recipe(folder / "again.yaml")
    assert fingerprint(again, "0" * 64) == fingerprint(recipe, "0" * 64)
    assert resolved(again) == text
    assert resolve(resolve(recipe)) == resolve(recipe)


def test_the_bytes_of_a_point_list_are_part_of_the_fingerprint(recipe: Recipe, folder: Path, tmp_path: Path) -> None:
    for name in ("every_kind.yaml", "everything.step"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    (tmp_path / "edges.csv").write_text((GOLD / "edges.csv").read_text().replace("e2,50", "e2,51"))
    other = load_recipe(tmp_path / "every_kind.yaml")
    assert fingerprint(other, "0" * 64) != fingerprint(recipe, "0" * 64)


def test_the_schema_accepts_it() -> None:
    import jsonschema

    data = json.loads(json.dumps(yaml.safe_load((GOLD / "every_kind.yaml").read_text(encoding="utf-8"))))
    data["drawing"]["edition"] = str(data["drawing"]["edition"])
    validator = jsonschema.Draft202012Validator(json_schema())
    assert [error.message for error in validator.iter_errors(data)] == []


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("e1,10,0", "e1,ten,0", "edges.csv:2"),
        ("e2,50,0,20,0,-1,0", "e2,50,0,20,0,0,0", "edges.csv:3"),
        ("e2,", "e1,", "stands in line 2 already"),
        ("-0.3,0.5", "0.5,-0.3", "edges.csv:3"),
        ("lower,upper", "low,upper", 'the column "lower" is missing'),
        (",", ";", "not separated by commas"),
    ],
)
def test_bad_rows_of_a_point_list(folder: Path, tmp_path: Path, before: str, after: str, said: str) -> None:
    from runner.diagnostics import RecipeError

    for name in ("every_kind.yaml", "everything.step"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    (tmp_path / "edges.csv").write_text((GOLD / "edges.csv").read_text().replace(before, after))
    with pytest.raises(RecipeError) as caught:
        load_recipe(tmp_path / "every_kind.yaml")
    assert said in str(caught.value)


def test_a_missing_point_list_is_a_problem(folder: Path, tmp_path: Path) -> None:
    from runner.diagnostics import RecipeError

    for name in ("every_kind.yaml", "everything.step"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    with pytest.raises(RecipeError, match=r"edges\.csv.*can't be read|no file"):
        load_recipe(tmp_path / "every_kind.yaml")


NUMBER = r"(?<![\w.\"°])-?\d+(?:\.\d+)?(?![\w.°%\"])"
LENGTHLESS = ("recipe:", "drawing:", "included", "direction", "edition")


def inch_twin(text: str) -> str:
    """The same recipe with every length divided by 25.4, to 15 digits."""
    from decimal import Decimal, getcontext

    getcontext().prec = 15

    def inch(found: re.Match[str]) -> str:
        return format(Decimal(found[0]) / Decimal("25.4"), "f")

    lines = []
    for line in text.splitlines():
        if line.startswith(("recipe:", "#", "part:")):
            lines.append(line)
            continue
        line = line.replace("units: mm", "units: in")
        # what is no length stays: words with digits, angles, counts, weights, shares, direction vectors
        kept: dict[str, str] = {}

        def hide(found: re.Match[str], kept: dict[str, str] = kept) -> str:
            key = f"<{len(kept)}>"
            kept[key] = found[0]
            return key.translate(str.maketrans("0123456789", "abcdefghij"))

        for pattern in (
            r"edition: \d+", r'^  "\d+":', r"count: \d+", r"turn: \d+", r"angle: \d+", r"weight: \d+", r"min [\d.]+",
            r"normal: \[[^]]*\]", r"M6", r"6 H7", r"\d+° ±\d+°", r"simultaneous: [^}]*",
        ):  # fmt: skip
            line = re.sub(pattern, hide, line)
        line = re.sub(NUMBER, inch, line)
        for key, original in kept.items():
            line = line.replace(key.translate(str.maketrans("0123456789", "abcdefghij")), original)
        lines.append(line)
    return "\n".join(lines) + "\n"


def flat(value: object, path: str = "") -> dict[str, object]:
    """Every number and word of a spec by its path."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        found: dict[str, object] = {}
        for field in dataclasses.fields(value):
            if field.name not in ("origin", "title", "limits_text", "unit", "decimals"):
                found |= flat(getattr(value, field.name), f"{path}.{field.name}")
        return found
    if isinstance(value, tuple):
        found = {}
        for k, one in enumerate(value):
            found |= flat(one, f"{path}[{k}]")
        return found
    return {path: value}


def test_the_inch_twin_gives_the_same_plan(recipe: Recipe, folder: Path) -> None:
    text = (GOLD / "every_kind.yaml").read_text(encoding="utf-8").replace("edges.csv", "inches.csv")
    # a fit of ISO 286 is metric by definition
    text = text.replace("limits: 6 H7", "limits: 6 +0.012/0")
    (folder / "metric.yaml").write_text(text.replace("inches.csv", "edges.csv"), encoding="utf-8")
    (folder / "inches.yaml").write_text(inch_twin(text), encoding="utf-8")
    rows = (GOLD / "edges.csv").read_text().splitlines()
    made = [rows[0]]
    for row in rows[1:]:
        cells = row.split(",")
        for k in (1, 2, 3, 10, 11):
            cells[k] = repr(float(cells[k]) / 25.4)
        made.append(",".join(cells))
    (folder / "inches.csv").write_text("\n".join(made) + "\n")
    metric, inches = (flat(to_plan(load_recipe(folder / f"{name}.yaml"))) for name in ("metric", "inches"))
    assert metric.keys() == inches.keys()
    compared = 0
    for path, value in metric.items():
        if isinstance(value, float) and isinstance(inches[path], float):
            compared += 1
            assert np.isclose(value, float(inches[path]), rtol=1e-11, atol=1e-11), path
        else:
            assert value == inches[path], path
    assert compared > 400


def test_a_constructed_feature_may_stand_before_its_parents() -> None:
    text = (GOLD / "every_kind.yaml").read_text(encoding="utf-8")
    lines = text.splitlines()
    row = next(line for line in lines if line.startswith("  half way:"))
    lines.remove(row)
    lines.insert(lines.index("features:") + 1, row)
    recipe, _ = parse_recipe("\n".join(lines) + "\n", "a.yaml")
    assert recipe is not None
    names = [spec.name for spec in to_plan(recipe).features]
    assert names.index("half way") > max(names.index("bore"), names.index("boss"))
