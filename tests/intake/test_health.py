"""The heartbeat: whole or not at all, one file per living service, silence judged."""

import json
import os
import socket
import subprocess
import sys
from dataclasses import replace

import pytest

from runner.intake.health import Health, InHand, State, WaitingSet, age_s, read_beats, read_health, silent, write_health


def beat(station="bench 1", *, at="2031-05-02T10:00:00.000Z", **more):
    values = {"host": socket.gethostname(), "pid": os.getpid(), "started_utc": "2031-05-02T09:00:00.000Z"}
    return Health(station, **{**values, "beat_utc": at, "poll_s": 5.0, **more})


def files(folder):
    return sorted(path.name for path in folder.iterdir())


def test_what_is_written_is_read_back_and_nothing_else_is_left(tmp_path):
    health = beat(
        state="stopping",
        waiting=3,
        in_hand=(InHand("a\udcff.ply", "WV-210", "00\u202e47", "2031-05-02T09:59:00Z"),),
        sets=(WaitingSet("WV-315", "H-1", ("top",), ("bottom",), "2031-05-02T09:50:00Z", "2031-05-02T10:20:00Z"),),
        trouble=("the ledger is locked",),
    )
    assert health.state is State.STOPPING
    assert write_health(tmp_path / "service", health) == ""
    assert read_health(tmp_path / "service") == (health,)
    assert files(tmp_path / "service") == ["bench_1.json"]
    assert write_health(tmp_path / "service", health.next("2031-05-02T10:00:05.000Z", waiting=0)) == ""
    assert [h.waiting for h in read_health(tmp_path / "service")] == [0]


def test_a_state_that_is_none_is_refused():
    with pytest.raises(ValueError, match="asleep"):
        beat(state="asleep")


def test_a_station_name_cannot_leave_the_folder(tmp_path):
    folder = tmp_path / "a" / "service"
    assert write_health(folder, beat("../../evil")) == ""
    assert [p.name for p in tmp_path.iterdir()] == ["a"] and len(files(folder)) == 1


def test_two_living_services_of_one_name_have_a_file_each_and_a_dead_one_is_replaced(tmp_path):
    other = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    try:
        first = beat(pid=other.pid, started_utc="2031-05-02T08:00:00Z")
        write_health(tmp_path, first)
        write_health(tmp_path, beat())
        assert files(tmp_path) == ["bench_1.2.json", "bench_1.json"]
        write_health(tmp_path, beat(at="2031-05-02T10:00:05.000Z"))
        assert files(tmp_path) == ["bench_1.2.json", "bench_1.json"], "each keeps its file"
        assert {h.pid for h in read_health(tmp_path)} == {other.pid, os.getpid()}
    finally:
        other.kill()
        other.wait()
    third = beat(started_utc="2031-05-02T10:00:10Z", at="2031-05-02T10:00:10.000Z")
    write_health(tmp_path, third)
    assert files(tmp_path) == ["bench_1.2.json", "bench_1.json"]
    assert third in read_health(tmp_path) and first not in read_health(tmp_path), "takes the dead one's place"


def test_a_killed_service_is_silent_after_three_polls_and_a_stopped_one_never(tmp_path):
    health = beat(poll_s=10.0)
    assert not silent(health, "2031-05-02T10:00:30.000Z") and silent(health, "2031-05-02T10:00:30.001Z")
    assert not silent(beat(poll_s=0.2), "2031-05-02T10:00:14Z"), "a moment of a slow share is not silence"
    assert not silent(replace(health, state=State.STOPPED), "2031-06-02T10:00:00Z")
    assert silent(replace(health, beat_utc="yesterday"), "2031-05-02T10:00:00Z") and age_s(health, "x") is None


def test_what_is_no_heartbeat_is_told(tmp_path):
    write_health(tmp_path, beat())
    good = (tmp_path / "bench_1.json").read_text()
    bad = {
        "a.json": "",
        "b.json": "{" * 100_000,
        "c.json": good.replace('"waiting":0', '"waiting":"0"'),
        "d.json": good.replace('"waiting":0', '"surprise":1,"waiting":0'),
        "e.json": json.dumps([1]),
        "f.json": good.replace('"running"', '"asleep"'),
    }
    for name, text in bad.items():
        (tmp_path / name).write_text(text)
    found, unreadable = read_beats(tmp_path)
    assert found == (beat(),)
    assert len(unreadable) == len(bad) and all(name in text for name, text in zip(bad, unreadable, strict=True))
    assert read_health(tmp_path / "not there") == ()


def test_a_folder_that_cannot_be_written_is_told_not_raised(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    assert "heartbeat" in write_health(tmp_path / "file", beat())

    def full(self, *args, **kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.write_text", full)
    assert "No space left" in write_health(tmp_path, beat())
    assert files(tmp_path) == ["file"], "no half file is left"
