"""Which files are scans, and moves that lose and overwrite nothing."""

import os
from pathlib import Path

import pytest

from runner.intake import moves
from runner.intake.folders import LONGEST_BYTES, PIECE_SUFFIX, REASON_SUFFIX, free_names, listing, waiting
from runner.intake.moves import move_new, same_file


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


def test_what_is_no_scan_is_named_and_what_is_on_its_way_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a.ply", "a.ply.part", "b.ply.tmp", "Thumbs.db", ".c.ply.Xy12", f"lost.ply{PIECE_SUFFIX}"):
        (tmp_path / name).write_text("x")
    (tmp_path / "link.ply").symlink_to(tmp_path / "a.ply")
    os.mkfifo(tmp_path / "pipe.ply")
    (tmp_path / "folder\n<b>").mkdir()
    found = listing(tmp_path)
    assert [p.name for p in found.scans] == ["a.ply"]
    assert len(found.passed_over) == 3
    monkeypatch.setattr("runner.intake.folders.FORGOTTEN_S", -1.0)
    found = listing(tmp_path)
    said = "\n".join(found.passed_over)
    assert "link.ply in" in said and "a pipe" in said and "folder\\x0a<b>" in said
    assert "lost.ply.piece.yaml" in said and "which is not there" in said
    assert "a.ply.part in" in said and "b.ply.tmp in" in said and "Thumbs" not in said
    assert len(found.passed_over) == 6


@pytest.fixture(params=["one step", "two names", "look and rename"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """The three ways in which a system may let us move: each is what some file system leaves."""
    if request.param != "one step":
        monkeypatch.setattr(moves, "rename_exclusive", lambda source, target: False)
    if request.param == "look and rename":
        monkeypatch.setattr(moves, "link_exclusive", lambda source, target: False)
    return str(request.param)


def test_a_move_never_overwrites(tmp_path: Path, way: str) -> None:
    (tmp_path / "a").write_text("first")
    (tmp_path / "b").write_text("second")
    with pytest.raises(FileExistsError):
        move_new(tmp_path / "a", tmp_path / "b")
    assert (tmp_path / "a").read_text() == "first" and (tmp_path / "b").read_text() == "second"
    (tmp_path / "gone").symlink_to(tmp_path / "nowhere")
    with pytest.raises(FileExistsError):
        move_new(tmp_path / "a", tmp_path / "gone")
    move_new(tmp_path / "a", tmp_path / "c")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["b", "c", "gone"]
    with pytest.raises(FileNotFoundError):
        move_new(tmp_path / "a", tmp_path / "d")
    assert not (tmp_path / "d").exists()


def test_a_move_killed_between_two_names_is_recognised_and_finished(tmp_path: Path, way: str) -> None:
    (tmp_path / "a").write_text("x")
    os.link(tmp_path / "a", tmp_path / "b")  # what the second way leaves when it is killed in the middle
    assert same_file(tmp_path / "a", tmp_path / "b")
    if way == "one step":
        return  # leaves no such state
    move_new(tmp_path / "a", tmp_path / "b")
    assert [p.name for p in tmp_path.iterdir()] == ["b"]


def test_free_names_leave_room_and_take_no_name_that_has_something_beside_it(tmp_path: Path) -> None:
    (tmp_path / "scan.ply").write_text("x")
    (tmp_path / f"scan.2.ply{REASON_SUFFIX}").write_text("an old reason")
    assert next(free_names("scan.ply", tmp_path)) == "scan.3.ply"
    for name in ("a" * 251 + ".ply", "\u00e9" * 125 + ".ply", "b" * 255, "c." + "d" * 250):
        found = next(free_names(name, tmp_path))
        (tmp_path / (found + ".entries.yaml")).write_text("x")
        assert len(os.fsencode(found)) <= LONGEST_BYTES - len(".entries.yaml")
    assert next(free_names("a" * 250 + "x.ply", tmp_path)) != next(free_names("a" * 250 + "y.ply", tmp_path))
