"""Hostile serials, lots, part numbers and file names on their whole way: folder, ledger, workbook, board, export, log.

The documents' own rules are tested in ``tests/report`` and ``tests/ledger``; here is what the service makes of them.
"""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path

import pytest
from openpyxl import load_workbook

from runner.intake.choose import load_recipes
from runner.intake.folders import REASON_SUFFIX
from runner.ledger.store import Ledger
from runner.pipeline.identity import safe_name
from runner.report.csv_report import write_csv
from tests.intake.test_service import drop, ledger_of, names, once, quick, reason, world  # noqa: F401
from tests.report.test_board import Page
from tests.studies.stub import RECIPE, World

FORMULAS = ["=1+1", "+1", "-1", "@SUM(A1)", '=HYPERLINK("http://x","y")', "=cmd|' /C calc'!A0", "#REF!", "TRUE", "0017"]
MARKUP = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</td></table><h1>x",
    "&lt;b&gt;",
    "{{7*7}}",
    "1e5",
]
PATHS = [
    "../../../outside",
    "..\\..\\outside",
    "/etc/passwd",
    "C:\\x",
    "..",
    ".",
    "NUL",
    "con.txt",
    "a/b",
    "%2e%2e%2fx",
]
ODD = ["'; DROP TABLE events; --", "x" * 200, "é" * 200, "\u041001", "A01", "０1", "e\u03011", "\u00e91", "שלום"]
SERIALS = [*FORMULAS, *MARKUP, *PATHS, *ODD]
"""All of them printable: the file beside a scan refuses the others."""
BEYOND_ASCII = [serial for serial in SERIALS if not serial.isascii()]


def sidecar(serial: str, part: str = "ST-1") -> str:
    return f"piece: 1\npart: {json.dumps(part)}\nserial: {json.dumps(serial)}\nlot: {json.dumps(serial)}\n"


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> World:
    """A world in which each of the serials was measured."""
    world = World(tmp_path_factory.mktemp("outer") / "inner")  # noqa: F811
    for k, serial in enumerate(SERIALS):
        drop(world, f"export {k}.ply", f"accept {k}", piece=sidecar(serial))
    once(world)
    return world


def test_the_ledger_holds_each_serial_as_it_was_written(done: World) -> None:
    assert sorted(i.serial for i in ledger_of(done)) == sorted(SERIALS)


def test_no_file_is_outside_of_its_folder_and_every_name_is_plain(done: World) -> None:
    assert [path.name for path in done.root.parent.iterdir()] == ["inner"]
    assert names(done.root) == {"scans", "out", "recipes"}
    for path in done.out.rglob("*"):
        assert path.name.isascii() and path.name.isprintable() and not path.is_symlink()
        assert len(path.name) <= 120 and not set(path.name) & set('\\:*?"<>|')
    assert len(list(done.out.glob("ST-1/inspections/*.json"))) == len(SERIALS)


def test_the_workbook_holds_text_and_no_formula(done: World) -> None:
    book = load_workbook(done.out / "ST-1.xlsx")
    shown = [row[0] for row in book["Parts"].iter_rows(min_row=10, max_col=8) if row[0].value is not None]
    assert len(shown) == len(SERIALS)
    for sheet in book.worksheets:
        for cell in (cell for row in sheet.iter_rows() for cell in row):
            assert cell.data_type != "f" and (cell.value is None or cell.data_type in ("s", "n", "d", "inlineStr"))
    assert all(cell.data_type == "s" for cell in shown)
    assert all(cell.quotePrefix for cell in shown if str(cell.value)[0] in "=+-@")


def test_the_workbook_names_letters_that_may_pass_for_others(done: World) -> None:
    book = load_workbook(done.out / "ST-1.xlsx")
    why = {row[0].value: str(row[6].value) for row in book["Parts"].iter_rows(min_row=10, max_col=8)}
    assert "А (U+0410)" in why["\u041001"] and "U+0410" not in why["A01"]
    assert "U+0301" in why["e\u03011"] and "U+00E9" in why["\u00e91"]
    assert all("serial holds" in why[serial] for serial in BEYOND_ASCII)


