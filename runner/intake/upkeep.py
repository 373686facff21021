"""Keeps the documents up to date with the ledger: workbooks in batches, the board at every beat.

The service calls ``touched`` after each committed inspection, ``work`` at each poll and ``finish`` when it stops. None
of them raises, and ``work`` does not wait: documents are written by one thread in the background.

Which workbook is behind is read from the ledger, so that entries of other services and of people (decisions, voids,
corrections) are seen too, and so is what a killed service left undone: ``<out>/service/documents.json`` holds, for
each part number, the ledger entry up to which its workbook was written.
"""

from __future__ import annotations

import contextlib
import json
import threading
import time
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path

from runner.intake.apart import Apart
from runner.intake.board import board_now
from runner.intake.debounce import Debounce
from runner.intake.health import FOLDER, NOTES
from runner.intake.lock import FileLock
from runner.ledger.overview import changes_after
from runner.ledger.store import Ledger
from runner.pipeline.board import write_board
from runner.pipeline.documents import workbook_path, write_workbook
from runner.report.atomic import Written, sweep_temporaries, write_bytes

LOCK_FILE = ".documents.lock"
WriteBook = Callable[[Ledger, str, Path], Written]


class Upkeep:
    """Decides when a document is due and writes it."""

    def __init__(
        self,
        ledger: Ledger,
        out: Path,
        clock: Callable[[], float] = time.monotonic,
        *,
        held: Path | None = None,
        board_every_s: float = 5.0,
        refresh_s: float = 5.0,
        background: bool = True,
        write_book: WriteBook = write_workbook,
        wall: Callable[[], datetime] = lambda: datetime.now().astimezone(),
    ) -> None:
        """See the parameters.

        Parameters
        ----------
        clock
            Seconds, steady; for the decision when something is due.
        held
            Folder of held scans, whose reasons the board shows.
        board_every_s
            Seconds between two boards when nothing new is in the ledger.
        background
            False: ``work`` writes before it returns (for tests and ``--once``).
        write_book
            How a workbook is written; a service that lives long gives ``Apart``.
        """
        self._ledger = ledger
        self._out = out
        self._clock = clock
        self._held = held
        self._board_every_s = board_every_s
        self._refresh_s = refresh_s
        self._background = background
        self._write_book = write_book
        self._wall = wall
        self._debounce = Debounce()
        self._written = _read_state(out / FOLDER / NOTES)
        self._needed: dict[str, int] = {}
        self._looked_at = 0  # the first look is at the whole ledger: a part may never have had its workbook
        self._trouble: dict[str, str] = {}
        self._board_at: float | None = None
        self._thread: threading.Thread | None = None
        self._stopping = False
        self._guard = threading.RLock()
        sweep_temporaries(out)

    def touched(self, part: str) -> None:
        """Say that the ledger has something new about a part number."""
        with self._guard:
            self._debounce.touched(part, self._clock())
            self._board_at = None

    def due(self, now: float, *, idle: bool = False) -> tuple[str, ...]:
        """Part numbers whose workbook should be written now."""
        with self._guard:
            return self._debounce.due(now, idle=idle)

    def work(self, now: float | None = None, *, idle: bool = False) -> None:
        """Start what is due, without waiting for it. ``idle``: nothing is in hand or waiting."""
        moment = self._clock() if now is None else now
        if self._thread is not None and self._thread.is_alive():
            return
        if not self._background:
            self._round(moment, idle)
            return
        self._thread = threading.Thread(target=self._round, args=(moment, idle), name="documents", daemon=True)
        self._thread.start()

    def finish(self) -> None:
        """Write everything that is behind, the board last, and wait for it."""
        self._stopping = True  # a round that is under way ends after the document in its hands
        if self._thread is not None:
            self._thread.join()
        self._stopping = False
        self._look(self._clock())
        for part in self._debounce.pending():
            self._book(part)
        self._board(self._clock())

    def show(self) -> None:
        """Write the board as things are now."""
        self._board(self._clock())

    def leave(self) -> None:
        """Stop at once: what is behind is written after the next start."""
        self._stopping = True
        if isinstance(self._write_book, Apart):
            self._write_book.kill()

    def trouble(self) -> tuple[str, ...]:
        """What can't be brought up to date, one sentence each."""
        with self._guard:
            return tuple(self._trouble.values())

    def _round(self, now: float, idle: bool) -> None:
        """One look at the ledger, the board, and the workbooks that are due."""
        self._look(now)
        if self._board_at is None or now - self._board_at >= self._board_every_s:
            self._board(now)
        for part in self.due(now, idle=idle):
            if self._stopping:
                return
            self._book(part)
            self._board(now)

    def _look(self, now: float) -> None:
        """Read from the ledger which parts have entries that their workbook has not."""
        try:
            changes = changes_after(self._ledger, self._looked_at)
        except Exception as error:
            self._tell("ledger", f"the ledger can't be read for the documents: {error}")
            return
        self._tell("ledger", "")
        with self._guard:
            self._needed.update(changes.parts)
            self._looked_at = changes.head
            for part, sequence in self._needed.items():
                behind = sequence > self._written.get(part, 0)
                if part in changes.parts and behind:
                    self._board_at = None
                if behind or not workbook_path(part, self._out).exists():
                    self._debounce.touched(part, now, again=False)

    def _book(self, part: str) -> None:
        """Write one workbook; what goes wrong is told and tried again later."""
        started = self._clock()
        why = ""
        lock = FileLock(self._out / FOLDER / LOCK_FILE)
        try:
            lock.path.parent.mkdir(parents=True, exist_ok=True)
            if not _taken(lock):
                return  # another service writes documents; what it leaves open is seen at the next look
            self._written.update(_read_state(self._out / FOLDER / NOTES))
            needed = self._needed.get(part, 1)
            if self._written.get(part, 0) < needed or not workbook_path(part, self._out).exists():
                head = self._ledger.head()
                written = self._write_book(self._ledger, part, self._out)
                why = "" if written.complete else written.reason
                if not why:
                    self._written[part] = head.sequence if head is not None else 0
                    self._save()
        except Exception as error:
            why = f"the workbook of {part} can't be written: {type(error).__name__}: {error}"
        finally:
            lock.release()
        with self._guard:
            self._debounce.wrote(part, started, self._clock(), done=not why)
        self._tell(f"book {part}", why)

    def _board(self, now: float) -> None:
        try:
            data = board_now(self._ledger, self._out, self._held, self._wall(), self.trouble())
            written = write_board(data, self._out, self._refresh_s)
            self._tell("board", "" if written.complete else written.reason)
        except Exception as error:
            self._tell("board", f"the board can't be written: {type(error).__name__}: {error}")
        self._board_at = now

    def _save(self) -> None:
        """Note what is written. Lost, it costs one more writing of each workbook and nothing else."""
        content = json.dumps({"through entry": dict(sorted(self._written.items()))}, indent=1).encode()
        with contextlib.suppress(OSError):
            write_bytes(self._out / FOLDER / NOTES, content)

    def _tell(self, about: str, why: str) -> None:
        with self._guard:
            self._trouble.pop(about, None)
            if why:
                self._trouble[about] = why


def _taken(lock: FileLock) -> bool:
    """Take the lock; a file system without locks has none to wait for: two services may then do the same work."""
    try:
        return lock.take()
    except OSError:
        return True


def _read_state(path: Path) -> dict[str, int]:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    found = data.get("through entry") if isinstance(data, Mapping) else None
    if not isinstance(found, Mapping):
        return {}
    return {str(k): v for k, v in found.items() if isinstance(v, int) and not isinstance(v, bool)}
