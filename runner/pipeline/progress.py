"""How a long computation tells where it is."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, float], None]
"""Called with the step's name and the share of it that is done, 0 to 1."""


def silent(step: str, share: float) -> None:
    """Progress that tells nobody."""
