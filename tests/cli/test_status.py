"""``runner status``: what it prints and how it ends."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from runner.cli.app import HOLD, OK, OWN_FAULT, app
from runner.cli.status import lines
from runner.intake.health import FOLDER, InHand, State, WaitingSet, write_health
from runner.ledger.store import Ledger
from tests.intake.test_health import beat
from tests.report.board_samples import board
from tests.report.samples import small_lot


def utc(seconds_ago=0.0):
    moment = datetime.now(UTC) - timedelta(seconds=seconds_ago)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


@pytest.fixture
def run(tmp_path):
    def run(*more):
        arguments = ["status", "--out", str(tmp_path / "out"), "--scans", str(tmp_path / "scans"), *more]
        result = CliRunner().invoke(app, arguments, standalone_mode=False)
        assert result.exception is None, result.exception
        return result.return_value, result.output

    return run


def write(tmp_path, **more):
    assert write_health(tmp_path / "out" / FOLDER, beat(**{"at": utc(1), "started_utc": utc(99), **more})) == ""


def test_nothing_ran_yet_and_looking_makes_nothing(tmp_path, run):
    status, output = run()
    assert status == OK and "No service has run here yet" in output
    assert list(tmp_path.iterdir()) == []


def test_queue_health_counts_and_tasks(tmp_path, run):
    hand = InHand("PB-220_0107.ply", "PB-220", "0107", utc(65))
    waiting = WaitingSet("PB-221", "3", ("top",), ("bottom",), utc(60), utc(-60))
    write(tmp_path, waiting=7, workers=2, in_hand=(hand,), sets=(waiting,))
    with Ledger.open(tmp_path / "out" / "ledger.db") as ledger:
        for inspection in small_lot():
            ledger.record(inspection)
    status, output = run()
    assert status == OK
    for words in (
        "running", "7 waiting, 1 being measured, 2 workers", "PB-220 0107 (PB-220_0107.ply), for 1 min",
        "waits for bottom", "1 accept, 3 hold, 2 reject", "6 entries", "Scan the pivot hole again",
    ):  # fmt: skip
        assert words in output, words


def test_json_is_one_object_with_the_same(tmp_path, run):
    write(tmp_path, waiting=7, trouble=("a\x1b[2J",))
    status, output = run("--json")
    data = json.loads(output)
    assert status == HOLD and data["waiting"] == 7 and data["stations"][0]["state"] == "running"
    assert data["trouble"] == ["bench 1: a\x1b[2J"] and output.count("\n") == 1 and "\x1b" not in output


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ({}, OK),
        ({"state": State.STOPPED, "at": "2031-05-02T10:00:00Z", "trouble": ("old",)}, OK),
        ({"trouble": ("the disk is full",)}, HOLD),
        ({"at": "2020-05-02T10:00:00Z"}, OWN_FAULT),
        ({"at": "2020-05-02T10:00:00Z", "trouble": ("the disk is full",)}, OWN_FAULT),
    ],
)
def test_exit_status(tmp_path, run, more, expected):
    write(tmp_path, **more)
    status, output = run()
    assert status == expected and ("Trouble:" in output) == (expected != OK)


def test_a_file_that_is_no_ledger_is_trouble_not_a_fault(tmp_path, run):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "ledger.db").write_text("no ledger")
    status, output = run()
    assert status == HOLD and "Trouble: the ledger can't be" in output


def test_names_cannot_reach_the_terminal():
    data = board(stations=(), trouble=("x\x1b]0;owned\x07\u202e",))
    assert not any(set("\x1b\x07\u202e") & set(line) for line in lines(data))
