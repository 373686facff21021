"""What keeps the service from its work: remembered until it is over, told to the log when it begins and ends."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol


class Events(Protocol):
    """Where events go (``log.Log``)."""

    def event(self, name: str, **fields: object) -> None:
        """Write one event."""


class Troubles:
    """Sentences by what they are about; one at a time for each."""

    def __init__(self, log: Events) -> None:
        self._log = log
        self._now: dict[str, str] = {}

    def note(self, about: str, text: str) -> bool:
        """Remember a trouble, or, with no text, that it is over; True when that is news."""
        if text == self._now.get(about, ""):
            return False
        if text:
            self._now[about] = text
        else:
            del self._now[about]
        self._log.event("trouble" if text else "trouble.over", about=about, text=text)
        return True

    def note_all(self, about: str, texts: Sequence[str]) -> None:
        """Remember all troubles of one kind that there are now; those not among them are over."""
        told = {f"{about}: {text}": text for text in texts}
        for key in [key for key in self._now if key.startswith(f"{about}: ") and key not in told]:
            self.note(key, "")
        for key, text in told.items():
            self.note(key, text)

    def texts(self) -> tuple[str, ...]:
        """Every trouble there is now, oldest first."""
        return tuple(self._now.values())
