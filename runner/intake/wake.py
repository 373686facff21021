"""What ends a wait before its time: a signal to stop, or news from the incoming folder."""

from __future__ import annotations

import contextlib
import importlib
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import Any


class Wake:
    """Something to wait on, and how often it was asked to stop."""

    def __init__(self) -> None:
        self._read, self._write = socket.socketpair()
        self._read.setblocking(False)
        self._write.setblocking(False)
        self._ended = threading.Event()
        self.stops = 0
        """Signals to stop so far: 1 finish what is in hand, 2 leave it for the next start."""

    @property
    def waitable(self) -> socket.socket:
        """Can be read when somebody rang."""
        return self._read

    def ring(self) -> None:
        """End the wait that runs, or the next one."""
        with contextlib.suppress(OSError):  # full: it rings already
            self._write.send(b"1")

    def hush(self) -> None:
        """Begin the next wait in silence."""
        with contextlib.suppress(OSError):
            while self._read.recv(4096):
                pass

    def stop(self) -> None:
        """Ask to stop, once more."""
        self.stops += 1
        self.ring()

    @contextlib.contextmanager
    def on_signals(self) -> Iterator[None]:
        """Let the usual signals ask to stop, as long as the block runs; only in the main thread of a process."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return

        def asked(_number: int, _frame: FrameType | None) -> None:
            self.stop()

        names = [name for name in ("SIGTERM", "SIGINT", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
        before = {name: signal.signal(getattr(signal, name), asked) for name in names}
        try:
            yield
        finally:
            for name, handler in before.items():
                signal.signal(getattr(signal, name), handler)

    def watch(self, folder: Path) -> bool:
        """Ring at changes in ``folder``, where the optional package ``watchfiles`` is there; False without it.

        Only ever a hint: network shares deliver no events, and the periodic listing finds everything by itself.
        """
        try:
            changes: Callable[..., Any] = importlib.import_module("watchfiles").watch
        except ImportError:
            return False

        def listen() -> None:
            with contextlib.suppress(Exception):  # without events the listing still works
                for _ in changes(folder, stop_event=self._ended, recursive=False, raise_interrupt=False):
                    self.ring()

        threading.Thread(target=listen, name="events", daemon=True).start()
        return True

    def close(self) -> None:
        """End the watching."""
        self._ended.set()
        self._read.close()
        self._write.close()
