"""Measuring processes: a crash, a flood of memory or a hang costs one scan and nothing else."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from runner.intake.job import Finished, Job
from runner.intake.workers import Workers
from runner.pipeline.identity import Identity

FUNCTION = "tests.intake.work:measure"


def job(name: str) -> Job:
    return Job(f"claim-{name}", (Path(name),), Path("r.yaml"), Identity("1"), ("0" * 64,), Path("stage"))


def answers(workers: Workers, count: int, timeout_s: float = 20.0) -> dict[str, Finished]:
    found: list[Finished] = []
    until = time.monotonic() + timeout_s
    while len(found) < count and time.monotonic() < until:
        workers.wait(0.2)
        found += workers.ready()
    return {answer.claim: answer for answer in found}


@pytest.fixture
def workers():
    made = Workers(2, measure=FUNCTION, memory_bytes=300_000_000, time_limit_s=2.0, cores=4)
    yield made
    made.close(wait=False)


def test_each_scan_comes_back_once_whatever_becomes_of_its_process(workers: Workers) -> None:
    found: dict[str, Finished] = {}
    waiting = ["good", "crash", "killed", "exit", "raise", "memory", "hang", "slow", "last"]
    while waiting:
        while workers.capacity() and waiting:
            workers.submit(job(waiting.pop(0)))
        found |= answers(workers, 1)
    found |= answers(workers, 9 - len(found))
    text = {claim.removeprefix("claim-"): answer.fault for claim, answer in found.items()}
    assert set(text) == {"good", "crash", "killed", "exit", "raise", "memory", "hang", "slow", "last"}
    assert all(text[name].startswith("measured by") for name in ("good", "slow", "last"))
    assert "SIGSEGV" in text["crash"] and "SIGKILL" in text["killed"] and "no memory" in text["killed"]
    assert "exit status 7" in text["exit"] and "no such luck" in text["raise"]
    assert "more memory" in text["memory"] and "longer than 2 s" in text["hang"]
    assert found["claim-memory"].advice and found["claim-hang"].advice
    assert workers.capacity() == 2


def test_processes_live_on_from_scan_to_scan_and_share_the_cores(workers: Workers) -> None:
    said = []
    for name in ("a", "b", "c"):
        workers.submit(job(name))
        said += [a.fault for a in answers(workers, 1).values()]
    assert len(set(said)) == 1 and said[0].endswith("with 2 threads")
    assert "NUMBA_NUM_THREADS" not in os.environ or os.environ["NUMBA_NUM_THREADS"] != "2"


def test_a_process_that_died_idle_is_replaced(workers: Workers) -> None:
    workers.submit(job("a"))
    answers(workers, 1)
    os.kill(workers.pids()[0], 9)
    time.sleep(0.2)
    workers.submit(job("b"))
    found = answers(workers, 1)
    # noticed when the job is given, or it is answered for as any death
    assert "measured by" in found["claim-b"].fault or "died" in found["claim-b"].fault


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="processes end with their parent on Linux only")
def test_no_process_outlives_a_killed_service(tmp_path: Path) -> None:
    code = (
        "import sys, time; sys.path.insert(0, '.')\n"
        "from tests.intake.test_workers import FUNCTION, job\n"
        "from runner.intake.workers import Workers\n"
        "if __name__ == '__main__':\n"
        "    w = Workers(1, measure=FUNCTION, time_limit_s=100)\n"
        "    w.submit(job('hang')); print(w.pids()[0], flush=True); time.sleep(100)\n"
    )
    script = tmp_path / "service.py"
    script.write_text(code)
    root = Path(__file__).resolve().parents[2]
    with subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, cwd=root) as service:
        assert service.stdout is not None
        pid = int(service.stdout.readline())
        time.sleep(1.0)
        assert lives(pid)
        service.kill()
        until = time.monotonic() + 5.0
        while time.monotonic() < until and lives(pid):
            time.sleep(0.02)
        assert not lives(pid)


def lives(pid: int) -> bool:
    """Whether a process runs; one that ended and that nobody has asked for its status yet does not."""
    try:
        return ") Z " not in Path(f"/proc/{pid}/stat").read_text("ascii", "replace")
    except OSError:
        return False
