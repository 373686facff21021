"""Small pieces of the board's HTML: escaped text, symbols, moments, ages, tables.

Every text that came from outside passes ``esc``: invisible and direction characters become visible signs, markup
becomes text. It stands in a ``bdi`` of its own, so that right-to-left letters can't turn their surroundings round.
"""

from __future__ import annotations

import html
from collections.abc import Iterable
from datetime import datetime

from runner.records import Outcome
from runner.report.text import visible

SHAPES = {
    Outcome.ACCEPT: '<circle cx="12" cy="12" r="11"/><path class="in" d="M6 12.6l4.2 4.2L18 8.4"/>',
    Outcome.HOLD: '<path d="M12 1.2L23.6 22.4H.4z"/><path class="in" d="M12 8.6v6.6M12 18v1.6"/>',
    Outcome.REJECT: '<path d="M1.5 1.5h21v21h-21z"/><path class="in" d="M7 7l10 10M17 7L7 17"/>',
}
"""Disc, triangle, square: three outlines that can be told apart without colour and from afar."""
STATE_SIGN = {"running": "\u25b6", "stopping": "\u25b7", "stopped": "\u25a0", "silent": "\u2715"}


def esc(text: str) -> str:
    """Text from outside as harmless HTML."""
    return html.escape(visible(text), quote=True)


def bdi(text: str) -> str:
    """Text from outside, harmless and with its own writing direction."""
    return f"<bdi>{esc(text)}</bdi>"


def table(caption: str, captions: Iterable[str], rows: Iterable[tuple[str, ...]]) -> str:
    """A table of cells that are HTML already; the first one of a row names the row."""
    body = "".join(
        f'<tr><th scope="row">{first}</th>' + "".join(f"<td>{cell}</td>" for cell in rest) + "</tr>"
        for first, *rest in rows
    )
    return table_of(caption, captions, body)


def table_of(caption: str, captions: Iterable[str], body: str) -> str:
    """A table of rows that are HTML already. A wide one scrolls by itself, also from the keyboard."""
    head = "".join(f'<th scope="col">{text}</th>' for text in captions)
    name = "table-" + caption.lower().replace(" ", "-")  # with a name the focus is found again after a refresh
    return (
        f'<div class="scroll" id="{name}" role="group" aria-label="{caption}" tabindex="0">'
        f"<table><caption>{caption}</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def shape(outcome: Outcome) -> str:
    """The outcome's symbol. The word always stands beside it, so readers skip it."""
    return (
        f'<svg class="shape" viewBox="0 0 24 24" width="20" height="20" aria-hidden="true" focusable="false">'
        f"{SHAPES[outcome]}</svg>"
    )


def length_class(text: str) -> str:
    """Long serials are set smaller and wrap; none is cut, since two may differ in their last letters only."""
    count = len(visible(text))
    return "" if count <= 16 else (" long" if count <= 60 else " longest")


def moment(utc: str) -> str:
    """A moment: UTC in words; the script shows the time of the screen's place."""
    try:
        when = datetime.fromisoformat(utc)
    except ValueError:
        return esc(utc)
    return f'<time datetime="{esc(utc)}">{when:%Y-%m-%d %H:%M} UTC</time>'


def age(since_utc: str, now_utc: str) -> str:
    """How long ago; the script goes on counting."""
    seconds = seconds_between(since_utc, now_utc)
    if seconds is None:
        return "unknown"
    return f'<span data-age="{max(0.0, seconds):.0f}">{duration_text(seconds)}</span>'


def seconds_between(since_utc: str, now_utc: str) -> float | None:
    """Seconds from one moment to the other; None where one of them is no moment."""
    try:
        return (datetime.fromisoformat(now_utc) - datetime.fromisoformat(since_utc)).total_seconds()
    except (ValueError, TypeError):
        return None


def duration_text(seconds: float) -> str:
    """A duration to the unit that matters.

    Examples
    --------
    >>> duration_text(59), duration_text(3_725), duration_text(400_000)
    ('59 s', '1 h 2 min', '4 days')
    """
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min"
    if whole < 172_800:
        return f"{whole // 3600} h {whole % 3600 // 60} min"
    return f"{whole // 86_400} days"
