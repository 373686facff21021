"""Append-only, rollback, two writers, tampering, schema."""

import multiprocessing
import sqlite3
from pathlib import Path, PurePosixPath

import pytest
import sqlalchemy as sa

from runner.ledger import schema, store
from runner.ledger.engine import make_engine, reading, writing
from runner.ledger.errors import LedgerError
from runner.ledger.migrate import upgrade
from runner.ledger.network import mounted_as, network_file_system
from runner.ledger.store import Ledger
from tests.report.samples import make_inspection, small_lot


@pytest.fixture
def path(tmp_path):
    with Ledger.open(tmp_path / "ledger.sqlite") as ledger:
        for inspection in small_lot():
            ledger.record(inspection)
        ledger.decide(small_lot()[1].id, "rework", reason="r", person="p")
    return tmp_path / "ledger.sqlite"


def raw(path):
    return sqlite3.connect(path, isolation_level=None)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE events SET text = '{}' WHERE sequence = 2",
        "DELETE FROM events WHERE sequence = 6",
        "INSERT OR REPLACE INTO events SELECT sequence, kind, created_utc, '{}', previous_hash, hash FROM events",
        "INSERT OR REPLACE INTO events SELECT 99, kind, created_utc, '{}', 'x', hash FROM events WHERE sequence = 1",
        "UPDATE inspections SET outcome = 'accept'",
        "DELETE FROM inspections",
        "INSERT OR REPLACE INTO inspections SELECT sequence, inspection_id, part_number, serial, lot, "
        "scan_set_sha256, recipe_fingerprint, 'accept' FROM inspections",
        "UPDATE inspection_scans SET sha256 = 'x'",
        "DELETE FROM inspection_scans",
        "UPDATE OR REPLACE events SET sequence = 1 WHERE sequence = 2",
        "INSERT INTO events SELECT * FROM events WHERE true ON CONFLICT DO UPDATE SET text = '{}'",
        "INSERT INTO inspections SELECT * FROM inspections WHERE true ON CONFLICT DO UPDATE SET outcome = 'accept'",
        "REPLACE INTO entry_subjects SELECT sequence, kind, subject, 'x' FROM entry_subjects",
        "UPDATE entry_subjects SET about = 'x'",
        "DELETE FROM entry_subjects",
    ],
)
def test_the_database_itself_refuses_changes(path, statement):
    connection = raw(path)
    with pytest.raises(sqlite3.IntegrityError, match="the ledger is append-only"):
        connection.execute(statement)
    connection.close()
    with Ledger.open(path) as ledger:
        assert ledger.verify().ok and ledger.verify().entries == 7


def without_triggers(path, *statements):
    connection = raw(path)
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        connection.execute(statement)
    connection.close()


@pytest.mark.parametrize(
    ("statement", "problem"),
    [
        ("UPDATE events SET text = replace(text, 'reject', 'accept') WHERE sequence = 2", "entry 2: its content was"),
        ("UPDATE events SET created_utc = '2020-01-01T00:00:00Z' WHERE sequence = 3", "entry 3: its content was"),
        ("DELETE FROM events WHERE sequence = 3", "entry 3 is missing"),
        ("UPDATE inspections SET outcome = 'accept' WHERE sequence = 2", "entry 2: its index row differs"),
        ("DELETE FROM inspections WHERE sequence = 4", "entry 4: its index row differs"),
        ("UPDATE inspection_scans SET sha256 = 'x' WHERE sequence = 1", "entry 1: its index row differs"),
        ("UPDATE events SET hash = 'x' WHERE sequence = 6", "entry 6: its content was changed"),
        ("UPDATE entry_subjects SET about = 'x'", "entry 7: its index row differs"),
        ("DELETE FROM entry_subjects", "entry 7: its index row differs"),
        ("INSERT INTO entry_subjects VALUES (3, 'void', 'inspection', 'x')", "index row 3 belongs to no entry"),
    ],
)
def test_tampering_by_somebody_who_can_drop_triggers_shows(path, statement, problem):
    without_triggers(path, statement)
    with Ledger.open(path) as ledger:
        found = ledger.verify()
    assert not found.ok and any(text.startswith(problem) for text in found.problems), found.problems


