"""What only a PostgreSQL server can show; the other tests of this folder run on it too.

python -m tests.ledger.with_server pytest tests/ledger -n 0
"""

import multiprocessing
from itertools import pairwise

import pytest
import sqlalchemy as sa

from runner.ledger import engine as ledger_engine
from runner.ledger.engine import make_engine
from runner.ledger.errors import LedgerError
from runner.ledger.store import Ledger
from tests.ledger.places import NO_SERVER, URL, emptied
from tests.report.samples import make_inspection, small_lot

server_only = pytest.mark.skipif(not URL, reason=NO_SERVER)


@pytest.fixture
def ledger():
    with Ledger.open(emptied(URL)) as opened:
        yield opened


@server_only
@pytest.mark.parametrize("role", ["origin", "replica"])
@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE events SET text = 'x'",
        "DELETE FROM events WHERE sequence = 2",
        "DELETE FROM inspections",
        "UPDATE inspection_scans SET sha256 = 'x'",
        "UPDATE entry_subjects SET about = 'x'",
        "DELETE FROM entry_subjects",
        "TRUNCATE inspection_scans",
        "TRUNCATE events CASCADE",
        "INSERT INTO events SELECT 99, kind, created_utc, text, previous_hash, hash FROM events WHERE sequence = 1",
        "INSERT INTO events SELECT * FROM events ON CONFLICT (sequence) DO UPDATE SET text = 'x'",
        "INSERT INTO inspections SELECT * FROM inspections ON CONFLICT (sequence) DO UPDATE SET outcome = 'accept'",
    ],
)
def test_the_server_refuses_changes(ledger, statement, role):
    """Also for the role of a replication process, which ordinary triggers do not see."""
    bad = make_inspection("1", diameter=12.2)
    ledger.record(bad)
    ledger.decide(bad.id, "scrap", reason="r", person="p")
    engine = sa.create_engine(URL)
    with pytest.raises(sa.exc.IntegrityError), engine.begin() as connection:
        connection.execute(sa.text(f"SET LOCAL session_replication_role = {role}"))
        connection.execute(sa.text(statement))
    engine.dispose()
    assert ledger.verify().ok and ledger.verify().entries == 2


def write_many(url: str, name: str, count: int, start) -> None:
    start.wait(60)
    with Ledger.open(url) as ledger:
        for number in range(count):
            inspection = make_inspection(f"{name}-{number:03d}", diameter=12.2 if number % 5 == 0 else 12.05)
            ledger.record(inspection)
            if number % 5 == 0:
                ledger.decide(inspection.id, "rework", reason="r", person="p")


@server_only
def test_two_processes_appending_at_once_keep_the_chain_whole():
    """Both also race to create the tables."""
    emptied(URL)
    count = 150
    spawn = multiprocessing.get_context("spawn")
    start = spawn.Barrier(2)
    workers = [spawn.Process(target=write_many, args=(URL, name, count, start)) for name in "ab"]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(120)
    assert [worker.exitcode for worker in workers] == [0, 0]
    with Ledger.open(URL) as ledger:
        verification = ledger.verify()
        assert verification.ok, verification.problems
        assert verification.entries == 2 * (count + count // 5)
        turns = [i.inspection.serial[0] for i in ledger.attempts()]
    switches = sum(one != other for one, other in pairwise(turns))
    assert switches > 10, "the two did not write at the same time"


@server_only
def test_a_station_that_may_only_select_and_insert_can_work_and_change_nothing(ledger):
    """As the README advises: the owner makes the tables, stations log in as somebody else."""
    owner = sa.create_engine(URL)
    with owner.begin() as connection:
        connection.execute(sa.text("DROP ROLE IF EXISTS station"))
        connection.execute(sa.text("CREATE ROLE station LOGIN"))
        connection.execute(sa.text("GRANT USAGE ON SCHEMA public TO station"))
        connection.execute(sa.text("GRANT SELECT, INSERT ON ALL TABLES IN SCHEMA public TO station"))
    owner.dispose()
    as_station = sa.make_url(URL).set(username="station").render_as_string(hide_password=False)
    with Ledger.open(as_station) as station:
        bad = make_inspection("1", diameter=12.2)
        station.record(bad)
        station.decide(bad.id, "rework", reason="r", person="p")
        assert station.verify().ok
    engine = sa.create_engine(as_station)
    for statement in (
        "ALTER TABLE events DISABLE TRIGGER ALL",
        "DROP TRIGGER events_no_change ON events",
        "DROP TABLE entry_subjects",
        "TRUNCATE entry_subjects",
        "DELETE FROM entry_subjects",
        "UPDATE events SET text = 'x'",
        "SET session_replication_role = replica",
    ):
        with pytest.raises(sa.exc.ProgrammingError, match=r"must be owner|permission denied"), engine.begin() as c:
            c.execute(sa.text(statement))
    engine.dispose()


@server_only
def test_a_lock_that_is_never_released_is_explained(ledger, monkeypatch):
    monkeypatch.setattr(ledger_engine, "BUSY_TIMEOUT_MS", 100)
    engine = sa.create_engine(URL)
    with engine.begin() as blocker:
        blocker.execute(sa.text(f"SELECT pg_advisory_xact_lock({ledger_engine._CHAIN_LOCK})"))
        with pytest.raises(LedgerError, match="Another program holds the ledger; nothing was written"):
            ledger.record(make_inspection("1"))
    engine.dispose()
    assert ledger.record(make_inspection("1")).sequence == 1


@server_only
def test_a_ledger_lives_through_a_restart_of_its_connections(ledger):
    ledger.record(make_inspection("1"))
    engine = sa.create_engine(URL)
    with engine.begin() as connection:
        connection.execute(
            sa.text("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE pid <> pg_backend_pid()")
        )
    engine.dispose()
    assert ledger.record(make_inspection("2")).sequence == 2


@server_only
def test_a_backup_holds_the_same_chain(ledger, tmp_path):
    for inspection in small_lot():
        ledger.record(inspection)
    ledger.decide(small_lot()[1].id, "rework", reason="r", person="p")
    ledger.backup(tmp_path / "copy.sqlite")
    with Ledger.open(tmp_path / "copy.sqlite") as copy:
        assert copy.verify(ledger.head_hash()).ok and copy.head_hash() == ledger.head_hash()
        assert copy.standing("PB-220") == ledger.standing("PB-220")


def test_an_address_without_a_server_says_what_to_check(tmp_path):
    with pytest.raises(LedgerError, match="Check the address") as caught:
        Ledger.open(f"postgresql://lab:geheim@/lab?host={tmp_path}")
    assert "geheim" not in str(caught.value)


def test_another_kind_of_database_is_refused():
    with pytest.raises(LedgerError, match="begins with postgresql://; not mysql"):
        make_engine("mysql://lab@host/ledger")
