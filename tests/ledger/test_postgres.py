"""The same ledger on PostgreSQL. Needs an empty database: RUNNER_TEST_POSTGRES=postgresql+psycopg://user@host/name."""

import os

import pytest
import sqlalchemy as sa

from runner.ledger.errors import LedgerError
from runner.ledger.store import Ledger
from tests.report.samples import make_inspection, small_lot

URL = os.environ.get("RUNNER_TEST_POSTGRES", "")
pytestmark = pytest.mark.skipif(not URL, reason="RUNNER_TEST_POSTGRES names no database server")


@pytest.fixture
def ledger():
    engine = sa.create_engine(URL)
    with engine.begin() as connection:
        connection.execute(sa.text("DROP SCHEMA public CASCADE"))
        connection.execute(sa.text("CREATE SCHEMA public"))
    engine.dispose()
    with Ledger.open(URL) as opened:
        yield opened


def test_records_finds_decides_and_verifies(ledger):
    for inspection in small_lot():
        ledger.record(inspection)
    bad = make_inspection("z\x00\udcff\\0", diameter=12.3, minute=1)
    good = make_inspection("z\x00\udcff\\0", minute=2)
    ledger.record(bad)
    ledger.record(good)
    ledger.decide(good.id, "counts", reason="re-measured", person="p")
    (piece,) = [p for p in ledger.standing("PB-220") if p.serial == bad.serial]
    assert piece.standing.number == 2
    assert ledger.find(good.provenance.scan_set_sha256, good.provenance.recipe_fingerprint) == good
    assert ledger.verify().ok and ledger.verify().entries == 9


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE events SET text = 'x'",
        "DELETE FROM inspections",
        "TRUNCATE inspection_scans",
        "INSERT INTO events SELECT 99, kind, created_utc, text, previous_hash, hash FROM events WHERE sequence = 1",
    ],
)
def test_the_server_refuses_changes(ledger, statement):
    ledger.record(make_inspection("1"))
    engine = sa.create_engine(URL)
    with pytest.raises(sa.exc.IntegrityError), engine.begin() as connection:
        connection.execute(sa.text(statement))
    engine.dispose()
    assert ledger.verify().ok


def test_a_backup_is_the_servers_business(ledger, tmp_path):
    with pytest.raises(LedgerError, match="database server's own dump"):
        ledger.backup(tmp_path / "x")
