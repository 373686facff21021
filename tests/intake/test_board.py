"""Beats and held files as the board shows them."""

import os
from datetime import UTC, datetime

from runner.intake.board import MOST_REFUSED, NOT_MEASURED, board_now, refused_files, station_of
from runner.intake.health import FOLDER, InHand, State, WaitingSet, write_health
from tests.intake.test_health import beat

NOW = datetime(2031, 5, 2, 10, 1, 0, tzinfo=UTC)


def test_a_beat_is_judged_at_the_moment_of_looking():
    living = beat(
        at="2031-05-02T10:00:50.000Z",
        waiting=2,
        workers=4,
        folder="/scans",
        in_hand=(InHand("f", "P", "S", "t"),),
        sets=(WaitingSet("P", "S", ("top",), ("bottom",), "t", "u"),),
    )
    shown = station_of(living, "2031-05-02T10:01:00.000Z")
    assert (shown.state, shown.waiting, shown.workers, shown.folder) == ("running", 2, 4, "/scans")
    assert shown.in_hand[0].file == "f" and shown.sets[0].missing == ("bottom",) and shown.silent_after_s == 15.0
    assert station_of(living, "2031-05-02T10:01:10.000Z").state == "silent"
    assert station_of(beat(state=State.STOPPED), "2031-05-03T00:00:00Z").state == "stopped"


def test_everything_is_shown_without_a_ledger(tmp_path):
    write_health(tmp_path / FOLDER, beat(trouble=("the ledger is locked",)))
    (tmp_path / FOLDER / "rubbish.json").write_text("rubbish")
    data = board_now(None, tmp_path, None, NOW, ("the ledger can't be opened",))
    assert data.dead and data.parts == () and data.entries == 0
    text = "\n".join(data.troubles)
    assert "the ledger is locked" in text and "rubbish.json" in text and "can't be opened" in text
    assert "no sign of life" in text


def test_notes_of_the_documents_are_no_heartbeat(tmp_path):
    write_health(tmp_path / FOLDER, beat(at="2031-05-02T10:00:59.000Z"))
    (tmp_path / FOLDER / "documents.json").write_text('{"through entry": {}}')
    assert board_now(None, tmp_path, None, NOW).troubles == ()


def test_held_files_without_an_inspection_are_tasks(tmp_path):
    def reason(name, *lines):
        (tmp_path / f"{name}.reason.txt").write_text("\n".join(lines), encoding="utf-8")

    reason("a.ply", "Not measured: a.ply", "Why: no recipe's file name pattern fits", "What to do: Rename the file.")
    reason("b.ply", "Part P, serial 1: on hold.", "Why: not measured: 3", "What to do: Scan again.")
    reason("c.ply", "Not measured: c.ply")
    (tmp_path / "d.reason.txt").symlink_to(tmp_path / "a.ply.reason.txt")
    (tmp_path / "e.reason.txt").mkdir()
    (tmp_path / "f.reason.txt").write_bytes(b"Not measured: \xff\xfe\n" + b"x" * 1_000_000)
    os.utime(tmp_path / "a.ply.reason.txt", (2e9, 2e9))
    tasks = {task.title: task for task in refused_files(tmp_path)}
    assert set(tasks) == {"a.ply", "c.ply", "f"}
    assert tasks["a.ply"].what_to_do == "Rename the file." and "pattern fits" in tasks["a.ply"].why
    assert tasks["c.ply"].why == "no reason is given" and refused_files(tmp_path)[0].title == "a.ply"
    assert refused_files(tmp_path / "not there") == []


def test_refused_files_are_found_behind_any_number_of_measured_ones(tmp_path):
    """Held scans with an inspection, all of them newer, must not hide those that wait for a person."""
    for k in range(MOST_REFUSED + 5):
        (tmp_path / f"old{k:03}.ply.reason.txt").write_text(f"{NOT_MEASURED}old{k:03}.ply\nWhy: no recipe\n")
        os.utime(tmp_path / f"old{k:03}.ply.reason.txt", (1000 + k, 1000 + k))
    for k in range(5 * MOST_REFUSED):
        (tmp_path / f"new{k:03}.ply.reason.txt").write_text("Held: 3 characteristics out of tolerance\n")
    tasks = refused_files(tmp_path)
    assert [task.title for task in tasks] == [f"old{k:03}.ply" for k in range(MOST_REFUSED + 4, 4, -1)]
