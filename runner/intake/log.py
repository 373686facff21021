"""The service's log: one JSON object per line, one line per event that matters, rotated by size.

Text from file names is data: every character outside printable ASCII is written as an escape, so that a name can't
break a line, hide text or reach a terminal. Logging never stops the service: what can't be written is counted, told
once, and named in the log when it works again.
"""

from __future__ import annotations

import contextlib
import json
import logging
import math
import sys
from collections.abc import Callable, Mapping
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any

from runner.intake.lock import FileLock
from runner.ledger.store import utc_now
from runner.pipeline.identity import safe_name

MOST_BYTES = 5_000_000
KEPT = 5
"""Rotated files kept beside the newest."""
MOST_LOGS = 64
LONGEST = 2_000
"""Characters of one text; the rest is cut, and said so."""
MOST_MEMBERS = 100
"""Members of a list or mapping."""


class Log:
    """Writes events. ``lost`` counts those that could not be written."""

    def __init__(
        self,
        handler: logging.Handler,
        station: str,
        *,
        clock: Callable[[], str] = utc_now,
        tell: Callable[[str], object] = lambda text: sys.stderr.write(text + "\n"),
        lock: FileLock | None = None,
    ) -> None:
        """``lock`` is given up when the log is closed."""
        self._handler = handler
        self._lock = lock
        self._station = station
        self._clock = clock
        self._tell = tell
        self._told = False
        self._since_last = 0
        self._failed: BaseException | None = None
        self.lost = 0
        handler.setFormatter(logging.Formatter("%(message)s"))
        handler.handleError = self._note_failure  # type: ignore[method-assign, assignment]

    def event(self, name: str, **fields: object) -> None:
        """Write one line. Never raises.

        ``fields`` may hold text, numbers, paths, lists and mappings; ``time``, ``station`` and ``event`` are ours.
        """
        try:
            if self._since_last:
                self._write("log.lost", {"events": self._since_last})
            self._write(name, fields)
        except Exception as error:
            self._count(error)

    def close(self) -> None:
        """Close the file."""
        try:
            self._handler.close()
        except Exception as error:
            self._count(error)
        if self._lock is not None:
            self._lock.release()

    def _write(self, name: str, fields: Mapping[str, object]) -> None:
        line = line_of(self._clock(), self._station, name, fields)
        self._failed = None
        record = logging.LogRecord("runner", logging.INFO, "", 0, line, None, None)
        self._handler.handle(record)
        if self._failed is not None:
            if name != "log.lost":
                self._count(self._failed)
        elif name == "log.lost":
            self._since_last = 0

    def _note_failure(self, _record: logging.LogRecord) -> None:
        """Stand in for the handler's own way, which prints a traceback each time."""
        self._failed = sys.exc_info()[1] or OSError("unknown")

    def _count(self, error: BaseException) -> None:
        self.lost += 1
        self._since_last += 1
        if not self._told:
            self._told = True
            with contextlib.suppress(Exception):  # nobody may be left to tell
                self._tell(f"runner: the log can't be written ({error}); the service goes on without it.")


def open_log(
    folder: Path,
    station: str,
    *,
    most_bytes: int = MOST_BYTES,
    kept: int = KEPT,
    clock: Callable[[], str] = utc_now,
    tell: Callable[[str], object] = lambda text: sys.stderr.write(text + "\n"),
) -> Log:
    """Open the log of a station, ``<folder>/<station>.log``; a folder that can't be written is told, not raised.

    Two services of one name have a file each (``<station>.2.log``): one may not rotate what the other writes.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        tell(f"runner: the log folder can't be made ({error}); the service goes on without a log.")
    path, lock = _own_file(folder, safe_name(station))
    handler = RotatingFileHandler(path, maxBytes=most_bytes, backupCount=kept, encoding="ascii", delay=True)
    return Log(handler, station, clock=clock, tell=tell, lock=lock)


def _own_file(folder: Path, stem: str) -> tuple[Path, FileLock | None]:
    """The first log file of this name that no living service writes; without locks, the first."""
    for count in range(1, MOST_LOGS + 1):
        name = stem if count == 1 else f"{stem}.{count}"
        lock = FileLock(folder / f".{name}.log.lock")
        try:
            if lock.take():
                return folder / f"{name}.log", lock
        except OSError:
            break
    return folder / f"{stem}.log", None


def line_of(time: str, station: str, name: str, fields: Mapping[str, object]) -> str:
    r"""One event as a line of JSON, ASCII only, without control characters.

    Examples
    --------
    >>> line_of("2031-05-02T10:00:00Z", "S1", "taken", {"file": "a\nb"})
    '{"time":"2031-05-02T10:00:00Z","station":"S1","event":"taken","file":"a\\nb"}'
    """
    own = {"time": time, "station": _plain(station), "event": _plain(name)}
    rest = {_text(key): _plain(value) for key, value in fields.items() if key not in own}
    # DEL is the one control character that JSON leaves as it is
    return json.dumps({**own, **rest}, separators=(",", ":"), ensure_ascii=True).replace("\x7f", "\\u007f")


def _plain(value: object, depth: int = 4) -> Any:
    """The value as JSON can hold it."""
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, int):
        return int(value) if abs(value) < 2**63 else _text(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else repr(float(value))
    if isinstance(value, str) or depth == 0:
        return _text(value)
    if isinstance(value, Mapping):
        shown = list(value.items())[:MOST_MEMBERS]
        return {_text(key): _plain(member, depth - 1) for key, member in shown}
    if isinstance(value, (list, tuple, set, frozenset)):
        members = sorted(value, key=str) if isinstance(value, (set, frozenset)) else list(value)
        more = [f"... {len(members) - MOST_MEMBERS} more"] if len(members) > MOST_MEMBERS else []
        return [_plain(member, depth - 1) for member in members[:MOST_MEMBERS]] + more
    return _text(value)


def _text(value: object) -> str:
    text = str(value)
    return text if len(text) <= LONGEST else f"{text[:LONGEST]}... ({len(text)} characters)"
