"""Does a file hold what its own header promises? A copy that pauses looks finished; its size does not.

Only formats whose header tells the size cheaply are looked at. This is no check of the content, which the readers do.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

HEAD_BYTES = 65_536
TAIL_BYTES = 4_096
_PLY_SIZES = {
    **dict.fromkeys(("char", "uchar", "int8", "uint8"), 1),
    **dict.fromkeys(("short", "ushort", "int16", "uint16"), 2),
    **dict.fromkeys(("int", "uint", "int32", "uint32", "float", "float32"), 4),
    **dict.fromkeys(("double", "float64"), 8),
}


def unfinished(path: Path) -> str:
    """Return why the file can't be whole yet, or "" when nothing speaks against it.

    Raises ``OSError`` when it can't be opened: on some systems the program that writes it keeps it locked.
    """
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0))
    with os.fdopen(descriptor, "rb") as stream:
        size = os.fstat(descriptor).st_size
        head = stream.read(HEAD_BYTES)
        stream.seek(max(0, size - TAIL_BYTES))
        tail = stream.read(TAIL_BYTES)
    if not size:
        return "it is empty"
    least = least_size(head, path.suffix.lower())
    if least > size:
        return f"its header promises at least {least} bytes, and it has {size}"
    if size > 2 * TAIL_BYTES and not tail.strip(b"\0"):
        return "its end is all zeros, as a copy leaves it that has set the size aside first"
    return ""


def least_size(head: bytes, ending: str) -> int:
    """The size that a file must have by its first bytes; 0 where they don't tell.

    Sources of the layouts: PLY: G. Turk, The PLY Polygon File Format (1994); PCD: the format's published description
    (fields SIZE, COUNT, POINTS, DATA); E57: ASTM E2807, file header; STL: 80 bytes, a count, 50 bytes per
    triangle (common practice).
    """
    if head.startswith(b"ply"):
        return _ply(head)
    if head.startswith(b"ASTM-E57"):
        return int.from_bytes(head[16:24], "little") if len(head) >= 48 else 48
    if ending == ".pcd":
        return _pcd(head)
    if ending == ".stl" and len(head) >= 84 and not head.lstrip().lower().startswith(b"solid"):
        return 84 + 50 * int.from_bytes(head[80:84], "little")
    return 0


def _ply(head: bytes) -> int:
    """Header, all rows of fixed length, and one byte for each list."""
    end = re.search(rb"end_header\r?\n", head)
    if end is None:
        return 0 if len(head) >= HEAD_BYTES else len(head) + 1
    lines = head[: end.start()].decode("latin-1").splitlines()
    if not any(line.startswith("format binary") for line in lines):
        return 0
    total, count, width = end.end(), 0, 0
    for words in (line.split() for line in lines):
        if len(words) == 3 and words[0] == "element" and words[2].isdigit():
            total, count, width = total + count * width, int(words[2]), 0
        elif len(words) >= 3 and words[0] == "property":
            width += _PLY_SIZES.get(words[2] if words[1] == "list" else words[1], 0)
    return total + count * width


def _pcd(head: bytes) -> int:
    end = re.search(rb"^DATA binary\r?\n", head, re.MULTILINE)
    if end is None:
        return 0
    fields = {w[0]: w[1:] for w in (line.split() for line in head[: end.start()].decode("latin-1").splitlines()) if w}
    try:
        sizes = [int(n) for n in fields["SIZE"]]
        counts = [int(n) for n in fields.get("COUNT", ["1"] * len(sizes))]
        return end.end() + int(fields["POINTS"][0]) * sum(a * b for a, b in zip(sizes, counts, strict=True))
    except (KeyError, ValueError, IndexError):
        return 0
