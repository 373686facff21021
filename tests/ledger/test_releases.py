"""Whose outcomes are released: the order in the log decides, and withdrawals take nothing back silently."""

from dataclasses import replace

import pytest

from runner.ledger.entries import Release
from runner.ledger.errors import LedgerError
from runner.records import Outcome
from runner.report.tables import part_table
from tests.report.samples import as_pieces, make_inspection

FINGERPRINT = make_inspection("1").provenance.recipe_fingerprint


def release(ledger, approved=True, about=FINGERPRINT, subject="recipe", reason="proved on a master part"):
    return ledger.append(Release(subject, about, approved, reason, "quality engineer 1"))


def words(ledger):
    return [(a.inspection.serial, a.release) for a in ledger.inspections()]


def test_the_place_in_the_log_decides(ledger):
    ledger.record(make_inspection("1", minute=1))
    release(ledger)
    ledger.record(make_inspection("2", minute=2))
    release(ledger, approved=False, reason="datum B was wrong")
    ledger.record(make_inspection("3", minute=3))
    release(ledger)
    ledger.record(make_inspection("4", minute=4))
    assert words(ledger) == [("1", "unreleased"), ("2", "released"), ("3", "unreleased"), ("4", "released")]
    one, two, three, four = ledger.inspections()
    assert one.release_note == "recipe released only after this was measured"
    assert two.release_note == "recipe released 2026-10-05: proved on a master part (quality engineer 1)"
    assert three.release_note.startswith("recipe release withdrawn 2026-10-05: datum B was wrong")
    withdrawn = "after this was measured: recipe release withdrawn 2026-10-05: datum B was wrong (quality engineer 1)"
    assert withdrawn in two.notes and withdrawn in one.notes and not four.notes


def test_a_release_is_of_one_fingerprint(ledger):
    release(ledger)
    other = make_inspection("1")
    ledger.record(replace(other, provenance=replace(other.provenance, recipe_fingerprint="f" * 64)))
    assert words(ledger) == [("1", "unreleased")]
    assert ledger.recipe_state("f" * 64).word == "unreleased" and ledger.recipe_state(FINGERPRINT).word == "released"
    assert [r.release.approved for r in ledger.releases(FINGERPRINT)] == [True] and ledger.releases("f" * 64) == ()


def test_one_outcome_may_be_released_and_that_withdrawn(ledger):
    inspection = make_inspection("1")
    ledger.record(inspection)
    release(ledger, about=inspection.id, subject="inspection", reason="checked by hand")
    (attempt,) = ledger.inspections()
    assert attempt.release_word == "released" and "checked by hand" in attempt.release_note
    release(ledger)
    release(ledger, False, inspection.id, "inspection", "gauge was out of date")
    (attempt,) = ledger.inspections()
    assert attempt.release_word == "unreleased" and len(attempt.notes) == 2


def test_what_the_inspection_says_of_itself_does_not_make_it_released(ledger):
    """The samples call themselves released; without an entry the ledger knows better."""
    inspection = make_inspection("1")
    assert inspection.provenance.recipe_status == "released"
    ledger.record(inspection)
    (piece,) = ledger.standing("PB-220")
    assert piece.standing.release_word == "unreleased"
    assert as_pieces([inspection])[0].standing.release_word == "released", "without a ledger there is nothing else"


def test_a_release_of_something_else_is_refused(ledger):
    with pytest.raises(LedgerError, match="not of 'part'"):
        release(ledger, subject="part")
    with pytest.raises(LedgerError, match="no inspection"):
        release(ledger, about="nobody", subject="inspection")


def test_the_workbook_says_it_in_head_row_and_recipes(ledger, tmp_path):
    from openpyxl import load_workbook

    from runner.report.workbook import write

    ledger.record(make_inspection("1", minute=1))
    release(ledger)
    ledger.record(make_inspection("2", minute=2))
    pieces = ledger.standing("PB-220")
    assert [row.attempt.inspection.outcome for row in part_table(pieces).rows] == [Outcome.ACCEPT] * 2
    write(tmp_path / "book.xlsx", pieces)
    book = load_workbook(tmp_path / "book.xlsx")

    def texts(sheet):
        return [str(cell.value) for row in book[sheet].iter_rows() for cell in row if cell.value is not None]

    parts = texts("Parts")
    assert any("1 UNRELEASED" in text for text in parts)
    assert parts.count("unreleased") == 1 and parts.count("released") == 1
    recipes = texts("Recipes")
    assert "released: recipe released 2026-10-05: proved on a master part (quality engineer 1)" in recipes
    assert "unreleased: recipe released only after this was measured" in recipes
