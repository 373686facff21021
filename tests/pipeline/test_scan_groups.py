"""Files put into sets by their names."""

from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from runner.pipeline.scan_set import group, wanted_scans


@dataclass
class Part:
    number: str = "TB-7"


@dataclass
class Recipe:
    """As much of a recipe as grouping looks at."""

    scan: Any
    part: Part = field(default_factory=Part)


def recipe(wanted: object, pattern: str = "{part}_{serial}_{scan}.*") -> Any:
    return Recipe(SimpleNamespace(file_name=pattern, set=wanted))


def paths(*names: str) -> list[Path]:
    return [Path("in") / name for name in names]


@pytest.mark.parametrize("wanted", [["top", "bottom"], {"top": "required", "bottom": "required"}])
def test_a_set_is_complete_when_every_required_scan_is_there(wanted):
    made = group(paths("TB-7_0001_bottom.ply", "TB-7_0002_top.ply", "TB-7_0001_top.ply"), recipe(wanted))
    first, second = made.sets
    assert (first.serial, first.complete, [p.name for p in first.paths]) == (
        "0001", True, ["TB-7_0001_top.ply", "TB-7_0001_bottom.ply"],
    )  # fmt: skip
    assert (second.serial, second.complete, second.missing) == ("0002", False, ("bottom",))


def test_an_optional_scan_may_be_missing_but_joins_when_there():
    wanted = {"top": "required", "detail": "optional"}
    (alone,) = group(paths("TB-7_1_top.ply"), recipe(wanted)).sets
    (both,) = group(paths("TB-7_1_DETAIL.ply", "TB-7_1_top.ply"), recipe(wanted)).sets
    assert alone.complete and both.complete
    assert [name for name, _ in both.members] == ["top", "detail"]


def test_a_scan_given_twice_or_of_an_unknown_name_is_a_problem():
    made = group(paths("TB-7_1_top.ply", "TB-7_1_top.stl", "TB-7_1_side.ply"), recipe(["top", "bottom"]))
    (found,) = made.sets
    assert not found.complete and found.missing == ("bottom",)
    assert any("2 times" in p for p in found.problems) and any('"side"' in p for p in found.problems)


def test_lots_are_kept_apart_and_strangers_named():
    made = group(
        paths("TB-7_A_1_top.ply", "TB-7_B_1_bottom.ply", "XX_A_1_top.ply", "notes.txt"),
        recipe(["top", "bottom"], "{part}_{lot}_{serial}_{scan}.*"),
    )
    assert [(s.lot, s.missing) for s in made.sets] == [("A", ("bottom",)), ("B", ("top",))]
    assert [p.name for p in made.strangers] == ["XX_A_1_top.ply", "notes.txt"]


def test_without_a_set_every_file_is_a_part_of_its_own():
    made = group(paths("TB-7_1.ply", "TB-7_1.stl"), recipe(None, "{part}_{serial}.*"))
    assert len(made.sets) == 2 and all(s.complete and len(s.paths) == 1 for s in made.sets)
    assert wanted_scans(recipe(None)) == {}
