"""Recording, looking up, attempts, decisions."""

import json
import sqlite3
from dataclasses import replace

import pytest

from runner.ledger.chain import NO_PREVIOUS, EntryKind
from runner.ledger.entries import Release, Replay, ScannerCheck
from runner.ledger.errors import LedgerError, OtherPieceError
from runner.ledger.store import Ledger
from runner.records import Outcome
from runner.records_io import canonical_text, to_json
from tests.report.samples import make_inspection, small_lot

PERSON = {"person": "quality engineer 1"}


def standing(ledger):
    found = {}
    for piece in ledger.standing("PB-220"):
        found[piece.serial] = (piece.standing.number if piece.standing else None, len(piece.attempts))
    return found


def test_records_and_gives_back_the_same(ledger):
    lot = small_lot()
    entries = [ledger.record(inspection) for inspection in lot]
    assert [e.sequence for e in entries] == [1, 2, 3, 4, 5, 6]
    assert tuple(a.inspection for a in ledger.inspections()) == lot
    assert entries[0].previous_hash == NO_PREVIOUS and entries[1].previous_hash == entries[0].hash
    assert ledger.head_hash() == entries[-1].hash
    assert ledger.verify().ok and ledger.verify().entries == 6


def test_survives_closing_and_opening(ledger, place):
    ledger.record(small_lot()[0])
    with Ledger.open(place) as again:
        assert [a.inspection for a in again.inspections()] == [small_lot()[0]]


def test_look_ups(ledger):
    lot = small_lot()
    for inspection in lot:
        ledger.record(inspection)
    first = lot[0]
    assert ledger.find(first.provenance.scan_set_sha256, first.provenance.recipe_fingerprint) == first
    assert ledger.find(first.provenance.scan_set_sha256, "other recipe") is None
    assert ledger.same_scan(first.scans[0].sha256) == [first]
    assert ledger.same_scan("0" * 64) == []
    assert [a.inspection.serial for a in ledger.inspections(part="PB-220", serial="0103")] == ["0103"]
    assert ledger.inspections(part="PB-221") == ()
    assert len(ledger.inspections(lot="L-31")) == 6 and ledger.inspections(lot="L-32") == ()


def test_the_same_inspection_again_is_not_counted_twice(ledger):
    first = make_inspection("0101")
    entry = ledger.record(first)
    assert ledger.record(first) == entry
    assert ledger.record(replace(first, id="another run")) == entry
    assert len(ledger.inspections()) == 1


def test_the_same_bytes_under_another_serial_are_a_new_entry_that_can_be_found(ledger):
    first = make_inspection("0101", scan="bytes")
    second = make_inspection("0102", scan="bytes")
    ledger.record(first)
    ledger.record(second)
    assert [i.serial for i in ledger.same_scan(first.scans[0].sha256)] == ["0101", "0102"]


def test_the_same_bytes_as_another_piece_are_refused_where_that_is_asked(ledger):
    """In the transaction of the commit, so that of two services only one is let."""
    first = make_inspection("0001")
    ledger.record(first, of_one_piece=True)
    others = [replace(first, id="f" * 32, **{field: "other"}) for field in ("serial", "lot", "part_number")]
    for other in others:
        with pytest.raises(OtherPieceError, match="filed as serial '0001'") as caught:
            ledger.record(other, of_one_piece=True)
        assert caught.value.found == first
    assert [a.inspection for a in ledger.inspections()] == [first] and ledger.verify().ok


def test_the_same_bytes_of_the_same_piece_are_let(ledger):
    first = make_inspection("0001")
    entry = ledger.record(first, of_one_piece=True)
    ledger.reidentify(first.id, serial="0002", lot=first.lot, reason="wrong label", **PERSON)
    assert ledger.record(first, of_one_piece=True) == entry, "a commit that is done again after a kill"
    anew = replace(first, id="f" * 32)
    with pytest.raises(OtherPieceError, match="filed as serial '0002'"):
        ledger.record(anew, of_one_piece=True)
    ledger.void(first.id, reason="wrong part", **PERSON)
    assert ledger.record(anew, of_one_piece=True).sequence == 4, "a void inspection holds nothing back"


def test_an_id_can_not_be_taken_twice(ledger):
    ledger.record(make_inspection("0101"))
    with pytest.raises(LedgerError, match="is taken by entry 1"):
        ledger.record(replace(make_inspection("0101"), reason="changed"))


