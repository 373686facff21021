"""Both databases for the same tests: a file, and a server where one is named."""

import pytest

from runner.ledger.store import Ledger
from tests.ledger.places import NO_SERVER, URL, emptied


@pytest.fixture(params=["file", pytest.param("server", marks=pytest.mark.skipif(not URL, reason=NO_SERVER))])
def place(request, tmp_path):
    """Where a new ledger can be: a file path, or an address."""
    return str(tmp_path / "ledger.sqlite") if request.param == "file" else emptied(URL)


@pytest.fixture
def ledger(place):
    """A new ledger whose clock ticks microseconds."""
    ticks = iter(range(10**6))
    with Ledger.open(place, clock=lambda: f"2026-10-05T09:00:00.{next(ticks):06d}Z") as opened:
        yield opened
