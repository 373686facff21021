"""Documents follow the ledger: after scans, after people's entries, after a kill, and not through a locked file."""

import json
import os
import threading
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from openpyxl import load_workbook

from runner.intake.upkeep import Upkeep
from runner.ledger.errors import LedgerError
from runner.ledger.store import Ledger
from runner.pipeline.documents import workbook_path, write_workbook
from runner.report import atomic
from tests.report.samples import make_inspection, sha, small_lot

NOON = datetime(2026, 10, 5, 12, 0, tzinfo=UTC)


class Clock:
    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


class Books:
    """Counts the writings; may be locked."""

    def __init__(self, clock, cost=0.0):
        self.clock, self.cost, self.written, self.locked = clock, cost, [], None

    def __call__(self, ledger, part, out):
        self.clock.now += self.cost
        self.written.append(part)
        if self.locked == "raises":
            raise PermissionError(13, "Permission denied")
        path = workbook_path(part, out)
        if self.locked:
            return atomic.Written(path, False, f"{path.name} is open in another program")
        path.write_text(str(len(ledger.standing(part))))
        return atomic.Written(path, True)


@pytest.fixture
def place(tmp_path):
    with Ledger.open(tmp_path / "out" / "ledger.db") as ledger:
        yield ledger, tmp_path / "out"


def make(place, clock, book, **more):
    ledger, out = place
    return Upkeep(ledger, out, clock, background=False, write_book=book, wall=lambda: NOON, **more)


def of_part(part, serial, minute=0):
    one = make_inspection(serial, minute=minute)
    provenance = replace(one.provenance, scan_set_sha256=sha(part + serial + str(minute)))
    return replace(one, id=sha(part + one.id)[:32], part_number=part, provenance=provenance)


def run(upkeep, clock, seconds, *, idle=False):
    for _ in range(int(seconds)):
        clock.now += 1.0
        upkeep.work(idle=idle)


def test_the_real_workbook_and_board_are_written(place):
    ledger, out = place
    upkeep = Upkeep(ledger, out, background=False)
    for inspection in small_lot():
        ledger.record(inspection)
        upkeep.touched(inspection.part_number)
    upkeep.finish()
    assert upkeep.trouble() == ()
    assert load_workbook(out / "PB-220.xlsx")["Parts"].max_row == 15
    page = (out / "board.html").read_text()
    assert "0106" in page and "Scan the pivot hole again" in page
    assert json.loads((out / "service" / "documents.json").read_text()) == {"through entry": {"PB-220": 6}}
    assert not [path for path in out.rglob("*") if "tmp" in path.name or "pending" in path.name]


def test_many_rows_are_written_in_few_books(place):
    ledger, _ = place
    clock = Clock()
    book = Books(clock, cost=5.0)
    upkeep = make(place, clock, book)
    for number in range(60):
        ledger.record(make_inspection(f"{number:04d}", minute=number % 60))
        upkeep.touched("PB-220")
        run(upkeep, clock, 1)
    assert 1 <= len(book.written) <= 3, "every second a row, five seconds a book"
    upkeep.finish()
    assert workbook_path("PB-220", place[1]).read_text() == "60"


def test_entries_that_nobody_announced_are_seen(place):
    """A decision by a person, or a row by another service."""
    ledger, _ = place
    clock = Clock()
    book = Books(clock)
    upkeep = make(place, clock, book)
    ledger.record(of_part("A", "1"))
    ledger.record(of_part("B", "1"))
    run(upkeep, clock, 5)
    assert sorted(book.written) == ["A", "B"]
    ledger.void(of_part("B", "1").id, reason="wrong piece", person="P. Vane")
    run(upkeep, clock, 5)
    assert sorted(book.written) == ["A", "B", "B"]
    run(upkeep, clock, 50)
    assert len(book.written) == 3, "and nothing is written without a reason"


def test_what_a_killed_service_left_undone_is_done_by_the_next(place):
    ledger, out = place
    clock = Clock()
    book = Books(clock)
    first = make(place, clock, book)
    ledger.record(of_part("B", "1"))
    ledger.record(of_part("A", "1"))
    first._look(0.0)
    first._book("A")  # killed before B
    second = make(place, clock, book)
    run(second, clock, 5)
    assert book.written == ["A", "B"]
    workbook_path("A", out).unlink()
    run(second, clock, 5)
    assert book.written == ["A", "B", "A"], "a workbook that was deleted is made again"
    (out / "service" / "documents.json").write_text("{not json")
    run(make(place, clock, book), clock, 5)
    assert sorted(book.written[3:]) == ["A", "B"], "a lost note costs one writing each"


