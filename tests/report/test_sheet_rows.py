"""Rows written as text: read back by openpyxl to the same values, and valid by the rules of the file format."""

import math
import re
import zipfile
from datetime import datetime
from xml.etree import ElementTree

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

from runner.report.sheet_kit import Kit, Look
from runner.report.sheet_rows import Cell, cell_text
from runner.report.text import visible


def read_back(tmp_path, rows):
    """Write rows of (text or number) and read them back."""
    workbook = Workbook(write_only=True)
    kit = Kit(workbook)
    sheet = kit.sheet("S")
    for row in rows:
        kit.append(sheet, [None if value is None else kit.value(sheet, value, Look()) for value in row])
    path = tmp_path / "a.xlsx"
    workbook.save(path)
    return path, [[cell.value for cell in row] for row in load_workbook(path)["S"].iter_rows()]


def test_numbers_are_numbers_to_the_last_bit(tmp_path):
    numbers = [0.1 + 0.2, 1e-300, -1.7976931348623157e308, 5e-324, 12.0, 7, -0.0, np.float64(1 / 3), True]
    _, found = read_back(tmp_path, [numbers])
    assert found[0] == [float(n) for n in numbers] and all(type(value) in (int, float) for value in found[0])


def test_what_is_no_number_is_text():
    for value in (math.nan, math.inf, -math.inf):
        assert 't="inlineStr"' in cell_text("A1", Cell(value, 0)) and "<v>" not in cell_text("A1", Cell(value, 0))


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=40) | st.text(alphabet="<>&\"'=+-@_x0041\n\r\t \u202e\x00\ud800]", max_size=20))
def test_any_text_stays_what_it_is_and_the_row_well_formed(text):
    kit = Kit(Workbook(write_only=True))
    sheet = kit.sheet("S")
    element = ElementTree.fromstring(cell_text("A1", kit.text(sheet, text, Look())))
    if not text:
        assert len(element) == 0
        return
    assert element.get("t") == "inlineStr" and [child.tag for child in element.iter()] == ["c", "is", "t"]
    inner = element.find("is/t").text
    # readers undo _x005F_, the escape of an underscore that would begin an escape (ISO/IEC 29500-1, 22.9.2.19)
    assert re.sub("_x005F_", "_", inner) == visible(text, lines=True)


def test_blanks_at_the_ends_and_line_feeds_are_kept(tmp_path):
    texts = [" a", "a ", "a\nb", "\u3000a"]
    assert read_back(tmp_path, [texts])[1] == [[" a", "a ", "a\nb", " a"]]


def test_dates_heights_gaps_and_links(tmp_path):
    workbook = Workbook(write_only=True)
    kit = Kit(workbook)
    sheet = kit.sheet("S")
    linked = kit.text(sheet, "picture", Look())
    linked.link = "P/a%20b.png"
    moment = kit.moment(sheet, "2031-05-02T12:30:00+02:00")
    kit.append(sheet, [None, moment, None, linked], 31.5)
    kit.append(sheet, [])
    kit.append(sheet, [kit.number(sheet, None, Look(tone="accept"))])
    path = tmp_path / "a.xlsx"
    workbook.save(path)
    found = load_workbook(path)["S"]
    assert found["B1"].value == datetime(2031, 5, 2, 10, 30) and found["B1"].is_date
    assert found["D1"].hyperlink.target == "P/a%20b.png" and found["A1"].value is None
    assert found.row_dimensions[1].height == 31.5 and found.max_row == 3
    assert found["A3"].fill.start_color.rgb.endswith("E6F2EA")


def test_two_sheets_may_be_filled_in_turn(tmp_path):
    workbook = Workbook(write_only=True)
    kit = Kit(workbook)
    first, second = kit.sheet("A"), kit.sheet("B")
    for number in range(3):
        for sheet in (first, second):
            kit.append(sheet, [kit.number(sheet, number, Look())])
    workbook.save(tmp_path / "a.xlsx")
    book = load_workbook(tmp_path / "a.xlsx")
    assert [[c.value for c in row] for row in book["B"].iter_rows()] == [[0], [1], [2]]
    assert [[c.value for c in row] for row in book["A"].iter_rows()] == [[0], [1], [2]]


def test_the_sheet_is_valid_xml_with_rows_in_order(tmp_path):
    path, _ = read_back(tmp_path, [[1, "a"], ["b", 2.5], [None, "c"]])
    with zipfile.ZipFile(path) as archive:
        tree = ElementTree.fromstring(archive.read("xl/worksheets/sheet1.xml"))
    space = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
    data = tree.find(f"{space}sheetData")
    assert [row.get("r") for row in data] == ["1", "2", "3"]
    assert [[cell.get("r") for cell in row] for row in data] == [["A1", "B1"], ["A2", "B2"], ["B3"]]
