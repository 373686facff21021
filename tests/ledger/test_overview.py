"""What board and upkeep ask: the last pieces as they count, today's counts, parts with news; on both databases."""

from dataclasses import replace

import pytest

from runner.ledger.entries import Release
from runner.ledger.overview import changes_after, overview
from runner.ledger.store import Ledger
from runner.records import Outcome
from tests.report.samples import make_inspection, sha

DAY = "2026-10-05T00:00:00.000Z"


class Clock:
    def __init__(self):
        self.second = 0

    def __call__(self):
        self.second += 1
        return f"2026-10-05T{6 + self.second // 3600:02d}:{self.second // 60 % 60:02d}:{self.second % 60:02d}.000Z"


@pytest.fixture
def ledger(place):
    with Ledger.open(place, clock=Clock()) as ledger:
        yield ledger


def of_part(part, one):
    provenance = replace(one.provenance, scan_set_sha256=sha(part + one.id), recipe_fingerprint=sha(part))
    return replace(one, id=sha(part + one.id)[:32], part_number=part, provenance=provenance)


def look(ledger, last=20, day=DAY, hour=DAY):
    return overview(ledger, last=last, day_utc=day, hour_utc=hour)


def test_an_empty_ledger(ledger):
    seen = look(ledger)
    assert (seen.entries, seen.last, seen.since_hour) == (0, (), 0) and set(seen.since_day.values()) == {0}
    assert changes_after(ledger, 0).parts == {} and changes_after(ledger, 0).head == 0


def test_newest_first_with_what_they_say(ledger):
    for number in range(5):
        ledger.record(make_inspection(f"{number:04d}", minute=number))
    ledger.record(make_inspection("0009", minute=9, posed=False))
    seen = look(ledger, last=3)
    assert [one.serial for one in seen.last] == ["0009", "0004", "0003"] and seen.entries == 6
    assert seen.last[0].said.outcome is Outcome.HOLD and "locating slot" in seen.last[0].said.advice
    assert seen.last[1].said.picture == "PB-220/pictures/0004.png" and seen.last[1].standing
    assert seen.head_hash == ledger.head_hash()


def test_an_accept_after_a_reject_waits_until_a_person_decides(ledger):
    ledger.record(make_inspection("0001", minute=1, diameter=12.131))
    again = make_inspection("0001", minute=2)
    ledger.record(again)
    first, second = reversed(look(ledger).last)
    assert (first.standing, first.waits) == (True, False) and (second.standing, second.waits) == (False, True)
    assert (first.number, second.number) == (1, 2)
    assert look(ledger, last=1).last[0].waits, "also where the reject is not among the last ones"
    ledger.decide(again.id, "counts", reason="re-measured after cleaning", person="P. Vane")
    first, second = reversed(look(ledger).last)
    assert (first.standing, first.waits, second.standing, second.waits) == (False, False, True, False)


def test_a_corrected_serial_brings_the_attempts_together(ledger):
    """0001 was rejected; the accept recorded as 0007 was the same piece."""
    ledger.record(make_inspection("0001", minute=1, diameter=12.131))
    for number in range(10, 20):
        ledger.record(make_inspection(f"00{number}", minute=number))
    wrong = make_inspection("0007", minute=30)
    ledger.record(wrong)
    ledger.reidentify(wrong.id, serial="0001", lot="L-31", reason="label misread", person="P. Vane")
    (one,) = look(ledger, last=1).last
    assert (one.serial, one.number, one.waits) == ("0001", 2, True)


def test_void_ones_are_shown_and_not_counted(ledger):
    inspections = [make_inspection(f"{n:04d}", minute=n) for n in range(4)]
    for inspection in inspections:
        ledger.record(inspection)
    ledger.void(inspections[3].id, reason="wrong piece", person="P. Vane")
    seen = look(ledger)
    assert seen.last[0].void == "wrong piece (P. Vane)" and not seen.last[0].waits
    assert seen.since_day == {Outcome.ACCEPT: 3, Outcome.REJECT: 0, Outcome.HOLD: 0} and seen.since_hour == 3


def test_counts_begin_at_their_moments(ledger):
    for number in range(10):
        ledger.record(make_inspection(f"{number:04d}", minute=number))
    seen = look(ledger, day="2026-10-05T06:00:04.000Z", hour="2026-10-05T06:00:09.000Z")
    assert sum(seen.since_day.values()) == 7 and seen.since_hour == 2


def test_changes_name_the_parts_that_entries_are_about(ledger):
    a, b = of_part("A", make_inspection("1")), of_part("B\\\udcff", make_inspection("1"))
    ledger.record(a)
    ledger.record(b)
    assert changes_after(ledger, 0).parts == {"A": 1, "B\\\udcff": 2}
    assert changes_after(ledger, 1).parts == {"B\\\udcff": 2} and changes_after(ledger, 2).parts == {}
    ledger.void(a.id, reason="wrong piece", person="P. Vane")
    assert changes_after(ledger, 2).parts == {"A": 3} and changes_after(ledger, 2).head == 3
    ledger.append(Release("recipe", b.provenance.recipe_fingerprint, True, "first article", "P. Vane"))
    assert changes_after(ledger, 3).parts == {"B\\\udcff": 4}, "a release changes what the workbook says of its parts"
    ledger.append(Release("inspection", a.id, True, "shipped", "P. Vane"))
    assert changes_after(ledger, 4).parts == {"A": 5}


def test_the_cost_does_not_grow_with_the_ledger(ledger):
    """As many statements for ten times as many pieces."""
    from sqlalchemy import event

    def asked():
        statements = []

        def note(connection, cursor, statement, parameters, context, executemany):
            statements.append(statement)

        event.listen(ledger._engine, "before_cursor_execute", note)
        look(ledger, last=6, day="2026-10-06T00:00:00.000Z", hour="2026-10-06T00:00:00.000Z")
        changes_after(ledger, ledger.head().sequence - 1)
        event.remove(ledger._engine, "before_cursor_execute", note)
        return len(statements)

    for number in range(10):
        ledger.record(make_inspection(f"{number:04d}", minute=number % 60))
    few = asked()
    for number in range(10, 100):
        ledger.record(make_inspection(f"{number:04d}", minute=number % 60))
    assert asked() <= few + 1 <= 20, "one more where no text was read before"
