"""Moves between folders lose and overwrite nothing."""

import os
from pathlib import Path

from runner.intake.folders import REASON_SUFFIX, Folders, move_into, waiting, write_reason


def test_waiting_takes_regular_files_only_oldest_first(tmp_path: Path) -> None:
    for age, name in ((30, "old.ply"), (10, "new.ply"), (20, "middle.ply")):
        file = tmp_path / name
        file.write_text("x")
        os.utime(file, (1e9 - age, 1e9 - age))
    (tmp_path / ".hidden").write_text("x")
    (tmp_path / f"a{REASON_SUFFIX}").write_text("x")
    (tmp_path / "folder").mkdir()
    (tmp_path / "link.ply").symlink_to(tmp_path / "old.ply")
    os.mkfifo(tmp_path / "pipe.ply")
    assert [p.name for p in waiting(tmp_path)] == ["old.ply", "middle.ply", "new.ply"]


def test_a_taken_name_is_kept_and_the_newcomer_numbered(tmp_path: Path) -> None:
    folders = Folders(tmp_path)
    folders.make()
    for content in ("first", "second", "third"):
        (folders.incoming / "scan.ply").write_text(content)
        move_into(folders.incoming / "scan.ply", folders.measured)
    assert {p.name: p.read_text() for p in folders.measured.iterdir()} == {
        "scan.ply": "first",
        "scan.2.ply": "second",
        "scan.3.ply": "third",
    }
    assert not list(folders.incoming.iterdir())


def test_a_move_of_a_missing_file_leaves_nothing_behind(tmp_path: Path) -> None:
    folders = Folders(tmp_path)
    folders.make()
    try:
        move_into(folders.incoming / "gone.ply", folders.held)
        raise AssertionError("a missing file can't be moved")
    except FileNotFoundError:
        pass
    assert not list(folders.held.iterdir())


def test_the_reason_stands_beside_the_scan(tmp_path: Path) -> None:
    scan = tmp_path / "a.ply"
    scan.write_text("x")
    write_reason(scan, ["Why: half of it is missing", "What to do: scan again"])
    assert (tmp_path / f"a.ply{REASON_SUFFIX}").read_text() == "Why: half of it is missing\nWhat to do: scan again\n"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.ply", f"a.ply{REASON_SUFFIX}"]
