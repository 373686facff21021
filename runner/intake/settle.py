"""When is a file complete? A pure decision from what was seen of it before and now."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Seen:
    """Size and modification time of a file at one look (``at_s``: a monotonic clock)."""

    size: int
    mtime_ns: int
    at_s: float


def settled(before: Seen | None, now: Seen, quiet_s: float) -> bool:
    """Whether the file is complete: not empty, and unchanged in size and time for at least ``quiet_s`` seconds.

    Survives slow copies, copies that pre-allocate the size (their time still moves) and files that grow
    again. A file that was renamed into place settles after one quiet period.
    """
    if before is None or now.size == 0:
        return False
    unchanged = before.size == now.size and before.mtime_ns == now.mtime_ns
    return unchanged and now.at_s - before.at_s >= quiet_s