def test_a_reject_stands_until_a_person_decides(ledger):
    bad = make_inspection("0101", diameter=12.2, minute=1)
    good = make_inspection("0101", minute=2)
    ledger.record(bad)
    ledger.record(good)
    assert standing(ledger) == {"0101": (1, 2)}
    ledger.decide(good.id, "counts", reason="re-measured: dirt in the hole", **PERSON)
    assert standing(ledger) == {"0101": (2, 2)}
    attempt = ledger.inspections()[1]
    assert attempt.notes == ("counts: re-measured: dirt in the hole (quality engineer 1)",)


def test_a_later_attempt_replaces_a_hold_and_an_accept(ledger):
    ledger.record(make_inspection("0101", diameter=None, minute=1))
    ledger.record(make_inspection("0101", minute=2))
    assert standing(ledger) == {"0101": (2, 2)}
    ledger.record(make_inspection("0101", diameter=12.2, minute=3))
    assert standing(ledger) == {"0101": (3, 3)}
    ledger.record(make_inspection("0101", minute=4))
    assert standing(ledger) == {"0101": (3, 4)}


def test_a_decision_holds_only_for_what_was_there(ledger):
    bad, good, worse = (make_inspection("0101", diameter=d, minute=m) for m, d in enumerate((12.2, 12.05, 12.3)))
    ledger.record(bad)
    ledger.record(good)
    ledger.decide(good.id, "counts", reason="bad scan", **PERSON)
    ledger.record(worse)
    assert standing(ledger) == {"0101": (3, 3)}, "a new reject after the decision stands again"


def test_a_concession_does_not_change_the_outcome(ledger):
    bad = make_inspection("0101", diameter=12.2)
    ledger.record(bad)
    ledger.decide(bad.id, "concession", reason="no function", reference="C-17", **PERSON)
    (piece,) = ledger.standing("PB-220")
    assert piece.standing.inspection.outcome is Outcome.REJECT
    assert piece.standing.notes == ("concession: no function, C-17 (quality engineer 1)",)


def test_lots_keep_equal_serials_apart(ledger):
    ledger.record(make_inspection("1", lot="A", minute=1))
    ledger.record(make_inspection("1", lot="B", minute=2))
    assert [(p.lot, len(p.attempts)) for p in ledger.standing("PB-220")] == [("A", 1), ("B", 1)]
    assert [p.lot for p in ledger.standing("PB-220", lot="B")] == ["B"]


def test_a_void_inspection_stays_visible_and_may_be_measured_again(ledger):
    first = make_inspection("0101", diameter=12.2)
    ledger.record(first)
    ledger.void(first.id, reason="wrong piece on the table", **PERSON)
    (piece,) = ledger.standing("PB-220")
    assert piece.standing is None and piece.attempts[0].void == "wrong piece on the table (quality engineer 1)"
    assert ledger.find(first.provenance.scan_set_sha256, first.provenance.recipe_fingerprint) is None
    assert ledger.same_scan(first.scans[0].sha256) == []
    ledger.record(replace(first, id="second"))
    assert standing(ledger) == {"0101": (2, 2)}


def test_a_wrong_serial_is_corrected_by_an_entry(ledger):
    first = make_inspection("0101")
    ledger.record(first)
    ledger.reidentify(first.id, serial="0110", lot="L-31", reason="file name typed wrong", **PERSON)
    assert standing(ledger) == {"0110": (1, 1)}
    (attempt,) = ledger.inspections(serial="0110")
    assert attempt.inspection.serial == "0110" and "recorded under serial '0101'" in attempt.notes[0]
    assert ledger.inspections(serial="0101") == ()
    assert ledger.same_scan(first.scans[0].sha256)[0].serial == "0110"
    assert ledger.verify().ok


@pytest.mark.parametrize(("reason", "person"), [("", "p"), ("  ", "p"), ("r", ""), ("r", "\t")])
def test_a_decision_needs_a_reason_and_a_person(ledger, reason, person):
    first = make_inspection("0101")
    ledger.record(first)
    with pytest.raises(LedgerError, match="needs a reason and a person"):
        ledger.decide(first.id, "counts", reason=reason, person=person)
    assert ledger.verify().entries == 1


