"""The numbered steps of the service: every change of a file or of the database passes through one of them.

A test installs a hook and so gets between any two steps, for instance to kill the process there. In the product the
hook does nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

STEPS = (
    "slot.open",
    "slot.adopt",
    "claim.folder",
    "claim.rename",
    "claim.companion",
    "claim.note",
    "stage.clear",
    "stage.evidence",
    "ledger.commit",
    "evidence.place",
    "evidence.clear",
    "file.note",
    "file.move",
    "file.companion",
    "file.reason",
    "claim.end",
    "health.write",
    "documents.write",
)
"""Every step by name, in the order in which one scan passes them."""

Hook = Callable[[str, str], None]
"""Called with ``before`` or ``after`` and the step's name."""


def _nothing(when: str, name: str) -> None:
    """Let the step pass."""


_hook: Hook = _nothing


def set_hook(hook: Hook | None) -> None:
    """Install a hook for this process; None removes it."""
    global _hook
    _hook = hook or _nothing


@contextmanager
def at(name: str) -> Iterator[None]:
    """Do one step. An error inside passes through, without the call after it."""
    if name not in STEPS:
        raise ValueError(f"{name!r} is not a step of the service")
    _hook("before", name)
    yield
    _hook("after", name)
