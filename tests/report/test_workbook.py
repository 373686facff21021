"""The workbook, read back by openpyxl."""

import io
import zipfile
from dataclasses import replace

import pytest
from openpyxl import load_workbook
from PIL import Image

from runner.records import Piece
from runner.report import workbook
from runner.report.sheet_kit import page_breaks
from runner.report.sheet_parts import CAPTION_ROW, LEAD
from runner.report.sheet_pictures import inside
from runner.report.text import CAUTION
from tests.report.gold import assert_gold
from tests.report.samples import as_attempt, as_pieces, make_inspection, small_lot

FIRST = CAPTION_ROW + 1
HEAD = "ab" * 32


def written(tmp_path, pieces, **options):
    path = tmp_path / "PB-220.xlsx"
    assert workbook.write(path, pieces, head_hash=HEAD, **options).complete
    return load_workbook(path)


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    return written(tmp_path_factory.mktemp("book"), as_pieces(small_lot()))


def values(sheet):
    """All cells as plain values; times and file hashes are left out."""
    rows = []
    for row in sheet.iter_rows(values_only=True):
        rows.append([v if v is None or isinstance(v, int | float | str) else str(v) for v in row])
    return rows


def test_sheets_and_whole_content(book):
    assert tuple(book.sheetnames) == workbook.SHEETS
    assert_gold("workbook_parts", values(book["Parts"]))
    assert_gold("workbook_characteristics", values(book["Characteristics"]))
    assert_gold("workbook_attempts", values(book["Attempts"]))


def test_one_row_per_serial_with_numbers_as_numbers_and_verdicts_as_words(book):
    sheet = book["Parts"]
    assert [sheet.cell(CAPTION_ROW, c + 1).value for c in range(len(LEAD))] == list(LEAD)
    serials = [sheet.cell(FIRST + k, 1).value for k in range(6)]
    assert serials == ["0101", "0102", "0103", "0104", "0105", "0106"] and sheet.max_row == FIRST + 5
    first = len(LEAD) + 1
    assert [sheet.cell(r, first).value for r in (3, 6, 7, 8)] == ["1", 12, 12, 12.1]
    value, verdict = sheet.cell(FIRST + 1, first), sheet.cell(FIRST + 1, first + 1)
    assert value.value == 12.131 and value.data_type == "n" and value.number_format == "0.000"
    assert verdict.value == "does not conform"
    assert sheet.cell(FIRST + 5, first).value in (None, "") and sheet.cell(FIRST + 5, first + 1).value == "not measured"
    assert sheet.cell(FIRST, 5).is_date


def test_fill_repeats_the_word(book):
    sheet = book["Parts"]
    by_word = {}
    for row in sheet.iter_rows(min_row=FIRST, min_col=len(LEAD) + 1):
        for value, verdict in zip(row[::2], row[1::2], strict=True):
            assert value.fill.start_color.rgb == verdict.fill.start_color.rgb
            by_word.setdefault(verdict.value, set()).add(verdict.fill.start_color.rgb)
    assert set(by_word) == {"conforms", "does not conform", "undecided", "not measured", "information"}
    assert all(len(colours) == 1 for colours in by_word.values())
    assert len(set.union(*by_word.values())) == 5, "five words, five fills"
    assert sheet.cell(FIRST + 1, 2).font.bold and not sheet.cell(FIRST, 2).font.bold


def test_panes_filters_and_print_set_up(book):
    sheet = book["Parts"]
    assert sheet.freeze_panes == f"C{FIRST}"
    assert sheet.auto_filter.ref == f"A{CAPTION_ROW}:{sheet.cell(1, sheet.max_column).column_letter}{FIRST + 5}"
    for each in book.worksheets:
        assert each.page_setup.orientation == "landscape" and int(each.page_setup.paperSize) == 9
        assert each.print_title_rows is not None
        assert each.oddFooter.left.text == CAUTION
    assert sheet.print_title_rows == f"$1:${CAPTION_ROW}"
    assert sheet.print_title_cols == "$A:$B"
    assert book["Notes"].page_setup.fitToWidth == 1 and book["Notes"].page_setup.fitToHeight == 0


