"""What asking costs: the number of statements, counted, must not grow with the ledger."""

from contextlib import contextmanager

import pytest
import sqlalchemy as sa

from runner.ledger.entries import Release, ScannerCheck
from runner.ledger.reading import BATCH
from tests.report.samples import make_inspection


@contextmanager
def statements(ledger):
    """The statements sent meanwhile, each with the number of rows that it gave."""
    sent = []
    sa.event.listen(ledger._engine, "after_cursor_execute", lambda c, cursor, text, *rest: sent.append(text))
    yield sent


def fill(ledger, first, count):
    for number in range(first, first + count):
        inspection = make_inspection(f"{number:04d}", lot=f"L{number % 3}")
        ledger.record(inspection)
        if number % 4 == 0:
            ledger.decide(inspection.id, "rework", reason="r", person="p")
    ledger.append(ScannerCheck("bench 1", "scanner 3", True, "daily", "p", {}))
    ledger.append(Release("recipe", f"other {first}", True, "r", "p"))


def costs(ledger, first):
    known = make_inspection(f"{first:04d}", lot=f"L{first % 3}")
    found = {}
    asked = {
        "record": lambda: ledger.record(make_inspection(f"new {first}")),
        "record again": lambda: ledger.record(known),
        "decide": lambda: ledger.decide(known.id, "rework", reason="r", person="p"),
        "find": lambda: ledger.find(known.provenance.scan_set_sha256, known.provenance.recipe_fingerprint),
        "same scan": lambda: ledger.same_scan(known.scans[0].sha256),
        "serial": lambda: ledger.inspections("PB-220", known.lot, known.serial),
        "attempt": lambda: ledger.attempt(known.id[:8]),
        "release": lambda: ledger.recipe_state(known.provenance.recipe_fingerprint),
        "standing": lambda: ledger.standing("PB-220"),
    }
    for name, ask in asked.items():
        with statements(ledger) as sent:
            ask()
            found[name] = len(sent)
            plans = [text for text in sent if text.lstrip().upper().startswith(("SELECT", "WITH"))]
            assert plans, name
    return found


def test_the_number_of_statements_does_not_grow(ledger):
    fill(ledger, 0, 20)
    few = costs(ledger, 0)
    fill(ledger, 20, BATCH - 60)
    many = costs(ledger, 20)
    assert many == few
    assert max(few.values()) <= 10, few


def test_look_ups_go_by_an_index(tmp_path):
    """SQLite's own account of the plan: no look-up walks through a table."""
    from runner.ledger.store import Ledger

    with Ledger.open(tmp_path / "ledger.sqlite") as ledger:
        fill(ledger, 0, 30)
        known = make_inspection("0004", lot="L1")
        seen = []

        def explain(connection, cursor, text, parameters, context, many):
            if text.lstrip().upper().startswith("SELECT"):
                raw = connection.connection.driver_connection.cursor()
                seen.extend((row[3], text) for row in raw.execute(f"EXPLAIN QUERY PLAN {text}", parameters))

        sa.event.listen(ledger._engine, "before_cursor_execute", explain)
        ledger.record(make_inspection("0031"))
        ledger.record(known)
        ledger.find(known.provenance.scan_set_sha256, known.provenance.recipe_fingerprint)
        ledger.same_scan(known.scans[0].sha256)
        ledger.inspections("PB-220", "L1", "0004")
        ledger.recipe_state(known.provenance.recipe_fingerprint)
    assert len(seen) > 20
    walks = [(plan, text) for plan, text in seen if plan.startswith("SCAN") and not plan.startswith("SCAN (")]
    # the head of the chain is the last row by the key itself: LIMIT 1 stops there
    walks = [w for w in walks if not (w[0] == "SCAN events" and "LIMIT" in w[1])]
    assert not walks, walks


@pytest.mark.parametrize("count", [3 * BATCH // 2])
def test_texts_are_read_in_batches(tmp_path, count):
    from runner.ledger.store import Ledger

    with Ledger.open(tmp_path / "ledger.sqlite") as ledger:
        fill(ledger, 0, count)
        with statements(ledger) as sent:
            assert len(ledger.standing("PB-220")) == count
        assert len([text for text in sent if text.startswith("SELECT")]) <= 3 + -(-count // BATCH)
