"""Drawing symbols and other trade words mean the same as the usual word, and are written out as it."""

from __future__ import annotations

import pytest

from runner.recipe.characteristics import Position
from runner.recipe.fingerprint import canonical
from runner.recipe.kinds import CHARACTERISTIC_ALIASES
from runner.recipe.load import parse_recipe
from runner.recipe.schema import Recipe

HEAD = """\
recipe: 1
part: {number: a, revision: b}
drawing: {standard: ISO GPS, edition: 2017, units: mm}
nominal: {file: a.step}
scan: {surface: {noise: 0.02, spacing: 0.2}}
decision: {rule: simple}
features:
  base: {plane: {at: [0, 0, 0], normal: -z}}
  side: {plane: {at: [0, 0, 0], normal: -x}}
  bore: {cylinder: {at: [10, 0, 0], axis: +z, diameter: 8}}
  ball: {sphere: {at: [10, 0, 0], diameter: 8}}
datums: {A: {feature: base}}
characteristics:
"""
KEYS = {
    "size": "{KIND: bore, limits: 8 ±0.1}",
    "angle": "{KIND: [base, side], limits: 90° ±1°}",
    "flatness": "{KIND: base, zone: 0.1, judge: all points}",
    "roundness": "{KIND: bore, zone: 0.1, judge: all points}",
    "cylindricity": "{KIND: bore, zone: 0.1, judge: all points}",
    "parallelism": "{KIND: base, zone: 0.1, to: side}",
    "perpendicularity": "{KIND: side, zone: 0.1, datums: A}",
    "position": "{KIND: bore, zone: 0.1, shape: Ø, datums: A}",
    "profile": "{KIND: base, zone: 0.1}",
    "straightness": "{KIND: bore, of: generators, zone: 0.1, judge: all points}",
    "circular runout": "{KIND: bore, zone: 0.1, datums: A}",
    "total runout": "{KIND: bore, zone: 0.1, datums: A}",
    "coaxiality": "{KIND: bore, zone: 0.1, datums: A}",
    "symmetry": "{KIND: side, zone: 0.1, datums: A}",
    "profile of a line": "{KIND: base, zone: 0.1, direction: +x}",
}


def load(characteristic: str) -> Recipe:
    recipe, problems = parse_recipe(f'{HEAD}  "1": {characteristic}\n', "a.yaml")
    assert recipe is not None, problems
    return recipe


@pytest.mark.parametrize("alias", list(CHARACTERISTIC_ALIASES))
def test_kinds(alias: str) -> None:
    kind = CHARACTERISTIC_ALIASES[alias]
    assert canonical(load(KEYS[kind].replace("KIND", alias))) == canonical(load(KEYS[kind].replace("KIND", kind)))


SIZES = "size limits: 8 ±0.1"
PLAIN = f"{{position: bore, zone: 0.10, shape: diametral, at: maximum material, {SIZES}, datums: A}}"


@pytest.mark.parametrize(
    "written",
    [
        f"{{position: bore, zone: Ø 0.10 Ⓜ, {SIZES}, datums: A}}",
        f"{{position: bore, zone: Ø0.10(M), {SIZES}, datums: A}}",
        f"{{position: bore, zone: ⌀0.10Ⓜ, {SIZES}, datums: A}}",
        f"{{position: bore, zone: 0.10 Ⓜ, shape: cylindrical, {SIZES}, datums: [A]}}",
        f"{{⌖: bore, zone: 0.10, shape: ⌀, at: MMC, {SIZES}, datums: A}}",
        f"{{position: bore, zone: 0.10, shape: Diametral, at: MMR, {SIZES}, datums: A}}",
    ],
)
def test_zones_as_drawn(written: str) -> None:
    assert canonical(load(written)) == canonical(load(PLAIN))


def test_a_spherical_zone() -> None:
    recipe = load("{position: ball, zone: SØ 0.2, datums: A}")
    item = recipe.characteristics["1"]
    assert isinstance(item, Position) and item.shape == "spherical" and item.zone == 0.2


@pytest.mark.parametrize("key", ["shape: Ø", "at: Ⓜ"])
def test_a_symbol_and_its_key_together_are_refused(key: str) -> None:
    recipe, problems = parse_recipe(f'{HEAD}  "1": {{position: bore, zone: Ø 0.1 Ⓜ, {key}, datums: A}}\n', "a.yaml")
    assert recipe is None
    assert any("stated twice" in problem.message for problem in problems)


@pytest.mark.parametrize(
    ("alias", "usual"),
    [("LP", "two-point"), ("least squares", "GG"), ("maximum inscribed", "GX"), ("Ⓔ", "envelope"), ("gn", "GN")],
)
def test_definitions_of_size(alias: str, usual: str) -> None:
    written = f"{{size: bore, limits: 8 ±0.1, by: {alias}}}"
    assert canonical(load(written)) == canonical(load(written.replace(alias, usual)))


def test_standards_and_units() -> None:
    usual = HEAD + f'  "1": {KEYS["flatness"].replace("KIND", "flatness")}\n'
    other = usual.replace("ISO GPS", "ISO").replace("units: mm", "units: millimetres")
    first, second = (parse_recipe(text, "a.yaml")[0] for text in (usual, other))
    assert first is not None and second is not None
    assert canonical(first) == canonical(second)