def test_page_breaks_never_part_a_value_from_its_verdict():
    widths = [10.0] * 8 + [10.0, 11.0] * 30
    breaks = page_breaks(widths, 2, 8, 2, page=168.0)
    assert breaks and all((b - 8) % 2 == 0 for b in breaks)
    pages = [widths[: breaks[0]]] + [
        [*widths[:2], *widths[a:b]] for a, b in zip(breaks, [*breaks[1:], len(widths)], strict=True)
    ]
    assert all(sum(page) <= 168.0 for page in pages)
    assert page_breaks([10.0] * 16, 2, 8, 2, page=168.0) == []


def test_provenance_and_head_are_there(book):
    text = "\n".join(str(v) for name in ("Recipes", "Provenance") for row in values(book[name]) for v in row if v)
    inspection = small_lot()[0]
    source = inspection.provenance
    needed = (
        HEAD,
        source.recipe_fingerprint,
        source.nominal_sha256,
        source.scan_set_sha256,
        inspection.scans[0].sha256,
        inspection.deviation_map_sha256,
        inspection.id,
        "ambiguous (automatic): two poses fit alike",
        "main: A|B|C",
        "rms of fit, mm 0.041",
        "numpy 2.4.0",
        "operator 2, bench 1",
    )
    for wanted in needed:
        assert wanted in text, wanted
    notes = [row[1] for row in values(book["Notes"])[1:]]
    assert notes[0] == CAUTION


HOSTILE = [
    "=1+1",
    '=HYPERLINK("http://x","y")',
    "+1",
    "-1",
    "@SUM(A1)",
    "\t=1",
    "#N/A",
    "TRUE",
    "0017",
    "1e5",
    "_x0041_",
    "a\x00\x1b[2Jb",
    "\udcff\ud800",
    "<b>&amp;",
    "x" * 40_000,
    "\u202egpj.exe",
]


@pytest.mark.parametrize("serial", HOSTILE, ids=lambda s: ascii(s)[:20])
def test_hostile_serials_stay_text(tmp_path, serial):
    inspection = replace(make_inspection(serial), lot=serial, reason=serial, advice=serial, picture=serial)
    book = written(tmp_path, as_pieces([inspection]))
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type in ("s", "n", "d", "inlineStr"), (sheet.title, cell.coordinate, cell.data_type)
                if cell.data_type == "n":
                    assert cell.value is None or isinstance(cell.value, int | float)
    cell = book["Parts"].cell(FIRST, 1)
    assert cell.data_type == "s" and len(cell.value) <= 32_767
    assert cell.value[:1] == ("␉" if serial[0] == "\t" else "<" if not serial[0].isprintable() else serial[0])
    if serial[0] in "=+-@\t":
        assert cell.quotePrefix
    with zipfile.ZipFile(tmp_path / "PB-220.xlsx") as archive:
        for name in archive.namelist():
            if "worksheets/sheet" in name:
                assert b"<f>" not in archive.read(name)


def test_links_never_leave_the_folder(tmp_path):
    names = ["../../secret.png", "http://x/y.png", "C:\\x.png", "/abs.png", "PB-220/pictures/a b.png"]
    lot = [replace(make_inspection(str(k)), picture=name) for k, name in enumerate(names)]
    book = written(tmp_path, as_pieces(lot), pictures_root=tmp_path)
    links = {cell.value: cell.hyperlink for (cell,) in book["Pictures"].iter_rows(min_row=3, min_col=5, max_col=5)}
    assert {name for name, link in links.items() if link is not None} == {names[-1]}
    assert links[names[-1]].target == "PB-220/pictures/a%20b.png"


def test_picture_files_outside_the_folder_are_not_read(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "secret.png").write_bytes(b"x")
    (tmp_path / "out" / "link.png").symlink_to(tmp_path / "secret.png")
    assert inside(tmp_path / "out", "../secret.png") is None
    assert inside(tmp_path / "out", "link.png") is None
    assert inside(tmp_path / "out", str(tmp_path / "secret.png")) is None
    for name in ("a\0b.png", "x" * 5000, "\ud800.png", ""):
        assert inside(tmp_path / "out", name) is None


