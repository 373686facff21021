"""LZF decompression (the scheme of M. Lehmann's library, used by compressed PCD files), bounded by the output array."""

from __future__ import annotations

from typing import Any

from runner.geometry.jit import kernel

GREATEST_RATIO = 88
"""A copy of three bytes gives at most 264; a short copy of two bytes at most 8; literals less than one each."""


@kernel
def decompress(source: Any, target: Any) -> tuple[int, int, int]:
    """Fill ``target`` from ``source``.

    Returns
    -------
    used, filled, state
        Bytes read and written; 0 good, 1 the source ends early, 2 the target is too small, 3 a copy from before the
        beginning.
    """
    stop = len(source)
    room = len(target)
    i = o = 0
    while i < stop:
        control = np_int(source[i])
        i += 1
        if control < 32:
            length = control + 1
            if i + length > stop:
                return i, o, 1
            if o + length > room:
                return i, o, 2
            for _ in range(length):
                target[o] = source[i]
                o += 1
                i += 1
            continue
        length = control >> 5
        if length == 7:
            if i >= stop:
                return i, o, 1
            length += np_int(source[i])
            i += 1
        if i >= stop:
            return i, o, 1
        back = ((control & 31) << 8) + np_int(source[i]) + 1
        i += 1
        length += 2
        if back > o:
            return i, o, 3
        if o + length > room:
            return i, o, 2
        for _ in range(length):
            target[o] = target[o - back]
            o += 1
    return i, o, 0


@kernel(inline=True)
def np_int(byte: Any) -> int:
    """A byte as a signed 64-bit number, so that shifts do not wrap."""
    return int(byte)
