"""Kill study: the service is ended by SIGKILL again and again; nothing may be lost, counted twice or left half done.

    python -m tests.studies.kills run --count 1000 --to out/kills             # at random instants, measuring by a stub
    python -m tests.studies.kills run --count 0 --steps 3 --to out/kills      # before and after every numbered step
    python -m tests.studies.kills run --count 0 --real 100 --to out/kills     # during real measurements
    python -m tests.studies.kills table --to out/kills                        # what all runs together showed

Seeded and resumable by batches: each batch has a world of its own, begins empty and ends with a run that is not killed,
after which everything is verified: every dropped scan is in exactly one folder, every piece in the ledger exactly
once, the chain whole, no half-written, forgotten or unexplained file anywhere. After each single kill, the scans that
exist anywhere are compared with those that were dropped.

Linux only. The stub's service is forked from this process (ready in milliseconds); the real one is the command line's.
"""

from __future__ import annotations

import argparse
import gc
import json
import math
import os
import random
import shutil
import signal
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path

from runner.intake.steps import STEPS, set_hook
from tests.studies.stub import World

BATCH = 50
STEP_TIMEOUT_S = 120.0
"""A run that ends by itself writes its workbooks, each by a process that first has to start."""


def forked(action: Callable[[], None]) -> int:
    """Run ``action`` in a child process; return its number."""
    gc.collect()
    pid = os.fork()
    if pid:
        return pid
    status = 1
    try:
        null = os.open(os.devnull, os.O_RDONLY)
        os.dup2(null, 0)
        action()
        status = 0
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(status)


def serve(world: World, *, once: bool, station: str = "s", hook: Callable[[str, str], None] | None = None) -> None:
    """What the child does."""
    set_hook(hook)
    service, ledger = world.service(station, apart=True)
    service.run(once=once)
    ledger.close()


def killed(pid: int) -> bool:
    """Kill a child and wait for it; whether it was the kill that ended it."""
    os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    return os.WIFSIGNALED(status)


def ended(pid: int, timeout_s: float) -> int | None:
    """Wait for a child; its wait status, or None when it runs on."""
    until = time.monotonic() + timeout_s
    while time.monotonic() < until:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return status
        time.sleep(0.002)
    return None


def suicide(step: str, when: str, turn: int) -> Callable[[str, str], None]:
    """A hook that kills its own process before or after the n-th passing of a step."""
    left = [turn]

    def hook(now: str, name: str) -> None:
        if (now, name) == (when, step):
            left[0] -= 1
            if not left[0]:
                os.kill(os.getpid(), signal.SIGKILL)

    return hook


def finish(world: World) -> list[str]:
    """Run the service once without killing it, then verify everything."""
    for _ in range(2):  # the second run takes what the first saw still changing
        pid = forked(lambda: serve(world, once=True))
        status = ended(pid, 120.0)
        if status is None:
            killed(pid)
            return ["the last run did not come to its end"]
        if status:
            return [f"the last run ended with status {status}"]
    return world.problems()


def lost(world: World) -> list[str]:
    """Whether every scan that was dropped exists once, wherever."""
    there = world.scan_files()
    return (
        [] if there == world.dropped else [f"after a kill: {world.dropped - there} gone, {there - world.dropped} more"]
    )


def random_batch(root: Path, seed: int, count: int) -> dict:
    """Kill ``count`` times at random instants while scans are dropped."""
    rng = random.Random(seed)
    world = World(root)
    problems: list[str] = []
    kills = early = dropped = 0
    while kills < count:
        for _ in range(rng.randint(0, 2)):
            dropped += world.drop(rng)
        station = rng.choice(("s", "s", "s", "t"))
        pid = forked(partial(serve, world, once=False, station=station))
        second = forked(partial(serve, world, once=False, station="u")) if rng.random() < 0.2 else None
        life = math.exp(rng.uniform(math.log(0.005), math.log(0.6)))
        until = time.monotonic() + life
        if rng.random() < 0.5:
            dropped += world.drop(rng, between=partial(time.sleep, min(0.05, life / 3)))
        time.sleep(max(0.0, until - time.monotonic()))
        for one in (pid, second):
            if one is not None:
                kills += 1
                early += not killed(one)
        problems += lost(world)
    problems += finish(world)
    return {"kind": "random", "seed": seed, "kills": kills, "early": early, "dropped": dropped,
            "pieces": len(world.measurable), "problems": problems}  # fmt: skip


