"""A lock of the operating system on a file: held by a living process only, whatever way the process ends."""

from __future__ import annotations

import os
from pathlib import Path
from typing import IO


class FileLock:
    """Held from ``take`` to ``release``, or to the end of the process."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._handle: IO[bytes] | None = None

    def take(self) -> bool:
        """Take the lock without waiting; False when somebody else holds it.

        Raises ``OSError`` where the file can't be made, or the file system has no locks.
        """
        handle = self.path.open("a+b")  # the descriptor is not inherited: a worker must not keep a dead owner's lock
        try:
            taken = _try_lock(handle.fileno())
        except BaseException:
            handle.close()
            raise
        if not taken:
            handle.close()
            return False
        self._handle = handle
        return True

    def write(self, content: bytes) -> None:
        """Put ``content`` into the file; only while the lock is held."""
        assert self._handle is not None
        self._handle.seek(0)
        self._handle.truncate()
        self._handle.write(b" " * _CONTENT + content)
        self._handle.flush()

    def release(self) -> None:
        """Give the lock up."""
        if self._handle is not None:
            self._handle.close()
            self._handle = None


if os.name == "nt":
    import msvcrt

    _CONTENT = 1  # the locked byte can't be read by others on Windows; what is written begins behind it

    def _try_lock(descriptor: int) -> bool:
        os.lseek(descriptor, 0, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        except PermissionError:
            return False
        return True

else:
    import fcntl

    _CONTENT = 0

    def _try_lock(descriptor: int) -> bool:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
