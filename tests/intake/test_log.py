"""The log: one line per event whatever is in it, rotated, and never in the way."""

import json
import logging
import math
from enum import StrEnum
from pathlib import Path

from runner.intake.log import KEPT, LONGEST, Log, open_log


class Fault(StrEnum):
    OUT = "out of memory"


def logged(folder):
    return [json.loads(line) for line in (folder / "bench_1.log").read_text("ascii").splitlines()]


def test_one_line_per_event_with_time_station_and_fields(tmp_path):
    log = open_log(tmp_path / "service", "bench 1", clock=lambda: "2031-05-02T10:00:00.000Z")
    log.event("taken", file=Path("a.ply"), size=3, seconds=0.25, set=("top", "bottom"), fault=Fault.OUT, ok=True)
    log.event("held", reason=None, limits={"lower": math.nan, "upper": 10**30})
    log.close()
    first, second = logged(tmp_path / "service")
    assert first == {
        "time": "2031-05-02T10:00:00.000Z",
        "station": "bench 1",
        "event": "taken",
        "file": "a.ply",
        "size": 3,
        "seconds": 0.25,
        "set": ["top", "bottom"],
        "fault": "out of memory",
        "ok": True,
    }
    assert second["limits"] == {"lower": "nan", "upper": str(10**30)} and second["reason"] is None


def test_nothing_in_a_name_breaks_a_line_or_reaches_a_terminal(tmp_path):
    evil = "".join(map(chr, range(32))) + '"\\\x7f\x85\u2028\u2029\u202e\u200b\udcff\U0001f600}\n{"event":"forged"}'
    log = open_log(tmp_path, "bench 1")
    log.event("taken\nforged", file=evil, **{"key\n": evil})
    log.close()
    raw = (tmp_path / "bench_1.log").read_bytes()
    assert raw.count(b"\n") == 1 and raw.endswith(b"}\n")
    assert all(0x20 <= byte < 0x7F for byte in raw[:-1]), "printable ASCII only"
    (line,) = logged(tmp_path)
    assert line["file"] == evil and line["key\n"] == evil and line["event"] == "taken\nforged"


def test_fields_cannot_pass_for_ours(tmp_path):
    log = open_log(tmp_path, "bench 1", clock=lambda: "T")
    log.event("taken", time="never", station="other", event="forged")
    log.close()
    assert logged(tmp_path) == [{"time": "T", "station": "bench 1", "event": "taken"}]


def test_long_text_many_members_and_deep_nesting_are_cut_and_said_so(tmp_path):
    deep: list = []
    deep.append(deep)
    log = open_log(tmp_path, "bench 1")
    log.event("taken", text="x" * 100_000, many=list(range(1000)), deep=deep)
    log.close()
    (line,) = logged(tmp_path)
    assert line["text"].startswith("x" * LONGEST + "...") and "100000" in line["text"]
    assert len(line["many"]) == 101 and line["many"][-1] == "... 900 more"
    assert len((tmp_path / "bench_1.log").read_bytes()) < 10_000


def test_rotation_keeps_the_newest_and_a_bounded_number(tmp_path):
    log = open_log(tmp_path, "bench 1", most_bytes=2_000)
    for number in range(500):
        log.event("taken", number=number)
    log.close()
    files = sorted(path.name for path in tmp_path.iterdir())
    assert files == [".bench_1.log.lock", "bench_1.log", *(f"bench_1.log.{k}" for k in range(1, KEPT + 1))]
    assert all(path.stat().st_size <= 2_000 for path in tmp_path.iterdir())
    lines = [json.loads(x) for p in tmp_path.iterdir() for x in p.read_text().splitlines()]
    numbers = sorted(line["number"] for line in lines)
    assert numbers == list(range(numbers[0], 500)), "the oldest go, nothing between is missing"


class Full(logging.Handler):
    """A disk that is full between two events."""

    def __init__(self):
        super().__init__()
        self.full = False
        self.lines = []

    def emit(self, record):
        try:
            if self.full:
                raise OSError(28, "No space left on device")
            self.lines.append(json.loads(self.format(record)))
        except OSError:
            self.handleError(record)


def test_a_full_disk_is_counted_told_once_and_named_when_it_is_over():
    handler, told = Full(), []
    log = Log(handler, "bench 1", tell=told.append)
    log.event("one")
    handler.full = True
    for _ in range(3):
        log.event("lost")
    assert log.lost == 3 and len(told) == 1 and "No space left" in told[0]
    handler.full = False
    log.event("two")
    handler.full = True
    log.event("lost again")
    assert [line["event"] for line in handler.lines] == ["one", "log.lost", "two"]
    assert handler.lines[1]["events"] == 3 and log.lost == 4 and len(told) == 1


def test_a_handler_or_a_terminal_that_raises_does_not_reach_the_service():
    class Broken(logging.Handler):
        def emit(self, record):
            raise RuntimeError("broken")

    def gone(text):
        raise BrokenPipeError

    log = Log(Broken(), "bench 1", tell=gone)
    log.event("one", field=object())

    class Nasty:
        def __str__(self):
            raise ValueError("no text")

    log.event("two", field=Nasty())
    assert log.lost == 2


def test_a_folder_that_cannot_be_made_costs_the_log_and_nothing_else(tmp_path):
    (tmp_path / "file").write_text("")
    told = []
    log = open_log(tmp_path / "file" / "service", "bench 1", tell=told.append)
    log.event("one")
    log.close()
    assert log.lost == 1 and told
