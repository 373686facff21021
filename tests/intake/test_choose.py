"""Which recipe a file name calls for."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from runner.intake.choose import RecipeBook, choose
from tests.studies.stub import World


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


class TestBook:
    """The recipes of a folder while people work on them."""

    @pytest.fixture
    def book(self, tmp_path: Path) -> tuple[RecipeBook, Path, list[float]]:
        world, now = World(tmp_path), [0.0]
        folder = world.root / "recipes"
        return RecipeBook(folder, quiet_s=1.0, clock=lambda: now[0]), folder / "single.yaml", now

    def test_a_changed_recipe_is_read_once_it_rests(self, book: tuple[RecipeBook, Path, list[float]]) -> None:
        recipes, path, now = book
        text = path.read_text("utf-8")
        path.write_text(text.replace("ST-1", "ST-9"), encoding="utf-8")
        assert not recipes.refresh(), "somebody may still write"
        path.write_text(text.replace("ST-1", "ST-99"), encoding="utf-8")
        now[0] = 1.5
        assert not recipes.refresh() and recipes.recipes[path].part.number == "ST-1"
        now[0] = 2.6
        assert recipes.refresh() and recipes.recipes[path].part.number == "ST-99"
        assert not recipes.refresh()

    def test_who_holds_the_mappings_sees_what_broke_and_what_was_mended(
        self, book: tuple[RecipeBook, Path, list[float]]
    ) -> None:
        recipes, path, now = book
        sound, broken, text = recipes.recipes, recipes.broken, path.read_text("utf-8")
        for content, gone in (("recipe: 1\npart: [", True), (text, False)):
            path.write_text(content, encoding="utf-8")
            recipes.refresh()
            now[0] += 1.5
            assert recipes.refresh()
            assert (path in broken, path in sound) == (gone, not gone)
