"""Workbooks written by a process of their own: the same content, and every end of that process is an answer."""

from __future__ import annotations

import signal
import sys
import time
import tracemalloc
from pathlib import Path

import pytest
from openpyxl import load_workbook

from runner.intake import apart
from runner.intake.apart import Apart
from runner.intake.upkeep import Upkeep
from runner.ledger.store import Ledger
from runner.pipeline.documents import workbook_path
from tests.intake.test_workers import lives
from tests.report.samples import make_inspection, small_lot


@pytest.fixture
def place(tmp_path: Path):
    with Ledger.open(tmp_path / "a folder" / "ledger.db") as ledger:
        for inspection in small_lot():
            ledger.record(inspection)
        yield ledger, tmp_path / "out"


def test_the_workbook_is_written_and_shows_the_ledger(place) -> None:
    ledger, out = place
    written = Apart()(ledger, "PB-220", out)
    assert written.complete and written.path == workbook_path("PB-220", out)
    sheets = load_workbook(written.path, read_only=True)
    assert "Parts" in sheets.sheetnames
    assert not [path for path in out.iterdir() if ".tmp" in path.name]


def test_what_goes_wrong_there_is_told_here(place) -> None:
    ledger, out = place
    out.write_text("a file where the folder should be")
    written = Apart()(ledger, "PB-220", out)
    assert not written.complete
    assert "PB-220 can't be written: FileExistsError" in written.reason or "NotADirectoryError" in written.reason


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_a_process_that_is_ended_is_trouble_and_the_next_one_writes(place) -> None:
    ledger, out = place
    write = Apart()
    upkeep = Upkeep(ledger, out, write_book=write)
    upkeep.work()
    until = time.monotonic() + 10.0
    while write._process is None and time.monotonic() < until:
        upkeep.work()
        time.sleep(0.001)
    pid = write._process.pid if write._process is not None else None
    upkeep.leave()
    upkeep._thread.join(10.0)
    assert pid is not None and not lives(pid)
    assert "ended with status -9" in upkeep.trouble()[0]
    again = Upkeep(ledger, out, write_book=write)
    again.finish()
    assert not again.trouble() and workbook_path("PB-220", out).exists()


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_the_workbook_of_a_service_that_is_gone_replaces_nothing(place, monkeypatch: pytest.MonkeyPatch) -> None:
    """A later service may have written a newer one by then."""
    from multiprocessing import Pipe

    ledger, out = place
    path = workbook_path("PB-220", out)
    out.mkdir()
    path.write_text("newer")
    here, there = Pipe()
    here.close()
    monkeypatch.setattr(apart, "die_with", lambda parent: None)  # where the system does not end it
    monkeypatch.setattr(signal, "signal", lambda *a: None)
    apart._write(there, ledger.address, "PB-220", out, 0)
    there.close()
    assert path.read_text() == "newer" and [p.name for p in out.iterdir()] == [path.name]


def test_the_service_takes_no_memory_by_the_number_of_pieces(tmp_path: Path) -> None:
    with Ledger.open(tmp_path / "ledger.db") as ledger:
        for k in range(300):
            ledger.record(make_inspection(f"{k:04d}", minute=k))
        write = Apart()
        assert write(ledger, "PB-220", tmp_path / "out").complete
        tracemalloc.start()
        try:
            assert write(ledger, "PB-220", tmp_path / "out").complete
            _, most = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
    assert most < 300_000, "written in this process, so many pieces take several megabytes"
