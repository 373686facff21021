"""Numbers out of text: one compiled pass over the bytes, line by line, with the place of what is wrong."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.formats.common import Bytes
from runner.geometry.jit import kernel

OTHER, SPACE, HARD, NEWLINE, COMMENT = 0, 1, 2, 3, 4

DONE, FULL, SLOW_FULL, TOO_FEW, NOT_A_NUMBER, RAGGED = 0, 1, 2, 3, 4, 5
_SLOW_SIZE = 4096

POWERS = np.array([float(10**k) for k in range(23)])


@kernel
def is_blank(byte: int) -> bool:
    """Whether a byte stands between words: a blank or a line end, and no other control character."""
    return byte == 32 or byte == 9 or byte == 10 or byte == 13


@kernel
def number(data: Any, start: int, stop: int, decimal: int, powers: Any) -> tuple[float, int]:
    """Value of ``data[start:stop]``; second: 0 good, 1 needs the slow way, 2 not a number.

    At most 19 digits and powers of ten up to 22 are done here in double-double arithmetic, which rounds to the nearest
    double except within 1e-14 of a tie.
    """
    i = start
    negative = False
    if i < stop and (data[i] == 45 or data[i] == 43):
        negative = data[i] == 45
        i += 1
    mantissa = np.uint64(0)
    digits = 0
    used = 0
    scale = 0
    while i < stop and 48 <= data[i] <= 57:
        digits += 1
        if used < 19:
            mantissa = mantissa * np.uint64(10) + np.uint64(data[i] - 48)
            if mantissa != np.uint64(0):
                used += 1
        else:
            scale += 1
        i += 1
    if i < stop and data[i] == decimal:
        i += 1
        while i < stop and 48 <= data[i] <= 57:
            digits += 1
            if used < 19:
                mantissa = mantissa * np.uint64(10) + np.uint64(data[i] - 48)
                if mantissa != np.uint64(0):
                    used += 1
                scale -= 1
            i += 1
    if digits == 0:
        return np.nan, _word(data, i, stop)
    if i < stop and (data[i] | 32 == 101 or data[i] | 32 == 100):
        i += 1
        sign = 1
        if i < stop and (data[i] == 45 or data[i] == 43):
            if data[i] == 45:
                sign = -1
            i += 1
        if i >= stop:
            return np.nan, 2
        exponent = 0
        while i < stop and 48 <= data[i] <= 57:
            if exponent < 100000:
                exponent = exponent * 10 + (data[i] - 48)
            i += 1
        scale += sign * exponent
    if i < stop:
        # Some old C libraries print missing values as 1.#QNAN, -1.#IND, 1.#INF.
        if data[i] == 35 and mantissa == np.uint64(1) and i > start and data[i - 1] == decimal:
            return np.nan, 0
        return np.nan, 2
    if mantissa == np.uint64(0):
        return 0.0, 0
    if scale < -22 or scale > 22:
        return np.nan, 1
    high = np.float64(mantissa >> np.uint64(11)) * 2048.0
    low = np.float64(mantissa & np.uint64(2047))
    total = high + low
    rest = low - (total - high)
    if scale != 0:
        power = powers[abs(scale)]
        if scale > 0:
            product = total * power
            error = _product_error(total, power, product) + rest * power
            total = product + error
        else:
            quotient = total / power
            back = quotient * power
            remainder = (total - back) - _product_error(quotient, power, back) + rest
            total = quotient + remainder / power
    else:
        total += rest
    return (-total if negative else total), 0


@kernel
def _product_error(a: float, b: float, product: float) -> float:
    """What ``a * b`` lost by rounding (Dekker 1971, splitting both factors)."""
    t = 134217729.0 * a
    a_high = t - (t - a)
    a_low = a - a_high
    t = 134217729.0 * b
    b_high = t - (t - b)
    b_low = b - b_high
    return a_low * b_low - (((product - a_high * b_high) - a_low * b_high) - a_high * b_low)


@kernel
def _word(data: Any, start: int, stop: int) -> int:
    """0 for nan and inf (with anything in brackets behind), 2 otherwise."""
    if stop - start >= 3:
        a, b, c = data[start] | 32, data[start + 1] | 32, data[start + 2] | 32
        if a == 110 and b == 97 and c == 110 and (stop - start == 3 or data[start + 3] == 40):
            return 0
        if a == 105 and b == 110 and c == 102 and (stop - start == 3 or stop - start == 8):
            return 0
    return 2


@kernel
def wide_number(data: Any, start: int, stop: int, decimal: int) -> float:
    """Value of a number with more than 22 powers of ten, good to about 1e-15 of it.

    For kernels that can't ask Python; ``number`` has checked that it is one.
    """
    split = start
    while split < stop and data[split] | 32 != 101 and data[split] | 32 != 100:
        split += 1
    mantissa = 0.0
    scale = 0
    after = False
    for i in range(start, split):
        if data[i] == decimal:
            after = True
        elif 48 <= data[i] <= 57:
            mantissa = mantissa * 10.0 + (data[i] - 48)
            if after:
                scale -= 1
    exponent = 0
    sign = 1
    for i in range(split + 1, stop):
        if data[i] == 45:
            sign = -1
        elif 48 <= data[i] <= 57 and exponent < 100000:
            exponent = exponent * 10 + (data[i] - 48)
    value = mantissa * 10.0 ** float(sign * exponent + scale)
    return -value if data[start] == 45 else value


@kernel
def read_rows(
    data: Any,
    pos: int,
    stop: int,
    classes: Any,
    decimal: int,
    targets: Any,
    out: Any,
    row: int,
    slow: Any,
    powers: Any,
) -> tuple[int, int, int, int, int]:
    """Fill rows of ``out`` from the lines of ``data[pos:stop]``.

    ``targets[f]`` is the column of ``out`` that takes field f, or -1. A line must have exactly ``len(targets)`` fields.
    Returns status, position, next row, number of entries in ``slow``, and the place of what is wrong.
    """
    fields = len(targets)
    slow_count = 0
    while pos < stop:
        # Blank and comment lines.
        while pos < stop and classes[data[pos]] == 1:
            pos += 1
        if pos >= stop:
            break
        kind = classes[data[pos]]
        if kind == 3:
            pos += 1
            continue
        if kind == 4:
            while pos < stop and classes[data[pos]] != 3:
                pos += 1
            continue
        if row >= len(out):
            return 1, pos, row, slow_count, pos
        if slow_count + fields > len(slow):
            return 2, pos, row, slow_count, pos
        begin = pos
        field = 0
        while True:
            # At the start of a field.
            kind = 3 if pos >= stop else classes[data[pos]]
            if kind >= 3:
                break
            if field >= fields:
                return 5, begin, row, slow_count, pos
            target = targets[field]
            if kind == 2:
                if target >= 0:
                    out[row, target] = np.nan
                pos += 1
            else:
                first = pos
                # A comment begins only where a field could: "1.#QNAN" is one word.
                while pos < stop and (classes[data[pos]] == 0 or classes[data[pos]] == 4):
                    pos += 1
                if target >= 0:
                    value, state = number(data, first, pos, decimal, powers)
                    if state == 2:
                        return 4, begin, row, slow_count, first
                    out[row, target] = value
                    if state == 1:
                        slow[slow_count, 0] = row
                        slow[slow_count, 1] = target
                        slow[slow_count, 2] = first
                        slow[slow_count, 3] = pos
                        slow_count += 1
                while pos < stop and classes[data[pos]] == 1:
                    pos += 1
                if pos < stop and classes[data[pos]] == 2:
                    pos += 1
            field += 1
            while pos < stop and classes[data[pos]] == 1:
                pos += 1
        if field != fields:
            return 3, begin, row, slow_count, pos
        if pos < stop and classes[data[pos]] == 4:
            while pos < stop and classes[data[pos]] != 3:
                pos += 1
        row += 1
    return 0, pos, row, slow_count, pos


def byte_classes(hard: bytes = b"", *, comments: bytes = b"", newline: int = 10) -> NDArray[np.uint8]:
    """(256,) what each byte means.

    Blanks separate. Other control characters don't: a hole of zero bytes, as a broken copy leaves it, must not pass for
    the end of a number.
    """
    classes = np.zeros(256, dtype=np.uint8)
    for byte in b"\t\n\r ":
        classes[byte] = SPACE
    classes[ord('"')] = SPACE
    for byte in hard:
        classes[byte] = HARD
    for byte in comments:
        classes[byte] = COMMENT
    classes[newline] = NEWLINE
    return classes


class Rows:
    """Rows of numbers read from ``start`` on: call ``read`` as often as there are blocks."""

    def __init__(self, data: Bytes, start: int, classes: NDArray[np.uint8], decimal: int = ord(".")) -> None:
        self.data = data
        self.position = start
        self.at = start
        self._classes = classes
        self._decimal = decimal

    def read(self, out: NDArray[np.float64], targets: NDArray[np.int32], stop: int | None = None) -> tuple[int, int]:
        """Fill ``out`` from its first row on; returns the number of rows and what ended it (DONE ... RAGGED).

        ``position`` is then the start of the first line that was not taken, ``at`` the place of what is wrong.
        """
        end = len(self.data) if stop is None else stop
        slow = np.empty((max(_SLOW_SIZE, len(targets)), 4), dtype=np.int64)
        row = 0
        while True:
            status, self.position, row, slow_count, self.at = read_rows(
                self.data, self.position, end, self._classes, self._decimal, targets, out, row, slow, POWERS
            )
            for entry in range(slow_count):
                where, column, first, last = (int(v) for v in slow[entry])
                token = self.data[first:last].tobytes().replace(bytes([self._decimal]), b".")
                out[where, column] = float(token.lower().replace(b"d", b"e"))
            if status != SLOW_FULL:
                return row, status


def most_rows(data: Bytes, start: int, fields: int, newline: int = 10) -> int:
    """How many lines of ``fields`` fields the bytes from ``start`` on can hold at most (what may be allocated)."""
    lines = 1
    step = 1 << 24
    for block in range(start, len(data), step):
        lines += int(np.count_nonzero(data[block : block + step] == newline))
    return min(lines, (len(data) - start + 1) // (2 * fields) + 1)