def steps_batch(root: Path, seed: int) -> dict:
    """Kill before and after every numbered step, each in the middle of other work."""
    rng = random.Random(seed)
    world = World(root)
    problems: list[str] = []
    reached: Counter[str] = Counter()
    cases = [(step, when) for step in STEPS for when in ("before", "after")]
    rng.shuffle(cases)
    dropped = 0
    for step, when in cases:
        if step == "slot.adopt":
            # somebody else dies with claims in hand
            dropped += sum(world.drop(rng) for _ in range(6))
            pid = forked(lambda: serve(world, once=True, station="dead", hook=suicide("claim.note", "after", 1)))
            if ended(pid, STEP_TIMEOUT_S) is None:
                killed(pid)
        if step == "stage.clear":
            dropped += sum(world.drop(rng) for _ in range(6))
            pid = forked(lambda: serve(world, once=True, hook=suicide("stage.evidence", "after", 1)))
            if ended(pid, STEP_TIMEOUT_S) is None:
                killed(pid)
        for attempt in range(8):
            dropped += sum(world.drop(rng) for _ in range(2))
            dropped += world.drop(rng, kind="entries")  # has a companion, so that those steps are passed too
            turn = 1 if attempt or step in ("slot.adopt", "stage.clear") else rng.randint(1, 3)
            hook = suicide(step, when, turn)
            pid = forked(partial(serve, world, once=True, hook=hook))
            status = ended(pid, STEP_TIMEOUT_S)
            if status is None:
                killed(pid)
                problems.append(f"{when} {step}: the service hung")
                break
            problems += lost(world)
            if os.WIFSIGNALED(status):
                reached[f"{when} {step}"] += 1
                break
            if status:
                problems.append(f"{when} {step}: the service ended with status {status}")
                break
    problems += [f"{when} {step} was never passed" for step, when in cases if not reached[f"{when} {step}"]]
    problems += finish(world)
    return {"kind": "steps", "seed": seed, "kills": sum(reached.values()), "early": 0, "dropped": dropped,
            "pieces": len(world.measurable), "problems": problems}  # fmt: skip


def run(to: Path, count: int, steps: int, real: int, seed: int, keep: bool = False) -> list[dict]:
    """Do the batches that are missing; return the new lines."""
    to.mkdir(parents=True, exist_ok=True)
    record = to / "kills.jsonl"
    done = {(line["kind"], line["seed"]) for line in _lines(record)}
    plan: list[tuple[str, int, Callable[[Path], dict]]] = []
    for k, first in enumerate(range(0, count, BATCH)):
        plan.append(("random", seed + k, partial(random_batch, seed=seed + k, count=min(BATCH, count - first))))
    plan += [("steps", seed + k, partial(steps_batch, seed=seed + k)) for k in range(steps)]
    if real:
        from tests.studies.kills_real import BATCH as REAL_BATCH
        from tests.studies.kills_real import real_batch

        for k, first in enumerate(range(0, real, REAL_BATCH)):
            n = min(REAL_BATCH, real - first)
            plan.append(("real", seed + k, partial(real_batch, parts=to, seed=seed + k, count=n)))
    new = []
    for kind, one, batch in plan:
        if (kind, one) in done:
            continue
        root = Path(tempfile.mkdtemp(prefix=f"{kind}-{one}-", dir=to))
        started = time.monotonic()
        line = batch(root)
        line["seconds"] = round(time.monotonic() - started, 1)
        with record.open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(line) + "\n")
        new.append(line)
        print(f"{kind} {one}: {line['kills']} kills, {line['pieces']} pieces, {line['seconds']} s, "
              f"{len(line['problems'])} problems", flush=True)  # fmt: skip
        for problem in line["problems"][:10]:
            print("   ", problem, flush=True)
        if not line["problems"] and not keep:
            shutil.rmtree(root)
    return new


def table(to: Path) -> int:
    """Print what all batches together showed; return the number of problems."""
    print(f"{'kind':8s} {'batches':>8s} {'kills':>7s} {'files':>7s} {'pieces':>7s} {'seconds':>8s} {'problems':>9s}")
    total = 0
    for kind in ("random", "steps", "real"):
        lines = [line for line in _lines(to / "kills.jsonl") if line["kind"] == kind]
        if not lines:
            continue
        sums = [sum(line[key] for line in lines) for key in ("kills", "dropped", "pieces", "seconds")]
        wrong = sum(len(line["problems"]) for line in lines)
        total += wrong
        print(f"{kind:8s} {len(lines):8d} {sums[0]:7d} {sums[1]:7d} {sums[2]:7d} {sums[3]:8.0f} {wrong:9d}")
    return total


def _lines(path: Path) -> list[dict]:
    return [json.loads(text) for text in path.read_text("utf-8").splitlines()] if path.exists() else []


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("action", choices=("run", "table"))
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--steps", type=int, default=1)
    parser.add_argument("--real", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--to", type=Path, default=Path("out/kills"))
    parser.add_argument("--keep", action="store_true", help="keep the worlds of sound batches too")
    given = parser.parse_args()
    if given.action == "run":
        run(given.to, given.count, given.steps, given.real, given.seed, given.keep)
    return 1 if table(given.to) else 0


if __name__ == "__main__":
    raise SystemExit(main())
