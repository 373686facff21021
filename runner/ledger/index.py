"""Index rows of an inspection, from its canonical JSON. Pure; migrations and the store use the same function.

Only keys that format 1 has from the start are read, so that this also works on rows of any later version.
"""

from __future__ import annotations

from typing import Any


def plain(text: str) -> str:
    r"""Return text that every database can store: NUL and lone surrogates become escapes, a backslash is doubled.

    File names can hold both. Injective, so that different serials stay different; the log keeps the original.

    Examples
    --------
    >>> plain("A\x00B")
    'A\\0B'
    """
    if text.isascii() and "\\" not in text and "\0" not in text:
        return text
    doubled = text.replace("\\", "\\\\").replace("\0", "\\0")
    return "".join(f"\\u{ord(c):04x}" if 0xD800 <= ord(c) <= 0xDFFF else c for c in doubled)


def original(stored: str) -> str:
    """Undo ``plain``."""
    if "\\" not in stored:
        return stored
    out: list[str] = []
    position = 0
    while position < len(stored):
        if stored[position] != "\\":
            out.append(stored[position])
            position += 1
        elif stored[position + 1] == "u":
            out.append(chr(int(stored[position + 2 : position + 6], 16)))
            position += 6
        else:
            out.append("\0" if stored[position + 1] == "0" else "\\")
            position += 2
    return "".join(out)


def index_row(sequence: int, data: dict[str, Any]) -> dict[str, Any]:
    """Row of ``inspections``."""
    return {
        "sequence": sequence,
        "inspection_id": plain(data["id"]),
        "part_number": plain(data["part_number"]),
        "serial": plain(data["serial"]),
        "lot": plain(data["lot"]),
        "scan_set_sha256": data["provenance"]["scan_set_sha256"],
        "recipe_fingerprint": data["provenance"]["recipe_fingerprint"],
        "outcome": data["outcome"],
    }


def scan_rows(sequence: int, data: dict[str, Any]) -> list[dict[str, Any]]:
    """Rows of ``inspection_scans``."""
    return [
        {"sequence": sequence, "position": position, "sha256": scan["sha256"]}
        for position, scan in enumerate(data["scans"])
    ]


def subject_row(sequence: int, kind: str, data: dict[str, Any]) -> dict[str, Any]:
    """Row of ``entry_subjects``: what an entry other than an inspection is about."""
    if kind == "scanner check":
        subject, about = "scanner", data["scanner"]
    elif kind == "release":
        subject, about = data["subject"], data["about"]
    else:
        subject, about = "inspection", data["about"]
    return {"sequence": sequence, "kind": kind, "subject": subject[:16], "about": plain(about)}