def test_the_board_has_no_element_that_a_harmless_one_has_not(done: World, world: World) -> None:  # noqa: F811
    for k in range(len(SERIALS)):
        drop(world, f"export {k}.ply", f"accept {k}", piece=sidecar(f"00{k:02d}"))
    once(world)
    evil, good = (Page((w.out / "board.html").read_text(encoding="utf-8")) for w in (done, world))
    assert {tag for tag, *_ in evil.elements} == {tag for tag, *_ in good.elements}
    for tag, attributes, _ in evil.elements:
        assert not [name for name in attributes if name.startswith("on")]
        assert not str(attributes.get("href", "")).lower().startswith(("javascript:", "data:text"))
        assert tag != "script" or attributes.get("src") is None
    assert sum(tag == "script" for tag, *_ in evil.elements) == sum(tag == "script" for tag, *_ in good.elements)


def test_the_export_holds_text_and_no_formula(done: World, tmp_path: Path) -> None:
    with Ledger.open(done.out / "ledger.db") as ledger:
        write_csv(tmp_path / "out.csv", ledger.attempts())
    with (tmp_path / "out.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(SERIALS)
    for row in rows:
        for key in ("serial", "lot"):
            assert row[key][0] not in "=+-@\t\r" and row[key].isprintable()
    assert {row["serial"].removeprefix("'") for row in rows} == {serial.removeprefix("'") for serial in SERIALS}


def test_the_log_stays_one_event_a_line(done: World) -> None:
    logs = list((done.out / "service").glob("*.log"))
    assert logs
    for line in (line for path in logs for line in path.read_text(encoding="utf-8").splitlines()):
        assert isinstance(json.loads(line), dict) and line.isprintable()


@pytest.mark.parametrize("part", ["../../evil", "..", "/abs", "a\\b", "NUL", "=1+1", "<b>x</b>", "Тест-1", "x" * 40])
def test_a_part_number_in_a_recipe_leads_nowhere_else(tmp_path: Path, part: str) -> None:
    world = World(tmp_path / "inner")  # noqa: F811
    recipe = world.root / "recipes" / "evil.yaml"
    recipe.write_text(RECIPE.format(number=json.dumps(part), pattern="only_{serial}.*", more=""), encoding="utf-8")
    sound, broken = load_recipes(recipe.parent)
    if broken:
        assert "part" in broken[recipe] and all(c.isprintable() or c == "\n" for c in broken[recipe])
        return
    world.recipes.clear()
    world.recipes.update(sound)
    drop(world, "only_1.ply", "accept one")
    once(world)
    (inspection,) = ledger_of(world)
    assert inspection.part_number == part
    assert names(tmp_path) == {"inner"} and names(world.root) == {"scans", "out", "recipes"}
    assert list(world.out.glob(f"{safe_name(part)}/inspections/*.json")) and len(list(world.out.glob("*.xlsx"))) == 1
    book = load_workbook(next(world.out.glob("*.xlsx")))
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)


LONG = {"two bytes": "é" * 123, "four bytes": "𝟘" * 61 + "xx", "one byte": "x" * 246}


@pytest.mark.parametrize("name", LONG)
def test_names_of_255_bytes(world: World, name: str) -> None:  # noqa: F811
    file = f"ST-1_{LONG[name]}.ply"
    assert len(os.fsencode(file)) == 255
    drop(world, file, "accept long")
    once(world)
    assert not names(world.folders.incoming)
    filed = [n for folder in (world.folders.measured, world.folders.held) for n in names(folder)]
    scans = [n for n in filed if not n.endswith(REASON_SUFFIX)]
    assert len(scans) == 1 and all(len(os.fsencode(n)) <= 255 for n in filed)
    assert scans[0].endswith(".ply") and scans[0].startswith("ST-1_")


@pytest.mark.parametrize(
    "name", ["ST-1_a\u202eb.ply", "ST-1_a\u200bb.ply", "ST-1_a\x07b.ply", "ST-1_a\u00a0b.ply", "ST-1_a  b.ply"]
)
def test_a_serial_that_can_not_be_told_from_another_is_held(world: World, name: str) -> None:  # noqa: F811
    drop(world, name, "accept odd")
    once(world)
    assert not ledger_of(world)
    assert "no recipe's file name pattern fits" in reason(world, name)
