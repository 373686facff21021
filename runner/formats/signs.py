"""What commas and points in a text of numbers are: decimal signs, separators of columns, or refused as unclear.

One damaged number must not decide for all others: a comma that stands where decimals do in half of the words, and can
be none in the rest, would make twice the columns out of a file whose numbers then are all wrong.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from runner.diagnostics import InputError

_COMMA_NUMBER = re.compile(r"[-+]?(\d+,?\d*|,\d+)([eEdD][-+]?\d+)?|nan", re.IGNORECASE)
_GROUPED_POINT = re.compile(r"[-+]?\d{1,3}(,\d{3})+\.\d+")
_GROUPED_COMMA = re.compile(r"[-+]?\d{1,3}(\.\d{3})+,\d+")
_POINT = re.compile(r"\d\.|\.\d")
"""A digit stands beside a point."""
_EXPORT = "Export with a decimal point and spaces between the columns."

Lines = Sequence[tuple[int, str]]
"""Number and text of each line of data."""


def find_signs(data: Lines, name: str) -> tuple[bool, str]:
    """Whether the comma is the decimal sign, and which of comma and semicolon separate columns.

    Raises
    ------
    InputError
        Two readings are possible, or the numbers are written in two ways.
    """
    if not any("," in text for _, text in data):
        return False, ";"
    rows = [[(line, w) for w in re.split(r"[\s;]+", text) if w] for line, text in data]
    point = any(_POINT.search(text) for _, text in data)
    wide = all(len(row) >= 3 for row in rows)
    if wide:
        words = [word for row in rows for word in row[:3]]
        _refuse_grouped(words, name)
        if _has_decimal_commas(words, rows, point, name):
            return True, ";"
    if point or wide:
        return False, ",;"
    counts = {len([f for f in re.split(r"[\s,;]+", text) if f]) for _, text in data}
    if counts <= {3, 4, 5} and len(counts) == 1:
        # Too few for three numbers with a comma each.
        return False, ",;"
    raise _unclear(name, data[0][0])


def _unclear(name: str, line: int) -> InputError:
    what = "commas may separate columns or decimals here: both readings are possible."
    return InputError(name, what, place=f"line {line}", advice=_EXPORT)


def _refuse_grouped(words: Sequence[tuple[int, str]], name: str) -> None:
    """Refuse 1,234.5 and 1.234,5, which would fall apart into columns."""
    signed = [(line, w) for line, w in words if "," in w]
    with_point = [line for line, w in signed if _GROUPED_POINT.fullmatch(w)]
    with_comma = [line for line, w in signed if _GROUPED_COMMA.fullmatch(w)]
    if not any("." in w for _, w in signed):
        return
    for found in (with_point, with_comma):
        if 2 * len(found) >= len(signed) > 0:
            raise InputError(
                name, "numbers have a sign between the thousands.", place=f"line {found[0]}", advice=_EXPORT
            )


def _has_decimal_commas(
    words: Sequence[tuple[int, str]], rows: Sequence[Sequence[tuple[int, str]]], point: bool, name: str
) -> bool:
    """Whether the comma inside of words that blanks or semicolons leave is the decimal sign of them all."""
    inner = [(line, w) for line, w in words if "," in w.rstrip(",")]
    if not inner:
        return not point and all(_COMMA_NUMBER.fullmatch(w) and not w.endswith(",") for _, w in words)
    decimal = [(line, w) for line, w in inner if _COMMA_NUMBER.fullmatch(w.rstrip(","))]
    if 2 * len(decimal) < len(inner):
        return False
    if any(w.endswith(",") for _, w in decimal):
        raise _unclear(name, decimal[0][0])
    other = [(line, w) for line, w in words if not _COMMA_NUMBER.fullmatch(w)]
    if point and not other:
        other = [(line, w) for row in rows for line, w in row[3:] if _POINT.search(w)]
    if not other and not point:
        return True
    # The fewer are the suspects; of as many the later, which contradict what came before.
    commas = [(line, w) for line, w in words if _COMMA_NUMBER.fullmatch(w) and "," in w]
    line, word = min((other, commas), key=lambda found: (len(found), -found[0][0]) if found else (len(words), 0))[0]
    raise InputError(
        name,
        f"{word[:40]!r} does not go with the other numbers: some have a decimal comma, others have none.",
        place=f"line {line}",
        advice=_EXPORT,
    )
