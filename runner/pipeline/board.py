"""The operator's board from the ledger and the stations' beats."""

from __future__ import annotations

import base64
import functools
import io
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from runner.ledger.overview import Latest, Overview, overview
from runner.ledger.store import Ledger
from runner.records import Outcome
from runner.report.atomic import Written, write_bytes
from runner.report.board import board_html
from runner.report.board_data import BoardData, BoardPart, BoardStation, BoardTask
from runner.report.text import strange_letters

LAST = 18
"""Parts on the board."""
MOST_TASKS = 4
FILE_NAME = "board.html"
AGAIN = "-again.png"
"""End of the name of the picture that shows where to scan again; the deviation picture's name begins alike."""
THUMB_WIDTH = 720
"""Pixels."""
MOST_PICTURE_BYTES = 30_000_000
MOST_PIXELS = 20_000_000
OUTCOMES = (Outcome.ACCEPT, Outcome.HOLD, Outcome.REJECT)


def board_data(
    ledger: Ledger,
    stations: Sequence[BoardStation],
    refused: Sequence[BoardTask],
    out: Path,
    now: datetime,
    trouble: Sequence[str] = (),
) -> BoardData:
    """Put together what the board shows.

    Parameters
    ----------
    stations
        Every service with its last beat.
    refused
        Files that were held without an inspection (no recipe fits their name ...).
    out
        Folder of the pictures.
    now
        With its time zone: "today" is the day there.
    """
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)
    seen = overview(ledger, last=LAST, day_utc=utc_text(midnight), hour_utc=utc_text(now - timedelta(hours=1)))
    return assemble(seen, stations, refused, out, now, trouble)


def assemble(
    seen: Overview,
    stations: Sequence[BoardStation],
    refused: Sequence[BoardTask],
    out: Path,
    now: datetime,
    trouble: Sequence[str] = (),
) -> BoardData:
    """The same from an overview of the ledger that is at hand."""
    holds = [_task(one, out) for one in seen.last if _wants_a_person(one)]
    tasks = sorted([*holds, *refused], key=lambda task: task.since_utc, reverse=True)
    return BoardData(
        made_utc=utc_text(now),
        stations=tuple(stations),
        parts=tuple(_part(one) for one in seen.last),
        tasks=tuple(tasks[:MOST_TASKS]),
        today=tuple((outcome, seen.since_day.get(outcome, 0)) for outcome in OUTCOMES),
        last_hour=seen.since_hour,
        entries=seen.entries,
        head_hash=seen.head_hash,
        trouble=tuple(trouble),
        more_tasks=max(0, len(tasks) - MOST_TASKS),
    )


def write_board(data: BoardData, out: Path, refresh_s: float = 5.0) -> Written:
    """Write the board so that it appears whole or not at all."""
    page = board_html(data, refresh_s=refresh_s, picture=lambda name: picture_address(out, name))
    return write_bytes(out / FILE_NAME, page.encode("utf-8", "replace"))


def utc_text(moment: datetime) -> str:
    """ISO 8601, UTC, to the millisecond: as the ledger writes it."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def picture_address(out: Path, name: str) -> str:
    """A picture of the output folder as a small ``data:`` address; nothing when it can't be shown.

    The name comes from the ledger as data: only a file that lies in ``out`` is read.
    """
    try:
        path = (out / name).resolve()
        if not path.is_relative_to(out.resolve()) or not path.is_file():
            return ""
        status = path.stat()
        return _address(path, status.st_size, status.st_mtime_ns) if status.st_size <= MOST_PICTURE_BYTES else ""
    except (OSError, ValueError):
        return ""


@functools.lru_cache(maxsize=16)
def _address(path: Path, _size: int, _time: int) -> str:
    from PIL import Image

    with Image.open(path, formats=("PNG",)) as picture:
        if picture.width * picture.height > MOST_PIXELS:
            return ""
        shown = picture.convert("RGB")
    shown.thumbnail((THUMB_WIDTH, THUMB_WIDTH))
    stream = io.BytesIO()
    shown.quantize(128).save(stream, "PNG", optimize=True)
    return "data:image/png;base64," + base64.b64encode(stream.getvalue()).decode()


def _wants_a_person(one: Latest) -> bool:
    return not one.void and (one.waits or (one.standing and one.said.outcome is Outcome.HOLD))


def _part(one: Latest) -> BoardPart:
    remarks = []
    if one.void:
        remarks.append(f"void: {one.void}")
    elif one.waits:
        remarks.append(f"this scan: {one.said.outcome}; the earlier reject stands until a person decides")
    elif not one.standing:
        remarks.append("replaced by a later attempt")
    if one.release != "released":
        remarks.append("recipe not released")
    strange = strange_letters(one.serial)
    if strange:
        remarks.append(f"serial holds {strange}")
    return BoardPart(
        part=one.part,
        serial=one.serial,
        lot=one.lot,
        outcome=Outcome.REJECT if one.waits else one.said.outcome,
        of_scan=one.said.outcome,
        when_utc=one.created_utc,
        why=one.said.reason,
        remark="; ".join(remarks),
        attempt=one.number,
        counts=one.standing or one.waits,
    )


def _task(one: Latest, out: Path) -> BoardTask:
    """What a person does about a hold."""
    title = f"{one.part} {one.serial}"
    if one.waits:
        return BoardTask(
            title,
            f"This scan gave {one.said.outcome}, but an earlier reject of this piece stands.",
            "Keep the piece apart. A person decides which attempt counts, and why.",
            one.created_utc,
        )
    picture, text = one.said.picture, "deviation picture of the scan; grey places were not seen"
    again = picture.removesuffix(".png") + AGAIN
    if picture and picture_address(out, again):
        picture, text = again, "the part with the places to scan again marked"
    advice = one.said.advice or "Ask the engineer who wrote the recipe."
    return BoardTask(title, one.said.reason, advice, one.created_utc, picture, text)
