"""The commands by which people enter something: release, decide, correct, void; and those that look at the ledger."""

import json
import shutil

import pytest

from runner.cli import app as cli
from runner.ledger.store import Ledger
from runner.records import Outcome
from tests.pipeline.conftest import RECIPE, bench  # noqa: F401
from tests.report.samples import make_inspection

SIGNED = ("--person", "quality engineer 1", "--reason", "dirt in the hole")


def run(*arguments):
    with pytest.raises(SystemExit) as ended:
        cli.main([str(argument) for argument in arguments])
    return ended.value.code


@pytest.fixture
def out(tmp_path):
    """A reject, its second attempt, and a piece under a wrong serial."""
    with Ledger.open(tmp_path / "out" / "ledger.db") as ledger:
        ledger.record(BAD)
        ledger.record(GOOD)
        ledger.record(OTHER)
    return tmp_path / "out"


BAD = make_inspection("0101", diameter=12.2, minute=1)
GOOD = make_inspection("0101", minute=2)
OTHER = make_inspection("0110", minute=3)


def standing(out):
    with Ledger.open(out / "ledger.db") as ledger:
        assert ledger.verify().ok
        pieces = ledger.standing("PB-220")
        return {p.serial: p.standing and (p.standing.number, p.standing.inspection.outcome) for p in pieces}


def entries(out):
    with Ledger.open(out / "ledger.db") as ledger:
        return ledger.verify().entries


def test_a_reject_is_replaced_by_a_decision_alone(out, capsys):
    assert standing(out)["0101"] == (1, Outcome.REJECT)
    # six characters of the id are enough
    assert run("decide", GOOD.id[:6], "counts", "--because", "re-measured", *SIGNED, "--out", out) == cli.OK
    assert standing(out)["0101"] == (2, Outcome.ACCEPT)
    assert "PB-220 0101 of lot L-31: attempt 2 of 2 counts: accept, unreleased" in capsys.readouterr().out
    with Ledger.open(out / "ledger.db") as ledger:
        assert ledger.attempt(GOOD.id).notes == ("counts: re-measured: dirt in the hole (quality engineer 1)",)
    assert (out / "PB-220.xlsx").is_file()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("counts", *SIGNED), "counts needs --because"),
        (("counts", "--because", "it looks good", *SIGNED), "'it looks good' is not one of"),
        (("scrap", "--because", "reworked", *SIGNED), "--because is for counts"),
        (("concession", *SIGNED), "a concession needs the number"),
        (("nonconformance", *SIGNED, "--number", " "), "a nonconformance needs the number"),
        (("rework", "--person", "p"), "Missing option '--reason'"),
        (("rework", "--reason", "r"), "Missing option '--person'"),
        (("rework", "--person", " ", "--reason", "r"), "needs a reason and a person"),
        (("counts", "--because", "reworked", "--person", "p", "--reason", " "), "needs a reason and a person"),
        (("accept", *SIGNED), "'accept' is not one of"),
    ],
)
def test_an_unsound_decision_enters_nothing(out, capsys, arguments, told):
    assert run("decide", GOOD.id, *arguments, "--out", out) == cli.USAGE
    assert told in capsys.readouterr().err and entries(out) == 3


def test_numbers_of_other_documents_stand_in_the_notes(out):
    for action, number in (("concession", "C-17"), ("nonconformance", "NCR-4"), ("rework", "")):
        given = ("--number", number) if number else ()
        assert run("decide", BAD.id, action, *given, *SIGNED, "--out", out) == cli.OK
    with Ledger.open(out / "ledger.db") as ledger:
        notes = ledger.attempt(BAD.id).notes
    assert notes == (
        "concession: dirt in the hole, C-17 (quality engineer 1)",
        "nonconformance: dirt in the hole, NCR-4 (quality engineer 1)",
        "rework: dirt in the hole (quality engineer 1)",
    )
    assert standing(out)["0101"] == (1, Outcome.REJECT), "none of them changes the outcome"


def test_correct_moves_an_inspection_to_its_piece(out, capsys):
    assert run("correct", OTHER.id, "--serial", "0101", *SIGNED, "--out", out) == cli.OK
    assert standing(out) == {"0101": (1, Outcome.REJECT)}
    assert "attempt 1 of 3 counts: reject" in capsys.readouterr().out
    assert run("correct", OTHER.id, "--serial", "0101", *SIGNED, "--out", out) == cli.USAGE
    assert run("correct", OTHER.id, "--serial", "", *SIGNED, "--out", out) == cli.USAGE
    assert entries(out) == 4


def test_void_leaves_it_visible(out, capsys):
    assert run("void", BAD.id, *SIGNED, "--out", out) == cli.OK
    assert standing(out)["0101"] == (2, Outcome.ACCEPT)
    assert run("void", BAD.id, *SIGNED, "--out", out) == cli.USAGE
    assert "void already" in capsys.readouterr().err
    assert run("decide", BAD.id, "counts", "--because", "bad scan", *SIGNED, "--out", out) == cli.USAGE
    assert run("ledger", "list", "--ledger", out / "ledger.db", "--serial", "0101") == cli.OK
    listed = capsys.readouterr().out
    assert "attempt 1, void, unreleased" in listed and "attempt 2, counts, unreleased" in listed


@pytest.mark.parametrize("inspection", ["nobody", "", "%", "______", "0"])
def test_an_inspection_has_to_be_named(out, inspection, capsys):
    assert run("void", inspection, *SIGNED, "--out", out) == cli.USAGE
    assert "holds no inspection" in capsys.readouterr().err and entries(out) == 3