def test_a_cut_off_end_shows_against_a_known_head(path):
    with Ledger.open(path) as ledger:
        head = ledger.head_hash()
        assert ledger.verify(head).ok
    without_triggers(
        path,
        "DELETE FROM entry_subjects WHERE sequence = 7",
        "DELETE FROM events WHERE sequence = 7",
    )
    with Ledger.open(path) as ledger:
        assert ledger.verify().ok, "the chain alone can not see it"
        assert "cut off or replaced" in ledger.verify(head).problems[0]


@pytest.mark.parametrize("table", ["inspections", "inspection_scans"])
def test_a_failure_in_the_middle_leaves_nothing(path, monkeypatch, table):
    broken = {"inspections": "index_row", "inspection_scans": "scan_rows"}[table]

    def fail(*_arguments):
        raise RuntimeError("power cut")

    with Ledger.open(path) as ledger:
        head = ledger.head_hash()
        monkeypatch.setattr(store, broken, fail)
        with pytest.raises(RuntimeError, match="power cut"):
            ledger.record(make_inspection("0107"))
        monkeypatch.undo()
        assert ledger.head_hash() == head and ledger.verify().ok
        assert ledger.record(make_inspection("0107")).sequence == 8


def test_the_database_is_set_up_to_survive_a_power_cut(path):
    engine = make_engine(path)
    with reading(engine) as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert connection.exec_driver_sql("PRAGMA busy_timeout").scalar() == 30_000
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
    engine.dispose()


def write_many(path: str, name: str, count: int) -> None:
    with Ledger.open(path) as ledger:
        for number in range(count):
            ledger.record(make_inspection(f"{name}-{number:03d}"))


def test_two_processes_writing_at_once_lose_nothing(tmp_path):
    """Both also race to create the database."""
    path, count = tmp_path / "ledger.sqlite", 200
    spawn = multiprocessing.get_context("spawn")
    workers = [spawn.Process(target=write_many, args=(str(path), name, count)) for name in "ab"]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(120)
    assert [worker.exitcode for worker in workers] == [0, 0]
    with Ledger.open(path) as ledger:
        verification = ledger.verify()
        assert verification.ok and verification.entries == 2 * count
        serials = [piece.serial for piece in ledger.standing("PB-220")]
    assert sorted(serials) == sorted(f"{name}-{number:03d}" for name in "ab" for number in range(count))


def columns_of(path):
    connection = raw(path)
    tables = ("events", "inspections", "inspection_scans", "entry_subjects")
    found = {
        table: [
            (name, kind, bool(needed))
            for _, name, kind, needed, _, _ in connection.execute(f"PRAGMA table_info({table})")
        ]
        for table in tables
    }
    connection.close()
    return found


def test_final_columns(path):
    """Pinned: a change here is a new migration, never an edit of an old one."""
    assert columns_of(path) == {
        "events": [
            ("sequence", "INTEGER", True),
            ("kind", "VARCHAR(24)", True),
            ("created_utc", "VARCHAR(32)", True),
            ("text", "TEXT", True),
            ("previous_hash", "VARCHAR(64)", True),
            ("hash", "VARCHAR(64)", True),
        ],
        "inspections": [
            ("sequence", "INTEGER", True),
            ("inspection_id", "VARCHAR(64)", True),
            ("part_number", "TEXT", True),
            ("serial", "TEXT", True),
            ("lot", "TEXT", True),
            ("scan_set_sha256", "VARCHAR(64)", True),
            ("recipe_fingerprint", "VARCHAR(128)", True),
            ("outcome", "VARCHAR(16)", True),
        ],
        "inspection_scans": [
            ("sequence", "INTEGER", True),
            ("position", "INTEGER", True),
            ("sha256", "VARCHAR(64)", True),
        ],
        "entry_subjects": [
            ("sequence", "INTEGER", True),
            ("kind", "VARCHAR(24)", True),
            ("subject", "VARCHAR(16)", True),
            ("about", "TEXT", True),
        ],
    }


