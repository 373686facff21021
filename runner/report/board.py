"""The operator's board: one HTML file that needs nothing else. Pure: values in, text out."""

from __future__ import annotations

import html
from collections.abc import Callable

from runner.report.board_data import BoardData, BoardInHand, BoardPart, BoardSet, BoardStation, BoardTask
from runner.report.board_kit import (
    STATE_SIGN,
    age,
    bdi,
    esc,
    length_class,
    moment,
    seconds_between,
    shape,
    table,
    table_of,
)
from runner.report.board_script import SCRIPT, script_hash
from runner.report.board_style import style
from runner.report.text import CAUTION, visible

Picture = Callable[[str], str]
"""From the name of a picture to a ``data:`` address, or nothing."""

LARGE = 6
"""Parts shown as tags; the others are in a table below."""


def board_html(data: BoardData, *, refresh_s: float = 5.0, picture: Picture = lambda name: "") -> str:
    """Return the board.

    Parameters
    ----------
    data
        What it shows.
    refresh_s
        Seconds between two looks of the open page at the file.
    picture
        Gives the content of a picture as a ``data:`` address.
    """
    policy = (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src '{script_hash()}'; img-src data:; "
        "frame-src 'self' file:; base-uri 'none'; form-action 'none'"
    )
    return (
        f'<!doctype html>\n<html lang="en" data-refresh="{max(1.0, refresh_s):g}">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<noscript><meta http-equiv="refresh" content="{max(2.0, refresh_s):.0f}"></noscript>\n'
        f"<title>{_title(data)}</title>\n<style>{style()}</style>\n</head>\n<body>\n"
        '<button id="pause" type="button" aria-pressed="false" hidden>Pause refreshing</button>\n'
        '<p id="said" class="readers" role="status" aria-live="polite"></p>\n'
        f'<div id="board">{_body(data, picture)}</div>\n<script>{SCRIPT}</script>\n</body>\n</html>\n'
    )


def _title(data: BoardData) -> str:
    """The page's title, which a tab shows: trouble first, then the newest outcome."""
    if data.troubles:
        return "Trouble - inspection board"
    if data.parts:
        return f"{data.parts[0].outcome} {esc(data.parts[0].serial)[:60]} - inspection board"
    return "Inspection board"


def _body(data: BoardData, picture: Picture) -> str:
    stations = ", ".join(bdi(s.name) for s in data.stations) or "no service has run here yet"
    return (
        f'<header data-made="{esc(data.made_utc)}"><h1>Inspection board</h1><p>{stations}</p>'
        f"<p>as of {moment(data.made_utc)}</p></header>\n"
        '<section id="silent" class="alarm" aria-labelledby="silent-h" hidden><h2 id="silent-h">No sign of life</h2>'
        "<p></p></section>\n"
        + _troubles(data)
        + '<main class="columns"><div>'
        + _parts(data.parts)
        + "</div><div>"
        + _tasks(data, picture)
        + _today(data)
        + _works(data)
        + _stations(data)
        + f"</div></main>\n<footer><p>{esc(CAUTION)} Outcomes are proposals until a person releases the part.</p>"
        f"<p>Ledger: {data.entries} entries, last {esc(data.head_hash[:12])}.</p></footer>"
    )


def _troubles(data: BoardData) -> str:
    told = data.troubles
    if not told:
        return ""
    lines = "".join(f"<li>{esc(text)}</li>" for text in told)
    return _section("trouble", "Trouble", f"<ul>{lines}</ul>", "alarm") + "\n"


def _parts(parts: tuple[BoardPart, ...]) -> str:
    if not parts:
        return _section("parts", "Last parts", "<p>No part has been measured yet.</p>")
    tags = "".join(_tag(part, index == 0) for index, part in enumerate(parts[:LARGE]))
    rest = [_earlier(part) for part in parts[LARGE:]]
    below = table("Earlier parts", ("Serial", "Outcome", "Part", "Why", "Time"), rest) if rest else ""
    return _section("parts", "Last parts", f"<ol>{tags}</ol>{below}")


def _tag(part: BoardPart, newest: bool) -> str:
    """A part as a workshop tag."""
    kind = part.outcome.value if part.counts else "void"
    said = f"{part.outcome}, serial {visible(part.serial)}, part {visible(part.part)}"
    attributes = f' data-said="{html.escape(said, quote=True)}"' if newest else ""
    notes = [f'<p class="note due">{esc(part.remark)}</p>'] if part.remark else []
    if part.why:
        notes.append(f'<p class="note">{esc(part.why)}</p>')
    lot = f" lot {bdi(part.lot)}" if part.lot else ""
    attempt = f", attempt {part.attempt}" if part.attempt > 1 else ""
    return (
        f'<li class="tag {kind}{" newest" if newest else ""}"{attributes}>'
        f'<span class="outcome">{shape(part.outcome)}{part.outcome.value.upper()}</span>'
        f'<span class="who"><span class="serial{length_class(part.serial)}">{bdi(part.serial)}</span>'
        f'<span class="part">{bdi(part.part)}{lot}</span>'
        f'<span class="when">{moment(part.when_utc)}{attempt}</span></span>{"".join(notes)}</li>'
    )


