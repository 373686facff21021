"""Which recipe a file name calls for."""

from pathlib import Path
from types import SimpleNamespace

from runner.intake.choose import choose


def recipe(number: str, pattern: str) -> SimpleNamespace:
    return SimpleNamespace(part=SimpleNamespace(number=number), scan=SimpleNamespace(file_name=pattern))


RECIPES = {
    Path("a.yaml"): recipe("AB-1", "{part}_{serial}.*"),
    Path("b.yaml"): recipe("AB-2", "{part}_{serial}_{lot}.*"),
}


def test_the_part_number_in_the_name_chooses() -> None:
    found = choose("AB-2_0007_L3.stl", RECIPES)
    assert not isinstance(found, str)
    path, identity = found
    assert (path.name, identity.serial, identity.lot) == ("b.yaml", "0007", "L3")


def test_no_recipe_gives_the_patterns_that_are_known() -> None:
    found = choose("XY-9_0007.stl", RECIPES)
    assert isinstance(found, str)
    assert "{part}_{serial}.*" in found and "AB-2" in found


def test_two_recipes_are_named() -> None:
    both = RECIPES | {Path("c.yaml"): recipe("AB-1", "{part}_{serial}.*")}
    found = choose("AB-1_0007.stl", both)
    assert isinstance(found, str)
    assert "a.yaml" in found and "c.yaml" in found


def test_a_name_can_not_leave_its_folder() -> None:
    for name in ("AB-1_../../x.stl", "AB-1_a/b.stl", "AB-1_\x00.stl"):
        assert isinstance(choose(name, RECIPES), str)
