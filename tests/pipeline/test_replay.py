"""Archived scans anew under a changed recipe: what is compared, what is missing, what is written and what is not."""

import csv
import json
import shutil
import uuid
from dataclasses import replace

import pytest

from runner.cli import app as cli
from runner.ledger.chain import EntryKind
from runner.ledger.errors import LedgerError
from runner.ledger.store import Ledger
from runner.pipeline.documents import write_evidence
from runner.pipeline.identity import Identity
from runner.pipeline.inspect import inspect, set_hash
from runner.pipeline.plan import load_plan
from runner.pipeline.replay import Choice, Signature, replay
from runner.records import Outcome, Verdict
from tests.pipeline.conftest import ENTRIES, RECIPE, scan_of, write_block

SIGNED = Signature("quality engineer 1", "limits of revision B")


def run(*arguments):
    with pytest.raises(SystemExit) as ended:
        cli.main([str(a) for a in arguments])
    return ended.value.code


@pytest.fixture(scope="module")
def lab(bench, tmp_path_factory):
    """Three measured pieces: good, bore too large, and one whose scan was thrown away."""
    folder = tmp_path_factory.mktemp("lab")
    archive, out = folder / "measured", folder / "out"
    archive.mkdir()
    large = write_block(folder / "large.step", bore_diameter=16.08)
    scans = {"1": bench.scan, "2": scan_of(large, folder / "TB-7_2.ply")}
    with Ledger.open(out / "ledger.db") as ledger:
        for serial, scan in scans.items():
            # filed under another name than it was measured under: the hash is what counts
            filed = archive / f"TB-7_{serial}.2.ply"
            shutil.copy(scan, filed)
            filed.with_name(filed.name + ".entries.yaml").write_text(ENTRIES)
            inspected = inspect(bench.plan, [filed], Identity(serial, "L", "op", "bench 1"))
            inspection = write_evidence(inspected, bench.plan, out)
            ledger.record(inspection)
        file = replace(inspection.scans[0], name="TB-7_3.ply", sha256="3" * 64)
        source = replace(inspection.provenance, scan_set_sha256="4" * 64)
        ledger.record(replace(inspection, id="5" * 32, serial="3", scans=(file,), provenance=source))
        outcomes = [a.inspection.outcome for a in ledger.inspections()]
    assert outcomes == [Outcome.ACCEPT, Outcome.REJECT, Outcome.REJECT]
    (archive / "TB-7_4.ply").write_bytes(b"ply of nobody")
    (archive / ".TB-7_5.ply").write_bytes(b"hidden")
    (archive / "TB-7_6.ply").symlink_to(archive / "TB-7_1.2.ply")
    changed = RECIPE.replace("limits: 16 ±0.05", "limits: 16.08 ±0.05").replace('"3": {position', '"5": {position')
    wider = bench.folder / "wider.yaml"
    wider.write_text(changed)
    return folder, wider, load_plan(wider)


@pytest.fixture(scope="module")
def measured_once():
    """Results of real measurements, by recipe and scan set: each is made once for all tests of this file."""
    return {}


@pytest.fixture
def copy(lab, measured_once, tmp_path, monkeypatch):
    """The ledger and the archive, to be changed."""

    def measure(plan, paths, identity, **options):
        key = plan.fingerprint, set_hash(paths)
        if key not in measured_once:
            measured_once[key] = inspect(plan, paths, identity, **options)
        found = measured_once[key]
        return replace(found, inspection=replace(found.inspection, id=uuid.uuid4().hex))

    monkeypatch.setattr("runner.pipeline.replay.inspect", measure)
    folder, _, plan = lab
    shutil.copytree(folder / "out", tmp_path / "out")
    shutil.copytree(folder / "measured", tmp_path / "measured", symlinks=True)
    with Ledger.open(tmp_path / "out" / "ledger.db") as ledger:
        yield tmp_path, plan, ledger


def by_id(replayed):
    return {change.id: change for change in replayed.changes}


def test_what_changed_is_said_characteristic_by_characteristic(copy):
    folder, plan, ledger = copy
    head = ledger.head_hash()
    files = sorted(p.name for p in (folder / "out").rglob("*"))
    done, strangers = replay(plan, ledger, [folder / "measured"], folder / "out")
    assert [r.old.serial for r in done] == ["1", "2", "3"]
    good, large, gone = done

    bore = by_id(large)["2"]
    assert (bore.before.verdict, bore.after.verdict) == (Verdict.DOES_NOT_CONFORM, Verdict.CONFORMS)
    assert bore.flips and bore.requirement_changed and bore.difference == 0.0, "the same bytes, the same value"
    assert bore.after.value == pytest.approx(16.08, abs=0.005)
    bore = by_id(good)["2"]
    assert bore.flips and bore.difference == 0.0
    assert bore.sentence.startswith("2: conforms -> does not conform, 1") and "16.08 ±0.05" in bore.sentence
    assert by_id(good)["1"].what == "same"
    assert by_id(good)["3"].what == "no longer in the recipe" and by_id(good)["5"].what == "new in the recipe"
    assert by_id(good)["4"].what == "same", "the entries of other gauges were found beside the scan"
    assert good.outcome_flips and good.old.outcome is Outcome.ACCEPT and good.new.outcome is Outcome.REJECT
    assert large.outcome_flips and large.new.outcome is Outcome.ACCEPT

    assert gone.new is None and "1 of 1 scans not found" in gone.trouble
    assert gone.missing[0].startswith("TB-7_3.ply (SHA-256 ") and not gone.changes
    assert [path.name for path in strangers] == ["TB-7_4.ply"]
    assert ledger.head_hash() == head, "nothing is written until told to"
    assert sorted(p.name for p in (folder / "out").rglob("*")) == files


