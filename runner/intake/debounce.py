"""When a document that costs more the longer it gets is written again. Pure: moments in, decisions out."""

from __future__ import annotations

from dataclasses import dataclass, field

SHARE = 0.1
"""Of the time, at most, that goes into writing while scans keep coming."""
SHORTEST_S = 2.0
"""Changes within this time are written together."""
LONGEST_S = 1_800.0
"""However much a writing costs, the document is not older than this plus one writing."""
AGAIN_S = 20.0
"""After a writing that failed (a locked file) it is tried again no sooner than this."""


@dataclass
class _Document:
    """What is known of one document."""

    first_touch: float | None = None
    """When the oldest change came that it does not show."""
    last_touch: float = 0.0
    cost_s: float = 0.0
    """What the last writing took."""
    ended: float | None = None
    """When the last writing ended."""
    failed: bool = False


@dataclass
class Debounce:
    """Decides for any number of documents, which share one writer.

    While changes keep coming, a document rests ``1 / share - 1`` times as long as its last writing took, times the
    number of documents with changes, so that all writing together takes about ``share`` of the time, whatever it
    costs. When nothing is left to do, it waits only until no change has come for as long as one writing takes.
    """

    share: float = SHARE
    shortest_s: float = SHORTEST_S
    longest_s: float = LONGEST_S
    again_s: float = AGAIN_S
    _documents: dict[str, _Document] = field(default_factory=dict)

    def touched(self, name: str, now: float, *, again: bool = True) -> None:
        """Note a change. ``again`` False: only that there is one, which may be noted already."""
        document = self._documents.setdefault(name, _Document())
        if document.first_touch is None:
            document.first_touch = document.last_touch = now
        elif again:
            document.last_touch = now

    def wrote(self, name: str, started: float, ended: float, *, done: bool) -> None:
        """Note a writing; changes that came meanwhile stay open."""
        document = self._documents.setdefault(name, _Document())
        document.cost_s, document.ended, document.failed = max(0.0, ended - started), ended, not done
        if done:
            later = document.last_touch > started
            document.first_touch = document.last_touch if later else None

    def pending(self) -> tuple[str, ...]:
        """Documents with an open change, oldest change first."""
        opened = [(d.first_touch, name) for name, d in self._documents.items() if d.first_touch is not None]
        return tuple(name for _, name in sorted(opened))

    def due(self, now: float, *, idle: bool = False) -> tuple[str, ...]:
        """Documents to write now, oldest change first."""
        return tuple(name for name in self.pending() if now >= self.due_at(name, idle=idle))

    def due_at(self, name: str, *, idle: bool = False) -> float:
        """The moment from which a document with an open change may be written."""
        document = self._documents[name]
        assert document.first_touch is not None
        settled = document.first_touch + self.shortest_s
        if document.ended is None:
            return settled
        if document.failed:
            return max(settled, document.ended + self.again_s)
        sharing = sum(1 for d in self._documents.values() if d.first_touch is not None)
        rest = min(document.cost_s * (1.0 / self.share - 1.0) * sharing, self.longest_s)
        busy = max(settled, document.ended + rest)
        if not idle:
            return busy
        quiet = document.last_touch + max(self.shortest_s, document.cost_s)
        return min(busy, max(settled, quiet))
