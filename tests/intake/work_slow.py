"""A measuring process that does not get ready."""

from __future__ import annotations

import time

from tests.intake.work import measure

__all__ = ["measure", "prepare"]


def prepare() -> None:
    time.sleep(60)