def picture(path, colour):
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", (90, 60), colour).save(path)


def test_pictures_of_rejects_and_holds_come_first_and_the_cap_holds(tmp_path):
    for inspection in small_lot():
        if inspection.picture:
            picture(tmp_path / inspection.picture, "white")
    book = written(tmp_path, as_pieces(small_lot()), pictures_root=tmp_path, most_pictures=3)
    sheet = book["Pictures"]
    assert len(sheet._images) == 3
    outcomes = [row[1] for row in values(sheet)[2:] if row[0]]
    assert outcomes == ["reject", "reject", "hold", "hold", "accept"]
    under = sorted(image.anchor._from.row for image in sheet._images)
    assert under == [3, 5, 7], "each picture stands in the row below its piece"


def test_a_damaged_picture_does_not_stop_the_workbook(tmp_path):
    inspection = small_lot()[1]
    (tmp_path / inspection.picture).parent.mkdir(parents=True)
    (tmp_path / inspection.picture).write_bytes(b"not a picture")
    book = written(tmp_path, as_pieces([inspection]), pictures_root=tmp_path)
    assert book["Pictures"]._images == []


def test_all_attempts_are_listed_with_what_counts(tmp_path):
    bad, good = make_inspection("1", diameter=12.3, minute=1), make_inspection("1", minute=2)
    void = replace(
        as_attempt(make_inspection("1", minute=3), 3, number=3, standing=False), void="x", notes=("void: x",)
    )
    attempts = (as_attempt(bad, 1), as_attempt(good, 2, number=2, standing=False), void)
    book = written(tmp_path, [Piece("PB-220", "1", "L-31", attempts)])
    rows = values(book["Attempts"])[2:]
    assert [row[2:5] for row in rows] == [
        ["1 of 3", "counts", "reject"],
        ["2 of 3", "waits", "accept"],
        ["3 of 3", "void", "accept"],
    ]
    assert book["Parts"].cell(FIRST, 4).value == "1 of 3" and book["Parts"].max_row == FIRST


def test_an_empty_part_still_gives_a_workbook(tmp_path):
    book = written(tmp_path, ())
    assert tuple(book.sheetnames) == workbook.SHEETS


def test_a_locked_workbook_is_kept_beside(tmp_path):
    def refuse(source, target):
        if ".pending" not in target.name:
            raise PermissionError(13, "in use")
        return source.replace(target)

    path = tmp_path / "PB-220.xlsx"
    path.write_bytes(b"open elsewhere")
    found = workbook.write(path, as_pieces(small_lot()), rename=refuse)
    assert not found.complete and load_workbook(found.path)["Parts"].cell(FIRST, 1).value == "0101"
    assert path.read_bytes() == b"open elsewhere"


def test_many_pieces_keep_the_lists_within_their_cap(tmp_path, monkeypatch):
    monkeypatch.setattr("runner.report.sheet_lists.MOST_LINES", 25)  # each piece takes 11
    book = written(tmp_path, as_pieces(small_lot()))
    serials = {row[0] for row in values(book["Results"])[2:]}
    assert serials == {"0102", "0105"}, "rejects first"
    assert "2 of 6 pieces" in values(book["Results"])[0][0]
    assert book["Parts"].max_row == FIRST + 5


def test_the_file_is_a_clean_package(tmp_path):
    """Every part of the package is well-formed XML and no macro or external link is in it."""
    from xml.etree import ElementTree

    written(tmp_path, as_pieces([make_inspection(s) for s in HOSTILE]))
    content = (tmp_path / "PB-220.xlsx").read_bytes()
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for name in archive.namelist():
            assert "vba" not in name and "externalLink" not in name
            if name.endswith((".xml", ".rels")):
                ElementTree.fromstring(archive.read(name))