def test_a_mistyped_ledger_is_not_made(tmp_path, capsys):
    for command in (("void", "abcdef", *SIGNED), ("ledger", "verify"), ("replay", __file__, "--scans", tmp_path)):
        place = ("--ledger", tmp_path / "x.db")
        assert run(*command, *place) == cli.USAGE
        assert "There is no ledger" in capsys.readouterr().err
    assert not (tmp_path / "x.db").exists()


def test_a_recipe_is_released_withdrawn_and_listed(bench, tmp_path, capsys):  # noqa: F811
    out = tmp_path / "out"
    recipe = shutil.copy(bench.folder / "block.yaml", tmp_path)
    shutil.copy(bench.folder / "block.step", tmp_path)
    here = ("--out", out)
    assert run("release", recipe, *here) == cli.USAGE
    assert "needs --person and --reason" in capsys.readouterr().err
    assert run("release", recipe, *SIGNED, "--withdraw", *here) == cli.USAGE
    assert "not released; nothing was entered" in capsys.readouterr().err
    assert run("release", recipe, *SIGNED, *here) == cli.OK
    assert run("release", recipe, *SIGNED, *here) == cli.USAGE
    assert "released already" in capsys.readouterr().err
    with Ledger.open(out / "ledger.db") as ledger:
        (entry,) = ledger.releases()
        assert entry.release.about == bench.plan.fingerprint and entry.release.recipe_text == RECIPE
        assert entry.release.part_number == "TB-7" and entry.release.nominal_sha256 == bench.plan.nominal.sha256
        assert ledger.recipe_state(bench.plan.fingerprint).word == "released"

    # a remark changes no fingerprint, a limit does
    text = (tmp_path / "block.yaml").read_text()
    (tmp_path / "block.yaml").write_text("# a remark\n" + text)
    assert run("release", recipe, *SIGNED, *here) == cli.USAGE
    (tmp_path / "block.yaml").write_text(text.replace("16 ±0.05", "16 ±0.06"))
    assert run("release", recipe, *SIGNED, *here) == cli.OK
    assert run("release", "--fingerprint", bench.plan.fingerprint[:12], "--withdraw", *SIGNED, *here) == cli.OK
    assert run("release", "--fingerprint", "0123", *SIGNED, *here) == cli.USAGE
    capsys.readouterr()
    assert run("release", "--list", *here) == cli.OK
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 3 and "release withdrawn" in lines[2] and "TB-7 rev A block.yaml" in lines[0]


def test_a_recipe_that_is_not_sound_is_not_released(bench, tmp_path, capsys):  # noqa: F811
    shutil.copy(bench.folder / "block.step", tmp_path)
    recipe = tmp_path / "block.yaml"
    recipe.write_text(RECIPE.replace("[40, 20, 0], axis: +z, diameter: 16", "[20, 20, 0], axis: +z, diameter: 16"))
    assert run("release", recipe, *SIGNED, "--out", tmp_path) == cli.USAGE
    assert "bore" in capsys.readouterr().err and not (tmp_path / "ledger.db").exists()


def test_one_outcome_is_released(out, capsys):
    assert run("release", "--outcome", GOOD.id[:8], *SIGNED, "--out", out) == cli.OK
    with Ledger.open(out / "ledger.db") as ledger:
        assert [a.release for a in ledger.inspections()] == ["unreleased", "released", "unreleased"]
    assert run("release", "--outcome", GOOD.id, "--fingerprint", "x", *SIGNED, "--out", out) == cli.USAGE
    assert run("release", "--outcome", GOOD.id, "--withdraw", *SIGNED, "--out", out) == cli.OK
    assert entries(out) == 5


def test_backup_export_and_verify(out, tmp_path, capsys):
    place = ("--ledger", out / "ledger.db")
    with Ledger.open(out / "ledger.db") as ledger:
        head = ledger.head_hash()
    assert run("ledger", "backup", tmp_path / "b.db", *place) == cli.OK
    assert head in capsys.readouterr().out
    assert run("ledger", "backup", tmp_path / "b.db", *place) == cli.USAGE
    assert run("ledger", "backup", tmp_path / "b.db", "--replace", *place) == cli.OK
    assert run("ledger", "backup", out / "ledger.db", "--replace", *place) == cli.USAGE
    assert run("ledger", "verify", "--ledger", tmp_path / "b.db", "--head", head) == cli.OK
    assert run("ledger", "verify", *place, "--head", "0123" * 16) == cli.HOLD
    assert "cut off or replaced" in capsys.readouterr().err
    assert run("ledger", "export", *place) == cli.USAGE
    files = ("--json", tmp_path / "e.json", "--csv", tmp_path / "e.csv", "--standing")
    assert run("ledger", "export", *place, *files) == cli.OK
    assert len(json.loads((tmp_path / "e.json").read_text())["entries"]) == 3
    # two pieces count, with as many rows as they have results
    rows = (tmp_path / "e.csv").read_text(encoding="utf-8-sig").splitlines()
    assert len(rows) == 1 + len(BAD.results) + len(OTHER.results)


@pytest.mark.parametrize("text", ["\x1b[2J", "[red]x", "a\nb", "\u202e"])
def test_what_is_entered_can_not_steer_the_terminal(out, capsys, text):
    assert run("correct", OTHER.id, "--serial", text, "--person", text, "--reason", text + "x", "--out", out) == cli.OK
    assert run("ledger", "list", "--ledger", out / "ledger.db") == cli.OK
    printed = capsys.readouterr().out
    assert len(printed.splitlines()) == 2 + 3
    assert "\x1b" not in printed and "\u202e" not in printed and (text != "[red]x" or "[red]x" in printed)