def test_a_locked_or_forbidden_workbook_is_told_and_brought_up_to_date_later(place):
    ledger, out = place
    clock = Clock()
    book = Books(clock)
    upkeep = make(place, clock, book)
    ledger.record(of_part("A", "1"))
    ledger.record(of_part("B", "1"))
    for way in (True, "raises"):
        book.locked = way
        ledger.record(of_part("A", "2", minute=1 + (way == "raises")))
        run(upkeep, clock, 10)
        assert len(upkeep.trouble()) >= 1 and any("A" in text for text in upkeep.trouble())
        tries = len(book.written)
        run(upkeep, clock, 60)
        assert len(book.written) - tries <= 8, "not at every poll"
        page = (out / "board.html").read_text()
        assert "Trouble" in page
        book.locked = None
        run(upkeep, clock, 40)
        assert upkeep.trouble() == ()
    assert workbook_path("A", out).read_text() == "2" and workbook_path("B", out).read_text() == "1"


@pytest.mark.skipif(os.name == "nt", reason="renames over open files work on this system")
def test_a_lock_at_the_rename_leaves_the_new_book_beside_the_old(place, monkeypatch):
    """What an open workbook does on Windows, by an injected PermissionError."""
    ledger, out = place
    clock = Clock()
    monkeypatch.setattr(atomic, "WAIT_S", 0.001)
    rename = os.replace

    def locked(source, target):
        if str(target).endswith("PB-220.xlsx"):
            raise PermissionError(13, "locked")
        return rename(source, target)

    def write(ledger, part, out):
        from runner.report.workbook import write as write_file

        return write_file(workbook_path(part, out), ledger.standing(part), rename=locked)

    upkeep = make(place, clock, write)
    ledger.record(make_inspection("0101"))
    run(upkeep, clock, 4)
    assert "open in another program" in upkeep.trouble()[0] and (out / "PB-220.pending.xlsx").exists()
    upkeep._write_book = write_workbook
    run(upkeep, clock, 40)
    assert upkeep.trouble() == () and not (out / "PB-220.pending.xlsx").exists() and (out / "PB-220.xlsx").exists()


def test_work_does_not_wait_for_a_slow_book(place):
    ledger, out = place
    free, begun = threading.Event(), threading.Event()

    def slow(ledger, part, out):
        begun.set()
        assert free.wait(20)
        workbook_path(part, out).write_text("done")
        return atomic.Written(workbook_path(part, out), True)

    clock = Clock()
    upkeep = Upkeep(ledger, out, clock, write_book=slow)
    ledger.record(of_part("A", "1"))
    clock.now = 1.0
    upkeep.work()
    upkeep._thread.join()
    clock.now = 10.0
    upkeep.work()
    assert begun.wait(10)
    for _ in range(3):
        upkeep.work()
        assert upkeep.trouble() == ()
    ledger.record(of_part("A", "2"))
    upkeep.touched("A")
    free.set()
    upkeep.finish()
    assert workbook_path("A", out).read_text() == "done"
    assert json.loads((out / "service" / "documents.json").read_text())["through entry"]["A"] == 2


def test_two_services_do_not_write_the_same_book_twice(place):
    ledger, _ = place
    clock = Clock()
    book = Books(clock)
    both = [make(place, clock, book), make(place, clock, book)]
    ledger.record(of_part("A", "1"))
    for _ in range(10):
        clock.now += 1.0
        for upkeep in both:
            upkeep.work()
    assert book.written == ["A"]


def test_a_ledger_out_of_reach_is_told_and_gone_when_it_is_back(place, monkeypatch):
    ledger, out = place
    clock = Clock()
    upkeep = make(place, clock, Books(clock))
    ledger.record(of_part("A", "1"))

    def away(*args, **kwargs):
        raise LedgerError("ledger.db: disk I/O error")

    with monkeypatch.context() as patch:
        patch.setattr("runner.ledger.overview.reading", away)
        run(upkeep, clock, 8)
        assert any("disk I/O error" in text for text in upkeep.trouble())
        assert "disk I/O error" in (out / "board.html").read_text(), "the board goes on, and says so"
    run(upkeep, clock, 10)
    assert upkeep.trouble() == () and workbook_path("A", out).exists()


def test_leavings_of_killed_writers_are_swept_and_nothing_else(place):
    ledger, out = place
    host = atomic._HOST
    gone = 2**22 + 1  # above the largest process number of Linux
    names = [f".PB-220.{host}.{gone}.tmp.xlsx", f".PB-220.other.{gone}.tmp.xlsx", f".PB-220.{host}.1.tmp.xlsx"]
    for name in [*names, ".hidden", "PB-220.xlsx.tmp"]:
        (out / name).write_text("")
    Upkeep(ledger, out)
    left = sorted(path.name for path in out.iterdir() if not path.name.startswith("ledger"))
    assert left == sorted([*names[1:], ".hidden", "PB-220.xlsx.tmp"])


def test_part_numbers_with_one_safe_name_have_a_workbook_each(place):
    _, out = place
    paths = {workbook_path(part, out) for part in ("A/1", "A_1", "A\\1", "../A_1", "A 1")}
    assert len(paths) == 5 and all(path.parent == out for path in paths)
    assert workbook_path("WV-210", out).name == "WV-210.xlsx"
