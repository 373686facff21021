"""When is a file complete? A pure decision from what was seen of it before and now, and the memory it needs."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from runner.intake.complete import unfinished
from runner.intake.folders import companions


@dataclass(frozen=True)
class Seen:
    """Size and modification time of a file at one look (``at_s``: a monotonic clock)."""

    size: int
    mtime_ns: int
    at_s: float

    def same(self, other: Seen) -> bool:
        """Whether nothing moved between the two looks."""
        return (self.size, self.mtime_ns) == (other.size, other.mtime_ns)


def settled(before: Seen | None, now: Seen, quiet_s: float) -> bool:
    """Whether the file is complete: not empty, and unchanged in size and time for at least ``quiet_s`` seconds.

    Survives slow copies, copies that pre-allocate the size (their time still moves) and files that grow
    again. A file that was renamed into place settles after one quiet period.
    """
    if before is None or now.size == 0:
        return False
    return before.same(now) and now.at_s - before.at_s >= quiet_s


@dataclass
class _Memory:
    """One file: how it looks since when, and whether its content was found unfinished in that state."""

    since: Seen
    lacking: str | None = None


class Settling:
    """Watches files from look to look and tells which are complete.

    A file is complete when it, and what belongs to it, did not change for ``quiet_s`` and its header promises no
    more than is there. A file that stays unfinished for ``patience_s`` is given up waiting for: it is
    complete as far as it will ever be, and measuring says what is wrong with it.
    """

    def __init__(
        self,
        quiet_s: float,
        patience_s: float | None = None,
        clock: Callable[[], float] = time.monotonic,
        check: Callable[[Path], str] = unfinished,
    ) -> None:
        self.quiet_s = quiet_s
        self.patience_s = 30.0 * quiet_s if patience_s is None else patience_s
        self._clock = clock
        self._check = check
        self._known: dict[Path, _Memory] = {}
        self._changed: set[Path] = set()

    def look(self, files: Sequence[Path]) -> list[Path]:
        """Look at the files that are there now; return those that are complete, in the same order."""
        self._known = {path: memory for path in files if (memory := self._known.get(path)) is not None}
        self._changed &= set(files)
        return [path for path in files if self._complete(path)]

    def next_in(self) -> float | None:
        """Seconds until another of the watched files could be complete; None when there is none."""
        now = self._clock()
        waits = [
            (self.patience_s if memory.lacking else self.quiet_s) - (now - memory.since.at_s)
            for memory in self._known.values()
        ]
        return min((wait for wait in waits if wait > 0.0), default=None)

    def unsettled(self) -> dict[str, str]:
        """Files that don't change and still are not whole, by name, with what is lacking."""
        return {path.name: memory.lacking for path, memory in self._known.items() if memory.lacking}

    def changing(self, path: Path) -> bool:
        """Whether the file changed since it was first seen, so that somebody is at work on it."""
        return path in self._changed

    def forget(self, path: Path) -> None:
        """Start anew with a file."""
        self._known.pop(path, None)

    def _complete(self, path: Path) -> bool:
        try:
            now = self._seen(path)
        except OSError:
            self.forget(path)
            return False
        memory = self._known.get(path)
        if memory is None or not memory.since.same(now):
            if memory is not None:
                self._changed.add(path)
            self._known[path] = _Memory(now)
            return False
        quiet = now.at_s - memory.since.at_s
        if now.size and not settled(memory.since, now, self.quiet_s):
            return False
        if memory.lacking is None:
            try:
                memory.lacking = self._check(path)
            except FileNotFoundError:
                return False
            except OSError as error:
                memory.lacking = f"it can't be opened: {error.strerror or error}"
        return not memory.lacking or quiet >= self.patience_s

    def _seen(self, path: Path) -> Seen:
        """The scan and what belongs to it as one: a companion that is still being written holds the scan back."""
        states = [one.lstat() for one in (path, *companions(path))]
        return Seen(sum(s.st_size for s in states), sum(s.st_mtime_ns for s in states), self._clock())
