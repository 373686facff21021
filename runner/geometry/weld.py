"""Join points of equal coordinates, by a hash table that is filled in blocks so that memory stays small."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats, Ints

BLOCK = 1 << 17
_SAMPLE_BITS = 4


@kernel(inline=True)
def _mix(a: Any, b: Any, c: Any) -> Any:
    """Hash three 64-bit words (multiply, fold, twice)."""
    h = a * np.uint64(0x9E3779B97F4A7C15)
    h ^= h >> np.uint64(32)
    h = (h + b) * np.uint64(0xC2B2AE3D27D4EB4F)
    h ^= h >> np.uint64(29)
    h = (h + c) * np.uint64(0x165667B19E3779F9)
    h ^= h >> np.uint64(32)
    return h


@kernel
def _insert(words: Any, unique: Any, count: int, table: Any, index: Any) -> int:
    """Give each row of ``words`` the number of its first equal row; append new rows to ``unique``."""
    mask = np.uint64(len(table) - 1)
    for i in range(len(words)):
        a, b, c = words[i, 0], words[i, 1], words[i, 2]
        slot = _mix(a, b, c) & mask
        while True:
            entry = table[slot]
            if entry < 0:
                unique[count, 0] = a
                unique[count, 1] = b
                unique[count, 2] = c
                table[slot] = count
                index[i] = count
                count += 1
                break
            if unique[entry, 0] == a and unique[entry, 1] == b and unique[entry, 2] == c:
                index[i] = entry
                break
            slot = (slot + np.uint64(1)) & mask
    return count


@kernel
def _refill(unique: Any, count: int, table: Any) -> None:
    """Enter the rows known so far into a larger table."""
    mask = np.uint64(len(table) - 1)
    for i in range(count):
        slot = _mix(unique[i, 0], unique[i, 1], unique[i, 2]) & mask
        while table[slot] >= 0:
            slot = (slot + np.uint64(1)) & mask
        table[slot] = i


@kernel
def _count_sampled(words: Any, bits: int, table: Any, seen: int, distinct: int) -> tuple[int, int]:
    """Count rows whose hash ends in ``bits`` zeros, and the distinct ones among them, by their full hash."""
    mask = np.uint64(len(table) - 1)
    low = np.uint64((1 << bits) - 1)
    for i in range(len(words)):
        h = _mix(words[i, 0], words[i, 1], words[i, 2])
        if h & low != np.uint64(0):
            continue
        if distinct * 2 > len(table):
            break
        seen += 1
        mark = h | np.uint64(1)
        slot = (h >> np.uint64(bits)) & mask
        while table[slot] != np.uint64(0) and table[slot] != mark:
            slot = (slot + np.uint64(1)) & mask
        if table[slot] == np.uint64(0):
            table[slot] = mark
            distinct += 1
    return seen, distinct


def _words(block: NDArray[Any]) -> NDArray[np.uint64]:
    """Coordinates as bit patterns, with minus zero made plus zero."""
    with np.errstate(invalid="ignore"):  # a signalling NaN
        plain = np.array(block, dtype=np.float64, order="C")
    plain += 0.0
    return plain.view(np.uint64)


class Welder:
    """Takes points block by block and numbers the distinct ones in order of first appearance."""

    def __init__(self, expected: int) -> None:
        """Prepare for about ``expected`` distinct points; more are fine."""
        self._unique = np.empty((max(expected, 1024), 3), dtype=np.uint64)
        self._table = np.full(1 << int(np.ceil(np.log2(2 * max(expected, 1024)))), -1, dtype=np.int32)
        self._count = 0

    def add(self, points: NDArray[Any]) -> Ints:
        """Number of each of the (k, 3) ``points`` among the distinct ones."""
        words = _words(points)
        need = self._count + len(words)
        if need > len(self._unique):
            grown = np.empty((max(need, len(self._unique) * 3 // 2), 3), dtype=np.uint64)
            grown[: self._count] = self._unique[: self._count]
            self._unique = grown
        if 10 * need > 7 * len(self._table):
            size = len(self._table)
            while 10 * need > 7 * size:
                size *= 2
            self._table = np.full(size, -1, dtype=np.int32)
            _refill(self._unique, self._count, self._table)
        index = np.empty(len(words), dtype=np.int32)
        self._count = int(_insert(words, self._unique, self._count, self._table, index))
        return index

    def points(self) -> Floats:
        """(n, 3) the distinct points."""
        found = self._unique[: self._count].view(np.float64)
        # A view would keep what was allocated too much.
        return found if 8 * self._count >= 7 * len(self._unique) else found.copy()


def weld(points: Floats) -> tuple[Floats, Ints]:
    """Join equal points.

    Returns
    -------
    unique
        (k, 3) the distinct points in order of first appearance.
    index
        (n,) such that ``unique[index]`` equals ``points``.
    """
    welder = Welder(len(points))
    index = np.empty(len(points), dtype=np.int32)
    for start in range(0, len(points), BLOCK):
        index[start : start + BLOCK] = welder.add(points[start : start + BLOCK])
    return welder.points(), index


def duplicate_share(points: Floats) -> float:
    """Share of points that repeat another one exactly, 0 to 1.

    Exact up to 200,000 points; above that estimated from the points whose hash falls into one of 16 classes: equal
    points share a class, so the share in it is that of the whole.
    """
    bits = _SAMPLE_BITS if len(points) > 200_000 else 0
    size = 1 << int(np.ceil(np.log2(max(64, (4 * len(points)) >> bits))))
    table = np.zeros(size, dtype=np.uint64)
    seen = distinct = 0
    for start in range(0, len(points), BLOCK):
        seen, distinct = _count_sampled(_words(points[start : start + BLOCK]), bits, table, seen, distinct)
    return 1.0 - distinct / seen if seen else 0.0
