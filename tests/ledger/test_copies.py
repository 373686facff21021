"""Backup while others write, and the exports."""

import csv
import json
import threading

import pytest

from runner.ledger.errors import LedgerError
from runner.ledger.store import Ledger
from runner.report.csv_report import CAPTIONS, write_csv
from tests.report.samples import make_inspection, small_lot


def test_backups_while_somebody_writes_are_whole(place, ledger, tmp_path):
    """Each holds a beginning of the chain, never a part of an entry."""
    stop, failures, written = threading.Event(), [], []

    def write():
        try:
            with Ledger.open(place) as own:
                for number in range(400):
                    if stop.is_set():
                        break
                    inspection = make_inspection(f"w{number:03d}")
                    own.record(inspection)
                    own.decide(inspection.id, "rework", reason="r", person="p")
                    written.append(number)
        except Exception as error:
            failures.append(error)

    writer = threading.Thread(target=write)
    writer.start()
    sizes = []
    try:
        while not written:
            stop.wait(0.01)
        for count in range(6):
            target = tmp_path / f"backup-{count}.sqlite"
            ledger.backup(target)
            with Ledger.open(target) as copy:
                found = copy.verify()
                assert found.ok, found.problems
                sizes.append(found.entries)
                assert len(copy.standing("PB-220")) == (found.entries + 1) // 2
            assert ledger.verify(found.head_hash).ok, "the copy is a beginning of the chain"
    finally:
        stop.set()
        writer.join(60)
    assert not failures
    assert sizes == sorted(sizes) and sizes[-1] > sizes[0], "nothing was written meanwhile"
    assert not list(tmp_path.glob(".*")), "no half file stays"


def test_a_backup_never_takes_the_place_of_the_ledger(tmp_path):
    path = tmp_path / "ledger.sqlite"
    with Ledger.open(path) as ledger:
        ledger.record(make_inspection("1"))
        (tmp_path / "alias").symlink_to(path)
        for name in ("ledger.sqlite", "alias"):
            with pytest.raises(LedgerError, match="is the ledger itself"):
                ledger.backup(tmp_path / name)
        assert ledger.verify().ok and ledger.verify().entries == 1


def test_a_backup_that_fails_leaves_the_old_one(ledger, tmp_path, monkeypatch):
    ledger.record(make_inspection("1"))
    target = tmp_path / "copy.sqlite"
    ledger.backup(target)
    before = target.read_bytes()
    ledger.record(make_inspection("2"))

    def no_room(_descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("runner.ledger.export.os.fsync", no_room)
    with pytest.raises(OSError, match="No space left"):
        ledger.backup(target)
    assert target.read_bytes() == before and not list(tmp_path.glob(".*.tmp*"))


def rows_of(path):
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def test_csv_has_one_row_per_characteristic_and_inspection(ledger, tmp_path):
    """Read back by the standard library, value by value."""
    lot = small_lot()
    for inspection in lot:
        ledger.record(inspection)
    ledger.void(lot[1].id, reason="wrong piece", person="p")
    written, count = write_csv(tmp_path / "all.csv", ledger.attempts())
    rows = rows_of(written.path)
    assert tuple(rows[0]) == CAPTIONS
    assert count == len(rows) == sum(len(inspection.results) for inspection in lot)
    expected = [(i, r) for i in lot for r in i.results]
    for row, (inspection, result) in zip(rows, expected, strict=True):
        assert (row["serial"], row["characteristic"]) == (inspection.serial, result.id)
        assert row["verdict"] == result.verdict.value and row["outcome"] == inspection.outcome.value
        for caption, number in (("value", result.value), ("upper limit", result.upper), ("nominal", result.nominal)):
            assert row[caption] == ("" if number is None else repr(number)), "to the last bit"
        assert row["scan SHA-256"] == inspection.scans[0].sha256
        assert row["release"] == "unreleased"
    counts = {row["serial"]: row["counts"] for row in rows}
    assert counts["0101"] == "yes" and counts["0102"] == "void"
    assert [int(row["ledger entry"]) for row in rows] == sorted(int(row["ledger entry"]) for row in rows)


@pytest.mark.parametrize(
    ("serial", "shown"),
    [
        ("=1+1", "'=1+1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("-5+2", "'-5+2"),
        ("\t=1+1", "'␉=1+1"),
        ('a";"b', 'a";"b'),
        ("a\r\nb", "a␍␊b"),
        ("\udcff", "<U+DCFF>"),
        ("0101", "0101"),
    ],
)
def test_csv_makes_hostile_serials_harmless(tmp_path, serial, shown):
    with Ledger.open(tmp_path / "ledger.sqlite") as ledger:
        ledger.record(make_inspection(serial))
        write_csv(tmp_path / "x.csv", ledger.attempts())
    assert {row["serial"] for row in rows_of(tmp_path / "x.csv")} == {shown}
    assert (tmp_path / "x.csv").read_bytes().count(b"\r\n") == 1 + len(make_inspection("1").results)


def test_an_export_goes_from_one_state(ledger, tmp_path):
    for inspection in small_lot():
        ledger.record(inspection)
    assert ledger.export_json(tmp_path / "a.json") == 6
    assert json.loads((tmp_path / "a.json").read_text())["head_hash"] == ledger.head_hash()
