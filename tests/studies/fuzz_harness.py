"""Run numbered cases in a child process that lives on from case to case, and note what the child does not survive.

The parent has everything imported and compiled; a child is forked from it, so that a new one is ready in milliseconds.
The child answers each case by one line. A child that dies, or is silent for too long and is killed, is a finding of
the case it was at; the next child goes on with the case after it. Linux only.
"""

from __future__ import annotations

import contextlib
import faulthandler
import gc
import json
import os
import resource
import select
import signal
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

BATCH = 500
"""Cases after which the progress is saved."""


@dataclass
class Answer:
    """What became of one case."""

    state: str
    """``accepted``, ``refused``, or ``finding``."""
    family: str
    """What was mutated, for the table."""
    what: str = ""
    """For a finding: its class, and one line of detail after a colon."""
    data: bytes = b""
    """For a finding: the input."""
    ending: str = ".bin"


Case = Callable[[int], Answer]


@dataclass
class Limits:
    """What one case may take."""

    seconds: float
    room_bytes: int
    """Address space beyond what the process has when it begins."""


@dataclass
class Progress:
    """Counts of one kind of case, kept on disk."""

    path: Path
    seed: int
    next: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0
    slowest_s: float = 0.0
    slowest: int = -1
    peak_bytes: int = 0
    children: int = 0

    @classmethod
    def load(cls, path: Path, seed: int | None = None) -> Progress:
        if not path.exists():
            return cls(path, seed or 0)
        data = json.loads(path.read_text(encoding="utf-8"))
        assert seed in (None, data["seed"]), f"{path} was begun with seed {data['seed']}"
        data["counts"] = Counter(data["counts"])
        return cls(path, **data)

    def save(self) -> None:
        data = {key: value for key, value in self.__dict__.items() if key != "path"}
        temporary = self.path.with_suffix(".tmp")
        temporary.write_text(json.dumps(data, indent=1), encoding="utf-8")
        temporary.replace(self.path)


def run(kind: str, case: Case, count: int, progress: Progress, limits: Limits, folder: Path) -> None:
    """Go on with the cases up to ``count``."""
    while progress.next < count:
        _batch(kind, case, min(count, progress.next + BATCH), progress, limits, folder)
        progress.save()


def _batch(kind: str, case: Case, stop: int, progress: Progress, limits: Limits, folder: Path) -> None:
    start = time.monotonic()
    crash = folder / f"{kind}.fault"
    while progress.next < stop:
        reader, pid = _child(case, progress.next, stop, limits, crash)
        progress.children += 1
        with os.fdopen(reader, "rb", buffering=0) as stream:
            verdict = _listen(stream, stop, progress, limits, kind, folder)
        if verdict == "hang":
            os.kill(pid, signal.SIGKILL)
        _, status, used = os.wait4(pid, 0)
        progress.peak_bytes = max(progress.peak_bytes, used.ru_maxrss * 1024)
        if progress.next >= stop and verdict == "end":
            break
        if verdict == "end" and os.waitstatus_to_exitcode(status) == 0:
            continue  # it answered everything
        trace = crash.read_text(errors="replace")[:600] if crash.exists() else ""
        what = "hang" if verdict == "hang" else f"crash: status {os.waitstatus_to_exitcode(status)} {trace}"
        _note(kind, progress.next, Answer("finding", "?", what), progress, folder)
        progress.next += 1
    progress.seconds += time.monotonic() - start


def _listen(stream: Any, stop: int, progress: Progress, limits: Limits, kind: str, folder: Path) -> str:
    """Take the answers of a child; how it ended."""
    rest = b""
    while True:
        ready, _, _ = select.select([stream], [], [], limits.seconds)
        if not ready:
            return "hang"
        block = stream.read(1 << 16)
        if not block:
            return "end"
        *lines, rest = (rest + block).split(b"\n")
        for line in lines:
            number, took, state, family, what, data, ending = json.loads(line)
            assert number == progress.next
            if took > progress.slowest_s:
                progress.slowest_s, progress.slowest = took, number
            _note(kind, number, Answer(state, family, what, bytes.fromhex(data), ending), progress, folder)
            progress.next = number + 1


def _child(case: Case, start: int, stop: int, limits: Limits, crash: Path) -> tuple[int, int]:
    """Fork a child that works off ``start`` to ``stop``; the pipe that it answers on, and its number."""
    reader, writer = os.pipe()
    gc.collect()
    pid = os.fork()
    if pid:
        os.close(writer)
        return reader, pid
    status = 1
    try:
        os.close(reader)
        with crash.open("w") as trace:
            faulthandler.enable(trace)
            _bound(limits.room_bytes)
            with os.fdopen(writer, "wb") as stream:
                _work(case, start, stop, stream)
        status = 0
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(status)


def _work(case: Case, start: int, stop: int, stream: Any) -> None:
    for number in range(start, stop):
        begin = time.monotonic()
        try:
            answer = case(number)
        except MemoryError:
            answer = Answer("finding", "?", "memory: more than the limit")
        except BaseException as error:
            answer = Answer("finding", "?", f"harness: {type(error).__name__}: {error}")
        line = [number, round(time.monotonic() - begin, 4), answer.state, answer.family, answer.what]
        stream.write(json.dumps([*line, answer.data.hex(), answer.ending]).encode() + b"\n")
        stream.flush()


def memory_now() -> int:
    """Address space of this process."""
    return int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()


def _bound(room: int) -> None:
    """At most ``room`` bytes of address space more than now."""
    resource.setrlimit(resource.RLIMIT_AS, (memory_now() + room, resource.RLIM_INFINITY))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _note(kind: str, number: int, answer: Answer, progress: Progress, folder: Path) -> None:
    progress.counts[f"{answer.family} {answer.state}"] += 1
    if answer.state != "finding":
        return
    progress.counts["finding " + answer.what.split(":")[0]] += 1
    name = f"{kind}-{number}{answer.ending}"
    with (folder / "findings.jsonl").open("a", encoding="utf-8") as stream:
        line = {"kind": kind, "number": number, "family": answer.family, "what": answer.what, "input": name}
        stream.write(json.dumps(line) + "\n")
    if answer.data:
        with contextlib.suppress(OSError):
            (folder / "inputs").mkdir(exist_ok=True)
            (folder / "inputs" / name).write_bytes(answer.data)
