"""The board of this output folder: beats, held files and ledger brought together. Used by the service and by status."""

from __future__ import annotations

import heapq
import os
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from runner.intake.folders import REASON_SUFFIX
from runner.intake.health import FOLDER, Health, read_beats, silence_limit_s, silent
from runner.ledger.errors import LedgerError
from runner.ledger.overview import Overview
from runner.ledger.store import Ledger
from runner.pipeline.board import assemble, board_data, utc_text
from runner.report.board_data import BoardData, BoardInHand, BoardSet, BoardStation, BoardTask

NOT_MEASURED = "Not measured: "
"""How the reason beside a held file begins when there is no inspection of it."""
MOST_REFUSED = 50
"""Reasons read at one look: the newest."""


def board_now(
    ledger: Ledger | None, out: Path, held: Path | None, now: datetime, trouble: Sequence[str] = ()
) -> BoardData:
    """Return what the board shows now.

    Parameters
    ----------
    ledger
        None, or one that can't be read: the board says so and shows the rest.
    out
        Output folder, with the beats in ``service``.
    held
        Folder of held scans with their reasons.
    now
        With its time zone: "today" is the day there.
    """
    beats, unreadable = read_beats(out / FOLDER)
    stamp = utc_text(now)
    stations = [station_of(beat, stamp) for beat in beats]
    refused = refused_files(held) if held is not None else []
    told = [*trouble, *unreadable]
    if ledger is not None:
        try:
            return board_data(ledger, stations, refused, out, now, told)
        except (LedgerError, OSError) as error:
            told.append(f"the ledger can't be read: {error}")
    return assemble(Overview(0, "", (), {}, 0), stations, refused, out, now, told)


def station_of(beat: Health, now_utc: str) -> BoardStation:
    """A beat as the board shows it, judged at that moment."""
    return BoardStation(
        name=beat.station,
        host=beat.host,
        state="silent" if silent(beat, now_utc) else beat.state.value,
        beat_utc=beat.beat_utc,
        started_utc=beat.started_utc,
        silent_after_s=silence_limit_s(beat.poll_s),
        waiting=beat.waiting,
        workers=beat.workers,
        in_hand=tuple(BoardInHand(one.file, one.part, one.serial, one.since_utc) for one in beat.in_hand),
        sets=tuple(
            BoardSet(one.part, one.serial, one.have, one.missing, one.since_utc, one.until_utc) for one in beat.sets
        ),
        trouble=beat.trouble,
        folder=beat.folder,
    )


def refused_files(held: Path) -> list[BoardTask]:
    """Held files that could not be measured as they are, newest first, from the reasons beside them."""
    look_at = 4 * MOST_REFUSED
    while True:
        newest = _newest_reasons(held, look_at)
        tasks: list[BoardTask] = []
        for mtime_ns, name in newest:
            task = _refused(name.removesuffix(REASON_SUFFIX), held / name, mtime_ns)
            if task is not None:
                tasks.append(task)
            if len(tasks) >= MOST_REFUSED:
                break
        if len(tasks) >= MOST_REFUSED or len(newest) < look_at:
            return tasks
        look_at *= 8


def _newest_reasons(held: Path, most: int) -> list[tuple[int, str]]:
    """Time and name of the newest reasons: never all of them in memory, however many held files nobody saw to."""
    try:
        with os.scandir(held) as entries:
            return heapq.nlargest(
                most,
                (
                    (entry.stat(follow_symlinks=False).st_mtime_ns, entry.name)
                    for entry in entries
                    if entry.name.endswith(REASON_SUFFIX) and entry.is_file(follow_symlinks=False)
                ),
            )
    except OSError:
        return []


def _refused(name: str, path: Path, mtime_ns: int) -> BoardTask | None:
    """The task of one reason; None for a held scan that has an inspection (the ledger tells about that one)."""
    try:
        with path.open("rb") as stream:
            lines = stream.read(8_000).decode("utf-8", "replace").splitlines()
    except OSError:
        return None
    if not lines or not lines[0].startswith(NOT_MEASURED):
        return None
    said = {key: text for key, _, text in (line.partition(": ") for line in lines[1:])}
    since = utc_text(datetime.fromtimestamp(mtime_ns / 1e9, UTC))
    advice = said.get("What to do", "Read the reason beside the file.")
    return BoardTask(name, said.get("Why", "no reason is given"), advice, since)
