"""Text from outside made harmless for documents: what can't be shown is shown as something that can."""

from __future__ import annotations

import re
import unicodedata

from runner.records import OverlapRecord

CELL_LIMIT = 32_767
"""Longest text of a spreadsheet cell, in UTF-16 units (common practice: what the programs take)."""
CUT_MARK = " [cut]"
CAUTION = (
    "These results support and do not replace the release by the responsible quality function. "
    "Safety-critical characteristics follow the customer's, the local and the legal rules."
)
"""Stands in every document."""

_LOOKS_LIKE_ESCAPE = re.compile(r"_(?=x[0-9A-Fa-f]{4}_)")


def visible(text: str, *, lines: bool = False) -> str:
    r"""Return ``text`` with every invisible or impossible character replaced by a visible one.

    Control characters become their Unicode picture, e.g. ESC the sign U+241B. Direction overrides, zero-width and
    other format characters, lone surrogates and code points without a character become ``<U+202E>``. With
    ``lines`` line feeds are kept.

    Examples
    --------
    >>> visible("A\x1b[2J\u202eB")
    'A␛[2J<U+202E>B'
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or (lines and c == "\n") else _shown(c) for c in text)


def _shown(character: str) -> str:
    code = ord(character)
    if code < 0x20:
        return chr(0x2400 + code)
    if code == 0x7F:
        return "\u2421"
    if unicodedata.category(character) == "Zs":
        return " "
    return f"<U+{code:04X}>"


def cell_text(text: str) -> str:
    """Return text for a spreadsheet cell: visible, not longer than the limit (the cut is marked), escapes kept literal.

    Spreadsheet files read ``_x0041_`` as the letter A; the underscore that starts such a thing is escaped itself.
    """
    shown = _LOOKS_LIKE_ESCAPE.sub("_x005F_", visible(text, lines=True))
    if len(shown.encode("utf-16-le")) // 2 <= CELL_LIMIT:
        return shown
    room = (CELL_LIMIT - len(CUT_MARK)) * 2
    return shown.encode("utf-16-le")[:room].decode("utf-16-le", "ignore") + CUT_MARK


def overlap_text(overlap: OverlapRecord) -> str:
    """One sentence: how two scans of one part agree where both saw the same surface."""
    pair = f"{overlap.first} and {overlap.second}"
    if overlap.mean is None or overlap.rms is None or overlap.largest is None:
        return f"{pair}: {overlap.note}"
    text = (
        f"{pair}: over {overlap.area:.0f} mm² seen by both the second lies {overlap.mean:+.4f} mm farther out on "
        f"average, rms {overlap.rms:.4f} mm, 99 % within {overlap.largest:.4f} mm"
    )
    if overlap.region is not None and overlap.limit is not None:
        place = "" if overlap.at is None else " near ({:.1f}, {:.1f}, {:.1f})".format(*overlap.at)
        within = "within" if overlap.agrees else "BEYOND"
        text += f"; worst region {overlap.region:+.4f} mm{place}, {within} the limit of {overlap.limit:.4f} mm"
    return text + (f"; {overlap.note}" if overlap.note else "")


def strange_letters(text: str) -> str:
    """Signs outside ASCII, with their codes: they may only look like those of another serial.

    What can't be seen at all is not among them; ``visible`` shows its code in place.

    Examples
    --------
    >>> strange_letters("\u0410-17")
    'А (U+0410)'
    """
    found = dict.fromkeys(c for c in text if not c.isascii() and c.isprintable())
    return ", ".join(f"{c} (U+{ord(c):04X})" for c in list(found)[:4]) + (" ..." if len(found) > 4 else "")


def looks_like_formula(text: str) -> bool:
    """Whether a spreadsheet program may take the text for a formula when it is typed or imported."""
    return text.lstrip(" ")[:1] in ("=", "+", "-", "@", "\t", "\r", "\u2409", "\u240d") and text != "-"


def plain_latin(text: str) -> str:
    """Return text in the letters that the built-in picture font has; others become their base letter or ``<U+...>``."""
    out = []
    for character in visible(text):
        if character in _LATIN:
            out.append(_LATIN[character])
        elif character in _FONT_HAS:
            out.append(character)
        else:
            base = "".join(c for c in unicodedata.normalize("NFKD", character) if c in _FONT_HAS)
            out.append(base or f"<U+{ord(character):04X}>")
    return "".join(out)


_FONT_HAS = frozenset(chr(code) for code in range(32, 127)) | frozenset("©«°±´·»‘’“”…‹›")
_LATIN = {
    "–": "-",
    "—": "-",
    "−": "-",
    "×": "x",
    "Ø": "dia. ",
    "⌀": "dia. ",
    "µ": "u",
    "μ": "u",
    "≤": "<=",
    "≥": ">=",
    "ß": "ss",
    "ä": "ae",
    "ö": "oe",
    "ü": "ue",
    "Ä": "Ae",
    "Ö": "Oe",
    "Ü": "Ue",
}
