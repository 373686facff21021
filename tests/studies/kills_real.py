"""Kills of the real service, the command line's, while it measures real scans of a small part in worker processes."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from runner.intake.claim import open_claim
from runner.intake.filing import staged_inspection
from tests.studies.stub import World, sha

BATCH = 10
SCANS = 4
START_S = 90.0
_MAIN = "import sys; from runner.cli import main; main(sys.argv[1:])"


def prepare(folder: Path) -> Path:
    """Build the part, its recipe and a few scans, once."""
    if not (folder / "ready").exists():
        from tests.pipeline.conftest import RECIPE, scan_of, write_block

        folder.mkdir(parents=True, exist_ok=True)
        write_block(folder / "block.step")
        (folder / "block.yaml").write_text(RECIPE, encoding="utf-8")
        (folder / "scans").mkdir(exist_ok=True)
        for seed in range(SCANS):
            scan_of(folder / "block.step", folder / "scans" / f"{seed}.ply", seed=seed)
        (folder / "ready").touch()
    return folder


def drop(world: World, scans: Path, rng: random.Random) -> None:
    """Drop a scan unlike any other: the same points, another comment in the header."""
    from tests.pipeline.conftest import ENTRIES

    world.number += 1
    content = (scans / f"{rng.randrange(SCANS)}.ply").read_bytes()
    head, line, rest = content.partition(b"\n")
    content = head + line + f"comment {world.root.name} {world.number}\n".encode() + rest
    complete = rng.random() < 0.7
    world.measurable.add(frozenset((sha(content),)))
    world.dropped[sha(content)] += 1
    if not complete:
        world.held[sha(content)] += 1  # what another gauge must give is missing
    name = f"TB-7_{world.number:04d}.ply"
    if complete:
        (world.folders.incoming / f"{name}.entries.yaml").write_text(ENTRIES, encoding="utf-8")
    temporary = world.folders.incoming / f".{name}.copying"
    temporary.write_bytes(content)
    temporary.replace(world.folders.incoming / name)


def start(world: World, part: Path, *more: str) -> subprocess.Popen[bytes]:
    """Start ``runner watch``."""
    arguments = ["watch", "--scans", world.folders.root, "--recipes", part, "--out", world.out, "--station", "real"]
    arguments += ["--poll", "0.2", "--quiet-for", "0.1", "--workers", "2", *more]
    with (world.root / "service.txt").open("ab") as told:
        return subprocess.Popen(
            [sys.executable, "-c", _MAIN, *map(str, arguments)], stdout=told, stderr=told, stdin=subprocess.DEVNULL
        )


def measuring(world: World) -> bool:
    """Whether a scan is given to a worker now and is not finished."""
    for note in world.folders.measuring.glob("*/*/.claim.json"):
        try:
            claim = open_claim(note.parent, world.folders.incoming)
            if claim is None or isinstance(claim, str):
                continue
            if claim.note.tries and claim.note.filing is None and staged_inspection(world.out, claim) is None:
                return True
        except OSError:
            continue
    return False


def children(pid: int) -> list[int]:
    """Processes that a process started."""
    try:
        return [int(n) for n in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


def running(pid: int) -> bool:
    """Whether a process runs; one that only waits to be collected does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in ("Z", "X")
    except OSError:
        return False


def real_batch(root: Path, parts: Path, seed: int, count: int) -> dict:
    """Kill the real service ``count`` times, most of them while it measures."""
    rng = random.Random(seed)
    part = prepare(parts / "part")
    world = World(root)
    problems: list[str] = []
    kills = early = during = 0
    while kills < count:
        if sum(1 for _ in world.folders.incoming.glob("*.ply")) < 2:
            drop(world, part / "scans", rng)
        process = start(world, part)
        until = time.monotonic() + START_S
        while not measuring(world) and time.monotonic() < until and process.poll() is None:
            time.sleep(0.01)
        time.sleep(rng.uniform(0.0, 2.5) if rng.random() < 0.7 else 0.0)
        during += measuring(world)
        workers = children(process.pid)
        early += process.poll() is not None
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        kills += 1
        limit = time.monotonic() + 5.0
        while any(map(running, workers)) and time.monotonic() < limit:
            time.sleep(0.01)
        if any(map(running, workers)):
            problems.append("workers lived on after the service was killed")
        there = world.scan_files()
        if there != world.dropped:
            problems.append(f"after a kill: {world.dropped - there} gone, {there - world.dropped} more")
    last = start(world, part, "--once")
    try:
        if last.wait(60.0 + 30.0 * world.number):
            problems.append(f"the last run ended with status {last.returncode}")
    except subprocess.TimeoutExpired:
        last.kill()
        problems.append("the last run did not come to its end")
    problems += world.problems()
    if early:
        problems.append(f"{early} services ended by themselves; see service.txt")
    return {"kind": "real", "seed": seed, "kills": kills, "early": early, "during": during,
            "dropped": world.number, "pieces": len(world.measurable), "problems": problems}  # fmt: skip