def test_a_decision_about_nothing_is_refused(ledger):
    with pytest.raises(LedgerError, match="no inspection with the id 'nobody'"):
        ledger.decide("nobody", "counts", reason="bad scan", person="p")
    assert ledger.head_hash() == NO_PREVIOUS


def test_every_kind_of_entry_has_a_place(ledger):
    first = make_inspection("0101")
    ledger.record(first)
    ledger.decide(first.id, "scrap", reason="r", person="p")
    ledger.void(first.id, reason="r", person="p")
    ledger.reidentify(first.id, serial="s", lot="l", reason="r", person="p")
    ledger.append(Release("recipe", "fingerprint", True, "proved on a master part", "p"))
    ledger.append(Release("inspection", first.id, True, "lot released", "p"))
    ledger.append(ScannerCheck("bench 1", "scanner 3", True, "daily", "p", {"sphere distance, mm": 100.002}))
    ledger.append(Replay(first.id, "new fingerprint", "recipe changed", "p", ("1: conforms -> undecided",)))
    assert {e.kind for e in ledger.entries()} == set(EntryKind)
    assert len(list(ledger.entries(EntryKind.RELEASE))) == 2
    assert ledger.verify().ok


@pytest.mark.parametrize(
    "serial", ["=1+1", "../../x", "a\x00b", "a\\0b", "\udcff", "Ω", "'; DROP TABLE events; --", "<b>", ""]
)
def test_hostile_serials_are_data(ledger, serial):
    inspection = make_inspection(serial)
    ledger.record(inspection)
    assert [p.serial for p in ledger.standing("PB-220")] == [serial]
    assert ledger.inspections(serial=serial)[0].inspection == inspection
    assert ledger.verify().ok


def test_backup_is_a_ledger_of_its_own(ledger, tmp_path):
    """Also of a ledger on a server: the copy is a file."""
    for inspection in small_lot():
        ledger.record(inspection)
    copy = tmp_path / "backups" / "copy.sqlite"
    ledger.backup(copy)
    ledger.record(make_inspection("after"))
    with Ledger.open(copy) as opened:
        assert opened.verify().ok and opened.verify().entries == 6
    assert sorted(p.name for p in copy.parent.glob("*")) == ["copy.sqlite"]


def test_export_holds_everything_needed_to_check_the_chain_elsewhere(ledger, tmp_path):
    """The hashes are recomputed here from the export alone, by hand."""
    import hashlib

    for inspection in small_lot():
        ledger.record(inspection)
    ledger.decide(small_lot()[0].id, "rework", reason="r", person="p")
    assert ledger.export_json(tmp_path / "all.json") == 7
    document = json.loads((tmp_path / "all.json").read_text())
    previous = "0" * 64
    for number, entry in enumerate(document["entries"], start=1):
        text = json.dumps(entry["content"], sort_keys=True, separators=(",", ":"))
        line = "\n".join(["1", str(number), entry["kind"], entry["created_utc"], previous, text])
        previous = hashlib.sha256(line.encode()).hexdigest()
        assert previous == entry["hash"]
    assert document["head_hash"] == previous
    assert document["entries"][0]["content"] == json.loads(canonical_text(to_json(small_lot()[0])))


def test_a_damaged_or_foreign_file_is_refused(tmp_path):
    (tmp_path / "text.sqlite").write_text("this is not a database, only text that is long enough" * 50)
    with pytest.raises(LedgerError, match="not a database"):
        Ledger.open(tmp_path / "text.sqlite")
    with sqlite3.connect(tmp_path / "other.sqlite") as other:
        other.execute("CREATE TABLE recipes_for_cake (id INTEGER)")
    other.close()
    with pytest.raises(LedgerError, match="not a ledger: it holds the tables recipes_for_cake"):
        Ledger.open(tmp_path / "other.sqlite")


def test_a_lock_that_is_never_released_is_explained(tmp_path, monkeypatch):
    Ledger.open(tmp_path / "ledger.sqlite").close()
    monkeypatch.setattr("runner.ledger.engine.BUSY_TIMEOUT_MS", 50)
    blocker = sqlite3.connect(tmp_path / "ledger.sqlite", isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    with pytest.raises(LedgerError, match="Another program holds the ledger"):
        Ledger.open(tmp_path / "ledger.sqlite")
    blocker.close()
