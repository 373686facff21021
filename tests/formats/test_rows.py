from __future__ import annotations

import math
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.formats.common import byte_array
from runner.formats.rows import DONE, FULL, NOT_A_NUMBER, RAGGED, TOO_FEW, Rows, byte_classes, wide_number


def read(text: str, columns: int = 1, *, room: int = 100, decimal: str = ".", hard: bytes = b",;"):
    out = np.full((room, columns), -99.0)
    rows = Rows(byte_array(text.encode()), 0, byte_classes(hard, comments=b"#"), ord(decimal))
    count, status = rows.read(out, np.arange(columns, dtype=np.int32))
    return out[:count], status, rows


def bits(value: float) -> bytes:
    return struct.pack("<d", value)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=50))
def test_shortest_form_comes_back_to_the_bit(values: list[float]) -> None:
    """Python's repr and float are exact (IEEE 754 round trip)."""
    got, status, _ = read("\n".join(map(repr, values)))
    assert status == DONE
    assert [bits(v) for v in got[:, 0]] == [bits(v + 0.0 if v == 0 else v) for v in values]


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(-(10**18), 10**18),
            st.integers(0, 24),
            st.integers(-30, 30),
            st.sampled_from(["", "e", "E", "d"]),
        ),
        min_size=1,
        max_size=50,
    )
)
def test_any_decimal_is_rounded_to_nearest(parts: list[tuple[int, int, int, str]]) -> None:
    """Oracle: Python's float."""
    tokens = []
    for digits, places, exponent, letter in parts:
        whole = str(abs(digits)).rjust(places + 1, "0")
        body = whole[: len(whole) - places] + "." + whole[len(whole) - places :]
        tokens.append(("-" if digits < 0 else "") + body + (f"{letter}{exponent}" if letter else ""))
    got, status, _ = read("\n".join(tokens))
    assert status == DONE
    for token, value in zip(tokens, got[:, 0], strict=True):
        assert value == float(token.replace("d", "e")), token


@pytest.mark.parametrize("word", ["nan", "NaN", "-nan", "inf", "-Infinity", "1.#QNAN", "-1.#IND", "nan(ind)", "1.#INF"])
def test_words_for_missing(word: str) -> None:
    got, status, _ = read(word)
    assert status == DONE and math.isnan(got[0, 0])


@pytest.mark.parametrize(
    "word", ["abc", "1.2.3", "1e", "1e+", "--1", "+", ".", "1x", "0x10", "nope", "in", "1_0", "１"]
)
def test_what_is_no_number(word: str) -> None:
    _, status, rows = read(f"1\n2\n{word}\n")
    assert status == NOT_A_NUMBER and rows.at == 4


@pytest.mark.parametrize(
    ("word", "value"),
    [(".5", 0.5), ("5.", 5.0), ("+7", 7.0), ("1E3", 1000.0), ("-0", 0.0), ("00012", 12.0), ("1e400", math.inf)],
)  # fmt: skip
def test_odd_but_legal(word: str, value: float) -> None:
    got, status, _ = read(word)
    assert status == DONE and got[0, 0] == value


def test_separators_comments_blank_lines() -> None:
    got, status, _ = read('# head\n\n 1,2;3\n"4" , 5 ; 6 # remark\n\t7\t8\t9,\r\n', 3)
    assert status == DONE and got.tolist() == [[1, 2, 3], [4, 5, 6], [7, 8, 9]]


def test_empty_fields_are_missing() -> None:
    got, status, _ = read("1,,3\n,2,3\n", 3)
    assert status == DONE and np.isnan(got).tolist() == [[False, True, False], [True, False, False]]


def test_decimal_comma() -> None:
    got, status, _ = read("1,5 -2,25;1,0e1\n", 3, decimal=",", hard=b";")
    assert status == DONE and got.tolist() == [[1.5, -2.25, 10.0]]


def test_lines_of_another_length_and_full() -> None:
    assert read("1 2\n3\n", 2)[1] == TOO_FEW
    assert read("1 2\n3 4 5\n", 2)[1] == RAGGED
    got, status, rows = read("1 2\n3 4\n5 6\n", 2, room=2)
    assert status == FULL and got.tolist() == [[1, 2], [3, 4]] and rows.position == 8


def test_many_numbers_that_need_the_slow_way() -> None:
    tokens = [f"{k}.5e-{30 + k % 7}" for k in range(1, 20001)]
    got, status, _ = read("\n".join(tokens), room=20000)
    assert status == DONE and got[:, 0].tolist() == [float(t) for t in tokens]


@settings(max_examples=200, deadline=None)
@given(st.integers(1, 10**15), st.integers(-200, 200), st.sampled_from("eEdD"))
def test_wide_numbers_in_compiled_readers(mantissa: int, exponent: int, letter: str) -> None:
    """Oracle: Python's float; OBJ and ASCII STL have no slow way."""
    token = f"-{mantissa}.5{letter}{exponent:+d}"
    got = wide_number(byte_array(token.encode()), 0, len(token), ord("."))
    assert got == pytest.approx(float(token.lower().replace("d", "e")), rel=4e-15)
