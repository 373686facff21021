"""Text from outside made harmless."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.report.text import CELL_LIMIT, cell_text, looks_like_formula, plain_latin, visible


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("PB-220", "PB-220"),
        ("Ø 0.4 µm ±", "Ø 0.4 µm ±"),
        ("a\x00b", "a␀b"),
        ("\x1b[2J", "␛[2J"),
        ("\x7f", "␡"),
        ("\x9b31m", "<U+009B>31m"),
        ("a\u202eb", "a<U+202E>b"),
        ("\u200b", "<U+200B>"),
        ("\udcff", "<U+DCFF>"),
        ("\uffff", "<U+FFFF>"),
        ("a\u00a0b", "a b"),
        ("a\nb", "a␊b"),
    ],
)
def test_what_can_not_be_seen_is_shown(text, shown):
    assert visible(text) == shown


def test_lines_may_be_kept():
    assert visible("a\nb\r", lines=True) == "a\nb␍"


@given(st.text())
def test_shown_text_is_always_printable_and_encodable(text):
    assert visible(text).isprintable()
    visible(text).encode("utf-8")
    assert all(c.isprintable() or c == "\n" for c in cell_text(text))


def test_long_text_is_cut_with_a_mark():
    cut = cell_text("\U0001f529" * 30_000)
    assert len(cut.encode("utf-16-le")) // 2 <= CELL_LIMIT
    assert cut.endswith("\U0001f529 [cut]")
    assert cell_text("x" * CELL_LIMIT) == "x" * CELL_LIMIT


def test_escapes_of_the_file_format_stay_literal():
    assert cell_text("_x0041_") == "_x005F_x0041_"
    assert cell_text("_x41_") == "_x41_"


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\t=1", " =1", "␉x"])
def test_formula_looking_text_is_recognised(text):
    assert looks_like_formula(text)


@pytest.mark.parametrize("text", ["", "1", "A=1", "0101", "-"])
def test_other_text_is_not(text):
    assert not looks_like_formula(text)


@pytest.mark.parametrize(
    ("text", "plain"), [("Ø 12 ±0.1", "dia.  12 ±0.1"), ("Größe é", "Groesse e"), ("中", "<U+4E2D>"), ("-0.3", "-0.3")]
)
def test_picture_text_uses_only_letters_of_the_built_in_font(text, plain):
    assert plain_latin(text) == plain


@given(st.text())
def test_picture_text_never_shows_the_box_of_a_missing_letter(text):
    assert set(plain_latin(text)) <= set(map(chr, range(32, 127))) | set("©«°±´·»‘’“”…‹›")