def test_migrations_give_the_tables_that_the_code_uses(path):
    engine = make_engine(path)
    inspector = sa.inspect(engine)
    for table in schema.metadata.sorted_tables:
        built = {c["name"]: (str(c["type"]), c["nullable"]) for c in inspector.get_columns(table.name)}
        meant = {c.name: (str(c.type), bool(c.nullable)) for c in table.columns}
        assert built == meant
        assert {i["name"] for i in inspector.get_indexes(table.name)} == {i.name for i in table.indexes}
    engine.dispose()


def test_an_older_database_is_upgraded_with_its_content(path, tmp_path):
    """A database of step 1 holds the log alone; opening it builds and fills the index."""
    old = tmp_path / "old.sqlite"
    engine = make_engine(old)
    with writing(engine) as connection:
        upgrade(connection, "0001")
    engine.dispose()
    connection = raw(old)
    connection.execute(f"ATTACH '{path}' AS new")
    connection.execute("INSERT INTO events SELECT * FROM new.events")
    assert connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'inspections'").fetchone() == (0,)
    connection.close()
    with Ledger.open(old) as ledger:
        assert ledger.verify().ok and ledger.verify().entries == 7
        assert tuple(a.inspection for a in ledger.inspections("PB-220")) == small_lot()
    assert columns_of(old) == columns_of(path)


def test_an_upgrade_that_fails_leaves_the_old_database(tmp_path, monkeypatch):
    old = tmp_path / "old.sqlite"
    engine = make_engine(old)
    with writing(engine) as connection:
        upgrade(connection, "0001")
        connection.exec_driver_sql(
            "INSERT INTO events VALUES (1, 'inspection', '2026', '{\"id\": 1}', '" + "0" * 64 + "', 'h')"
        )
    with pytest.raises((AttributeError, KeyError, TypeError)), writing(engine) as connection:
        upgrade(connection)
    tables = sa.inspect(engine).get_table_names()
    engine.dispose()
    assert sorted(tables) == ["alembic_version", "events"]


def test_a_newer_database_is_refused(path):
    connection = raw(path)
    connection.execute("UPDATE alembic_version SET version_num = '0999'")
    connection.close()
    with pytest.raises(LedgerError, match=r"schema 0999.*Use the newer version"):
        Ledger.open(path)


MOUNTS = """\
/dev/sda1 / ext4 rw 0 0
server:/export /mnt/lab nfs4 rw 0 0
//server/share /mnt/lab\\040scans cifs rw 0 0
/dev/sdb1 /mnt/lab/local ext4 rw 0 0
"""


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("/home/lab", "ext4"),
        ("/mnt/lab/ledger", "nfs4"),
        ("/mnt/lab", "nfs4"),
        ("/mnt/labor", "ext4"),
        ("/mnt/lab scans/a", "cifs"),
        ("/mnt/lab/local/a", "ext4"),
    ],
)
def test_the_deepest_mount_decides(folder, kind):
    assert mounted_as(PurePosixPath(folder), MOUNTS) == kind


def test_a_network_folder_is_refused_with_a_way_out(tmp_path, monkeypatch):
    assert network_file_system(tmp_path) == "" or network_file_system(Path("/")) != ""
    monkeypatch.setattr("runner.ledger.engine.network_file_system", lambda _folder: "nfs4")
    with pytest.raises(LedgerError, match=r"network share \(nfs4\).*PostgreSQL"):
        Ledger.open(tmp_path / "ledger.sqlite")
    assert not (tmp_path / "ledger.sqlite").exists()
