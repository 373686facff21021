"""Take an E57 file apart and put it together again with sound checksums, so that damage gets past the first gate.

Layout: ASTM E2807: pages of 1024 bytes, the last four of each a CRC-32C over the others; a header of 48 bytes with the
length of the file, and place and length of the XML section.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

PAGE, USED = 1024, 1020
_HEAD = struct.Struct("<8sIIQQQQ")


def _table() -> list[int]:
    found = []
    for value in range(256):
        for _ in range(8):
            value = (value >> 1) ^ (0x82F63B78 if value & 1 else 0)
        found.append(value)
    return found


_CRC = _table()


def checksum(page: bytes) -> bytes:
    """CRC-32C (the polynomial of Castagnoli), high byte first."""
    value = 0xFFFFFFFF
    for byte in page:
        value = _CRC[(value ^ byte) & 255] ^ (value >> 8)
    return (value ^ 0xFFFFFFFF).to_bytes(4, "big")


def pages_of(logical: bytes) -> bytes:
    """The file of these contents."""
    blocks = (logical[k : k + USED].ljust(USED, b"\0") for k in range(0, len(logical), USED))
    return b"".join(block + checksum(block) for block in blocks)


def logical_of(data: bytes) -> bytes:
    """The contents without the checksums."""
    return b"".join(data[k : k + USED] for k in range(0, len(data), PAGE))


def take_apart(data: bytes) -> tuple[bytes, bytes]:
    """What stands before the XML section, and the section itself; the section must be the last."""
    _, _, _, _, place, length, _ = _HEAD.unpack_from(data)
    start = place // PAGE * USED + place % PAGE
    logical = logical_of(data)
    return logical[:start], logical[start : start + length]


def put_together(before: bytes, xml: bytes) -> bytes:
    """A file with this XML section, whose header says so."""
    start = len(before)
    size = -(-(start + len(xml)) // USED) * PAGE
    signature, major, minor, *_ = _HEAD.unpack_from(before)
    head = _HEAD.pack(signature, major, minor, size, start // USED * PAGE + start % USED, len(xml), PAGE)
    return pages_of(head + before[_HEAD.size :] + xml)


def example(path: Path, points: np.ndarray) -> bytes:
    """A file with one scan, written by the library to ``path``."""
    import pye57

    file = pye57.E57(str(path), mode="w")
    named = zip(("cartesianX", "cartesianY", "cartesianZ"), points.T, strict=True)
    file.write_scan_raw({name: np.ascontiguousarray(column) for name, column in named})
    file.close()
    return path.read_bytes()
