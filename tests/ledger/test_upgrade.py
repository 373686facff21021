"""A ledger written by an earlier version: ``old/`` holds what that version itself wrote, as SQL, never made anew."""

import sqlite3
from pathlib import Path

import pytest

from runner.ledger.chain import EntryKind
from runner.ledger.schema import VERSION
from runner.ledger.store import Ledger
from tests.ledger.test_safety import columns_of
from tests.report.samples import make_inspection

OLD = Path(__file__).parent / "old"
HEADS = {"schema-0002": "d6b82b4a0b7840bf4ee4434f8006a5736832a6c25bdf11ec3352522f48505cd0"}
"""Head hash of each, noted when it was written."""


@pytest.fixture(params=sorted(HEADS))
def old(request, tmp_path):
    path = tmp_path / "ledger.sqlite"
    connection = sqlite3.connect(path)
    connection.executescript((OLD / f"{request.param}.sql").read_text(encoding="utf-8"))
    connection.close()
    return path, HEADS[request.param]


def test_an_older_file_is_upgraded_and_loses_nothing(old, tmp_path):
    path, head = old
    with Ledger.open(path) as ledger:
        found = ledger.verify(head)
        assert found.ok and found.entries == 10 and found.head_hash == head
        assert {entry.kind for entry in ledger.entries()} == set(EntryKind)
        pieces = {piece.serial: piece for piece in ledger.standing("PB-220")}
        assert pieces["0101"].standing.number == 2
        assert pieces["0102"].standing.notes[0].startswith("recorded under serial '0110'")
        assert pieces["0104"].standing is None
        assert pieces["0101"].standing.release_note == "recipe released only after this was measured"
        ledger.record(make_inspection("new", minute=5))
        assert ledger.inspections(serial="new")[0].release == "released" and ledger.verify().ok
    new = tmp_path / "new.sqlite"
    Ledger.open(new).close()
    assert columns_of(path) == columns_of(new)
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT version_num FROM alembic_version").fetchone() == (VERSION,)
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute("DELETE FROM entry_subjects")
    connection.close()


def test_every_schema_before_this_one_has_its_file():
    """The next migration has to bring a file that the version before it wrote."""
    numbers = {f"schema-{number:04d}" for number in range(2, int(VERSION))}
    assert numbers == set(HEADS) == {path.stem for path in OLD.glob("*.sql")}