def test_a_scope_is_by_folder_serial_and_lot(copy):
    folder, plan, ledger = copy
    (folder / "measured" / "TB-7_1.2.ply").unlink()
    (folder / "measured" / "TB-7_2.2.ply").unlink()

    def serials(**choice):
        done, _ = replay(plan, ledger, [folder / "measured"], folder / "out", choice=Choice(**choice))
        return [r.old.serial for r in done]

    assert serials() == ["1", "2", "3"]
    assert serials(found_only=True) == []
    assert serials(serial="2") == ["2"] and serials(serial="2", lot="K") == []


def test_other_entries_beside_the_scan_are_not_compared(copy):
    folder, plan, ledger = copy
    (folder / "measured" / "TB-7_1.2.ply.entries.yaml").write_text(ENTRIES.replace("pass", "fail"))
    done, _ = replay(plan, ledger, [folder / "measured"], folder / "out", choice=Choice(serial="1"))
    assert done[0].new is None and "other gauges" in done[0].trouble


def test_a_commit_adds_and_never_lifts_a_reject(copy):
    folder, plan, ledger = copy
    before = {a.inspection.id: a.inspection for a in ledger.inspections()}
    done, _ = replay(plan, ledger, [folder / "measured"], folder / "out", signature=SIGNED)
    assert [r.committed for r in done] == [4, 6, None]
    assert [e.kind for e in ledger.entries()][3:] == [EntryKind.INSPECTION, EntryKind.REPLAY] * 2
    after = {a.inspection.id: a.inspection for a in ledger.inspections()}
    assert {key: after[key] for key in before} == before
    standing = {p.serial: (p.standing.number, p.standing.inspection.outcome) for p in ledger.standing("TB-7")}
    assert standing["1"] == (2, Outcome.REJECT), "a later reject replaces an accept"
    assert standing["2"] == (1, Outcome.REJECT), "a reject waits for a person"
    (note,) = next(a for a in ledger.inspections(serial="2") if a.number == 1).notes
    assert "reject -> accept" in note and note.endswith("limits of revision B (quality engineer 1)")
    new = done[1].new
    assert (folder / "out" / new.picture).is_file()
    assert json.loads(next((folder / "out").rglob(f"2-{new.id[:8]}.json")).read_text())["id"] == new.id
    recorded = ledger.attempt(new.id).inspection
    assert recorded.features and recorded.provenance.recipe_text == plan.text, "whole, as any other inspection"
    assert ledger.verify().ok

    head = ledger.head_hash()
    again, _ = replay(plan, ledger, [folder / "measured"], folder / "out", signature=SIGNED)
    assert [r.committed for r in again] == [None, None, None] and ledger.head_hash() == head, "never twice"
    ledger.decide(new.id, "counts", reason="re-measured: recipe corrected", person="quality engineer 1")
    assert next(p for p in ledger.standing("TB-7") if p.serial == "2").standing.inspection.id == new.id


def test_a_replay_that_fails_half_way_leaves_nothing(copy, monkeypatch):
    folder, plan, ledger = copy
    head = ledger.head_hash()
    monkeypatch.setattr("runner.ledger.store.subject_row", lambda *a: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        replay(plan, ledger, [folder / "measured"], folder / "out", signature=SIGNED)
    assert ledger.head_hash() == head
    with pytest.raises(LedgerError, match="needs a reason and a person"):
        replay(plan, ledger, [folder / "measured"], folder / "out", signature=Signature("p", " "))
    assert ledger.head_hash() == head


def test_the_command_reports_in_three_forms(copy, lab, capsys):
    folder, _, ledger = copy
    report, table = folder / "r.json", folder / "r.csv"
    options = ("--scans", folder / "measured", "--from-ledger", "--out", folder / "out", "--quiet")
    assert run("replay", lab[1], *options, "--json", report, "--csv", table) == cli.HOLD
    printed = capsys.readouterr().out
    assert "2 of 3 inspections measured anew" in printed and "OUTCOME FLIPS: accept -> reject" in printed
    assert "NOT replayed: TB-7 3" in printed and "TB-7_3.ply (SHA-256" in printed.replace("\n", " ")

    document = json.loads(report.read_text())
    good, _, gone = document["inspections"]
    assert good["old_outcome"] == "accept" and good["new_outcome"] == "reject" and good["outcome_flips"]
    assert gone["new_inspection"] is None and gone["missing_scans"] and gone["characteristics"] == []
    totals = {c["id"]: c for c in document["characteristics"]}
    assert totals["2"]["compared"] == 2 and totals["2"]["mean_difference"] == 0.0
    assert totals["2"]["flips"] == [
        {"old": "conforms", "new": "does not conform", "count": 1},
        {"old": "does not conform", "new": "conforms", "count": 1},
    ]
    assert document["files not in the ledger"] == [str(folder / "measured" / "TB-7_4.ply")]
    with table.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 5 + 5 + 1 and rows[-1]["not replayed because"].startswith("1 of 1 scans not found")
    assert ledger.verify().entries == 3
    assert run("replay", lab[1], *options, "--commit", "--person", "q", "--reason", " ") == cli.USAGE
    assert run("replay", lab[1], *options, "--commit", "--person", "q", "--reason", "r") == cli.HOLD
    printed = capsys.readouterr().out
    assert "2 new inspections recorded, 1 not" in printed and "stands until: runner decide" in printed
    assert "This recipe is not released" in printed
    assert (folder / "out" / "TB-7.xlsx").is_file() and ledger.verify().entries == 7
