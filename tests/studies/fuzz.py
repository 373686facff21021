"""Damaged and hostile input by the hundred thousand: seeded, resumable; each finding is kept with its input.

    python -m tests.studies.fuzz run --kind scans --count 100000 --to out/fuzz
    python -m tests.studies.fuzz table --to out/fuzz

Kinds: ``scans`` (PLY, STL, OBJ, text, PTX, PCD; what is accepted is read a second time by simple code), ``recipes``,
``names`` (file names, and the files beside a scan), ``step`` and ``e57`` (in child processes). A finding is a crash, a
hang, more memory than the limit, an error that is no refusal, or a result that the input does not say. Linux only.
"""

from __future__ import annotations

import argparse
import os
from functools import partial
from pathlib import Path

if __name__ == "__main__":  # a forked child must not meet the threads of a pool
    for _name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[_name] = "1"

from tests.studies.fuzz_harness import Case, Limits, Progress, run

KINDS = ("scans", "recipes", "names", "step", "e57")
MIB = 1 << 20


def prepare(kind: str) -> tuple[Case, Limits]:
    """What runs a case of a kind, with everything imported, and what a case may take."""
    if kind == "scans":
        from tests.studies import fuzz_scans

        return fuzz_scans.case, Limits(20.0, 300 * MIB)
    if kind == "recipes":
        from tests.studies import fuzz_recipes

        return fuzz_recipes.case, Limits(20.0, 300 * MIB)
    if kind == "names":
        from tests.studies import fuzz_names

        return fuzz_names.case, Limits(5.0, 200 * MIB)
    from tests.studies import fuzz_apart

    if kind == "e57":
        import pye57  # noqa: F401 - so that the children have it

        return fuzz_apart.e57_case, Limits(90.0, 400 * MIB)
    from runner.nominal import step  # noqa: F401

    fuzz_apart._step_examples()
    return fuzz_apart.step_case, Limits(60.0, 400 * MIB)


def table(folder: Path) -> int:
    """Print what was run and found; return the number of findings."""
    total = 0
    for kind in KINDS:
        path = folder / f"{kind}.json"
        if not path.exists():
            continue
        progress = Progress.load(path)
        states = dict.fromkeys(("accepted", "refused", "finding"), 0)
        print(f"{kind}, seed {progress.seed}: {progress.next} cases, {progress.seconds:.0f} s, "
              f"slowest {progress.slowest_s:.2f} s (case {progress.slowest}), "
              f"peak {progress.peak_bytes / MIB:.0f} MiB, {progress.children} children")  # fmt: skip
        for name, count in sorted(progress.counts.items()):
            print(f"    {count:8d}  {name}")
            if name.rsplit(" ", 1)[-1] in states:
                states[name.rsplit(" ", 1)[-1]] += count
        print("    " + ", ".join(f"{count} {state}" for state, count in states.items()))
        total += states["finding"]
    return total


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("action", choices=("run", "table"))
    parser.add_argument("--kind", choices=KINDS)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--to", type=Path, default=Path("out/fuzz"))
    given = parser.parse_args()
    if given.action == "run":
        if given.kind is None:
            parser.error("run needs --kind")
        given.to.mkdir(parents=True, exist_ok=True)
        case, limits = prepare(given.kind)
        progress = Progress.load(given.to / f"{given.kind}.json", given.seed)
        run(given.kind, partial(case, given.seed), given.count, progress, limits, given.to)
    return 1 if table(given.to) else 0


if __name__ == "__main__":
    raise SystemExit(main())