def _earlier(part: BoardPart) -> tuple[str, ...]:
    """A part as a row of the table below the tags."""
    outcome = f"{shape(part.outcome)} {part.outcome}"
    return bdi(part.serial), outcome, bdi(part.part), esc(part.remark or part.why), moment(part.when_utc)


def _tasks(data: BoardData, picture: Picture) -> str:
    cards = "".join(_card(task, index, picture) for index, task in enumerate(data.tasks))
    if not cards:
        cards = "<p>Nothing waits for a person.</p>"
    more = f"<p>And {data.more_tasks} more, in the folder of held scans.</p>" if data.more_tasks else ""
    return _section("tasks", "What to do", cards + more)


def _card(task: BoardTask, index: int, picture: Picture) -> str:
    content = picture(task.picture) if task.picture else ""
    shown = ""
    if content.startswith("data:image/"):
        shown = (
            f'<img src="{html.escape(content, quote=True)}" alt="{esc(task.picture_text or "picture of the scan")}">'
        )
    return (
        f'<article class="card" aria-labelledby="task-{index}"><h3 id="task-{index}">{bdi(task.title)}</h3>'
        f'<p class="do">{esc(task.what_to_do)}</p><p>{esc(task.why)}</p>{shown}'
        f'<p class="soft">since {moment(task.since_utc)}</p></article>'
    )


def _today(data: BoardData) -> str:
    total = sum(count for _, count in data.today)
    cells = "".join(f"<div><dt>{shape(outcome)}{outcome}</dt><dd>{count}</dd></div>" for outcome, count in data.today)
    cells += f"<div><dt>measured</dt><dd>{total}</dd></div><div><dt>last hour</dt><dd>{data.last_hour}</dd></div>"
    return _section("today", "Today", f'<dl class="counts">{cells}</dl>')


def _works(data: BoardData) -> str:
    """Waiting, in hand, incomplete sets."""
    in_hand = [one for station in data.stations if station.state != "stopped" for one in station.in_hand]
    sets = [one for station in data.stations if station.state != "stopped" for one in station.sets]
    text = f'<p class="queue">{data.waiting} waiting, {len(in_hand)} being measured</p>'
    if in_hand:
        text += table("Being measured", ("Serial", "Part", "For"), (_hand(one, data.made_utc) for one in in_hand))
    if sets:
        captions = ("Serial", "Part", "There", "Missing", "Held at")
        text += table("Sets that wait for a scan", captions, map(_set, sets))
    return _section("works", "In the works", text)


def _hand(one: BoardInHand, made_utc: str) -> tuple[str, ...]:
    return bdi(one.serial or one.file), bdi(one.part), age(one.since_utc, made_utc)


def _set(one: BoardSet) -> tuple[str, ...]:
    have, missing = (", ".join(map(bdi, names)) or "none" for names in (one.have, one.missing))
    return bdi(one.serial), bdi(one.part), have, missing, moment(one.until_utc)


def _stations(data: BoardData) -> str:
    if not data.stations:
        return ""
    rows = "".join(_station(station, data.made_utc) for station in data.stations)
    captions = ("Station", "State", "Last sign of life", "Workers")
    return _section("stations", "Stations", table_of("Services", captions, rows))


def _station(station: BoardStation, made_utc: str) -> str:
    quiet = seconds_between(station.beat_utc, made_utc)
    known = "" if quiet is None else f' data-limit="{station.silent_after_s:g}" data-quiet="{quiet:g}"'
    known += f' data-state="{esc(station.state)}" data-beat="{esc(station.beat_utc)}" data-name="{esc(station.name)}"'
    host = f" ({bdi(station.host)})" if station.host and station.host != station.name else ""
    return (
        f'<tr{known}><th scope="row">{bdi(station.name)}{host}</th>'
        f'<td><span class="sign" aria-hidden="true">{STATE_SIGN.get(station.state, "?")}</span> '
        f'<span class="state">{esc(station.state)}</span></td><td>{age(station.beat_utc, made_utc)} ago</td>'
        f'<td class="number">{station.workers}</td></tr>'
    )


def _section(name: str, title: str, content: str, kind: str = "") -> str:
    """A region of the page with its heading."""
    kind = f' class="{kind}"' if kind else ""
    return f'<section{kind} aria-labelledby="{name}-h"><h2 id="{name}-h">{title}</h2>{content}</section>'
