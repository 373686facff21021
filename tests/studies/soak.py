"""Soak: the service at full speed for a long time; memory, handles and temporary files must not grow.

    python -m tests.studies.soak --minutes 30 --to out/soak
    python -m tests.studies.soak --minutes 30 --no-documents --to out/soak     # without workbooks, which grow by nature
    python -m tests.studies.soak --minutes 30 --real --to out/soak_real        # ``runner watch`` measuring real scans

Measuring is a stub in two worker processes, or the real thing. Scans are dropped as fast as they are taken, those for
the stub in all the ways people and programs drop them. Each sample is a line of JSON; at the end the slope of each
figure over the second half is printed with its 95 % bound, and everything is verified as after the kill study. A
worker that was replaced would hide what it lost, so their number is a figure too. Linux only.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy import stats

from runner.intake.service import Settings
from runner.intake.upkeep import Upkeep
from runner.intake.wake import Wake
from runner.intake.workers import Workers
from tests.studies.kills import ended, forked
from tests.studies.kills_real import children, prepare, start
from tests.studies.kills_real import drop as drop_real
from tests.studies.stub import World

FIGURES = (
    *(
        "service_mib",
        "documents_mib",
        "workers_mib",
        "largest_worker_mib",
        "workers",
        "service_handles",
        "workers_handles",
    ),
    *("temporaries", "waiting"),
)
TEMPORARY = "temporary"
IN_STOCK = 12
"""Files kept waiting in the incoming folder."""


def serve(world: World, workers: int, documents: bool) -> None:
    """What the child does, until it is asked to stop."""
    if not documents:
        Upkeep.work = lambda self, now=None, *, idle=False: None  # type: ignore[method-assign]
    wake = Wake()
    with wake.on_signals():
        submit = Workers(workers, measure="tests.studies.stub:measure")
        settings = Settings(poll_s=0.2, quiet_s=0.05, patience_s=2.0, workers=workers)
        service, ledger = world.service("soak", submit=submit, settings=settings, wake=wake, apart=True)
        service.run()
        ledger.close()


def sample(world: World, pid: int, started: float) -> dict[str, float]:
    """One line."""
    spawned = [child for child in children(pid) if "spawn_main" in _command(child)]
    workers = [child for child in spawned if "NUMBA_NUM_THREADS=" in _environment(child)]
    return {
        "s": round(time.monotonic() - started, 1),
        "service_mib": _resident(pid),
        "workers_mib": sum(map(_resident, workers)),
        "largest_worker_mib": max(map(_resident, workers), default=0.0),
        "workers": len(workers),
        "documents_mib": sum(_resident(child) for child in spawned if child not in workers),
        "newest_worker": max(workers, default=0),
        "service_handles": _handles(pid),
        "workers_handles": sum(map(_handles, workers)),
        "temporaries": _temporaries(world),
        "waiting": sum(1 for _ in world.folders.incoming.iterdir()),
        "filed": sum(1 for folder in (world.folders.measured, world.folders.held) for _ in folder.iterdir()),
    }


def run(to: Path, minutes: float, every_s: float, documents: bool, workers: int, seed: int, real: bool = False) -> int:
    """Soak; return the number of problems."""
    to.mkdir(parents=True, exist_ok=True)
    root = Path(tempfile.mkdtemp(prefix="soak-", dir=to))
    (root / TEMPORARY).mkdir()
    os.environ["TMPDIR"] = str(root / TEMPORARY)  # so that what the service's processes leave there is seen
    tempfile.tempdir = None
    world, rng = World(root), random.Random(seed)
    part = prepare(to / "part") if real else to
    if real:
        service = start(world, part, "--workers", str(workers))
        pid = service.pid
    else:
        pid = forked(lambda: serve(world, workers, documents))
    started = time.monotonic()
    lines: list[dict[str, float]] = []
    with (to / "soak.jsonl").open("w", encoding="utf-8") as record:
        while time.monotonic() - started < 60.0 * minutes and ended(pid, 0.01) is None:
            while sum(1 for _ in world.folders.incoming.iterdir()) < IN_STOCK:
                drop_real(world, part / "scans", rng) if real else world.drop(rng)
            time.sleep(0.02)
            if time.monotonic() - started >= every_s * (len(lines) + 1):
                lines.append(sample(world, pid, started))
                record.write(json.dumps(lines[-1]) + "\n")
                record.flush()
    early = time.monotonic() - started < 60.0 * minutes
    if not early:
        os.kill(pid, signal.SIGTERM)
    status = None if early else ended(pid, 300.0)
    print(f"{len(lines)} samples, {sum(world.dropped.values())} files dropped, {len(world.measurable)} pieces")
    report(lines)
    problems = [] if status == 0 else [f"the service ended by itself, or with status {status}"]
    # what lay in incoming when it was asked to stop
    if real:
        service = start(world, part, "--once")
    if ended(service.pid if real else forked(lambda: _last(world)), 1200.0) != 0:
        problems.append("the last run failed")
    problems += world.problems()
    replaced = {line["newest_worker"] for line in lines[len(lines) // 2 :]}
    problems += [f"{len(replaced) - 1} workers were replaced in the second half"] if len(replaced) > 1 else []
    for problem in problems[:20]:
        print("PROBLEM:", problem)
    if not problems:
        shutil.rmtree(root)
        print("verified: every scan once, chain whole, nothing left over")
    return len(problems)


def _last(world: World) -> None:
    service, ledger = world.service("soak")
    service.run(once=True)
    ledger.close()


def report(lines: list[dict[str, float]]) -> None:
    """Slope of each figure over the second half."""
    half = lines[len(lines) // 2 :]
    print(
        f"{'figure':18s} {'at first':>9s} {'half way':>9s} {'at last':>9s} {'slope per hour':>15s} {'95 % bound':>11s}"
    )
    hours = np.array([line["s"] for line in half]) / 3600.0
    for name in FIGURES:
        values = np.array([line[name] for line in half], dtype=float)
        if len(half) < 3:
            continue
        if np.ptp(values) == 0.0:
            slope, bound = 0.0, 0.0
        else:
            fit = stats.linregress(hours, values)
            slope, bound = fit.slope, stats.t.ppf(0.975, len(half) - 2) * fit.stderr
        print(f"{name:18s} {lines[0][name]:9.1f} {values[0]:9.1f} {values[-1]:9.1f} {slope:15.2f} {bound:11.2f}")
    if len(half) > 1:
        rate = (half[-1]["filed"] - half[0]["filed"]) / (half[-1]["s"] - half[0]["s"])
        print(f"files filed per second, second half: {rate:.1f}")


def _temporaries(world: World) -> int:
    """Files that are being written, and whatever lies in the folder for temporary files."""
    names = [name for _, _, files in os.walk(world.root) for name in files]  # folders may go while it looks
    own = sum(1 for name in names if name.startswith(".") and (".tmp" in name or ".copying" in name))
    return own + sum(1 for _ in (world.root / TEMPORARY).iterdir())


def _resident(pid: int) -> float:
    """Memory in MiB; 0 for a process that is gone."""
    try:
        return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20
    except OSError:
        return 0.0


def _handles(pid: int) -> int:
    try:
        return sum(1 for _ in Path(f"/proc/{pid}/fd").iterdir())
    except OSError:
        return 0


def _command(pid: int) -> str:
    return _text(pid, "cmdline")


def _environment(pid: int) -> str:
    """Settings that a process was started with; those that limit threads are given to measuring processes only."""
    return _text(pid, "environ")


def _text(pid: int, name: str) -> str:
    try:
        return Path(f"/proc/{pid}/{name}").read_bytes().decode(errors="replace")
    except OSError:
        return ""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--every", type=float, default=5.0, help="Seconds between two samples.")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--no-documents", action="store_true")
    parser.add_argument("--real", action="store_true", help="Measure in earnest, by the command line's service.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--to", type=Path, default=Path("out/soak"))
    given = parser.parse_args()
    documents = not given.no_documents
    return 1 if run(given.to, given.minutes, given.every, documents, given.workers, given.seed, given.real) else 0


if __name__ == "__main__":
    raise SystemExit(main())
