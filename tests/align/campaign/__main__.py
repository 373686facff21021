"""The alignment campaign: seeded, resumable, adding up.

    python tests/align/campaign run --scans 100 --to FILE.jsonl     # adds what is missing
    python tests/align/campaign table FILE.jsonl                    # right, refused, wrong, times, with the 95 % bound
    python tests/align/campaign baseline --scans 12 --to FILE.jsonl # general-purpose registration on the same scans
    python tests/align/campaign refusals --scans 3 --to FILE.jsonl  # every part's scans against every other nominal
    python tests/align/campaign scatter --scans 2 --to FILE.jsonl   # coarse scans: what the scatter rule costs

A line of the file is one scan: part, seed, commit, circumstances, outcome, how far off, times.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

# as the runner's own commands have it: BLAS threads would only wait beside ours
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

HERE = Path(__file__).resolve().parent
for folder in (HERE, HERE.parent, HERE.parents[2]):
    sys.path.insert(0, str(folder))

import numpy as np  # noqa: E402
from trial import commit, one, read  # noqa: E402


def run(arguments) -> None:
    """Add the scans that are missing."""
    import nominals

    path = Path(arguments.to)
    names = arguments.parts.split(",") if arguments.parts else list(nominals.NAMES)
    done = {(r["part"], r["seed"]) for r in read(path)}
    version = commit()
    jobs = [
        (name, nominals.FIRST_SEED[name] + k, version)
        for name in names
        for k in range(arguments.first, arguments.first + arguments.scans)
        if (name, nominals.FIRST_SEED[name] + k) not in done
    ]
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a") as out:
        if arguments.workers <= 1:
            rows = map(one, jobs)
            _write(rows, out)
        else:
            with ProcessPoolExecutor(arguments.workers, mp_context=get_context("spawn")) as pool:
                _write(pool.map(one, jobs, chunksize=5), out)
    print_table(read(path))


def _write(rows, out) -> None:
    for row in rows:
        if row is not None:
            out.write(json.dumps(row) + "\n")
            out.flush()


def print_table(rows: list[dict]) -> None:
    """Right, refused and wrong together, part by part."""
    import nominals

    print(f"{'part':10} {'':5} {'scans':>5} {'right':>5} {'refused':>7} {'of these':>9} {'wrong':>5} "
          f"{'off/bound med':>13} {'wall med':>8} {'p95':>6}")  # fmt: skip
    print(f"{'':10} {'':5} {'':5} {'':5} {'':7} {'decidable':>9}")
    total = {"right": 0, "refused": 0, "wrong": 0}
    for name in nominals.NAMES:
        mine = [r for r in rows if r["part"] == name]
        if not mine:
            continue
        count = {key: sum(r["outcome"] == key for r in mine) for key in total}
        for key in total:
            total[key] += count[key]
        decidable = [r for r in mine if r["outcome"] == "refused" and _decidable(r)]
        ratio = [r["off_mm"] / r["bound_mm"] for r in mine if r["outcome"] == "right" and not r["form"]]
        wall = [r["wall_s"] for r in mine]
        print(
            f"{name:10} {'new' if name in nominals.VALIDATION else '':5} {len(mine):5} {count['right']:5} "
            f"{count['refused']:7} {len(decidable):9} {count['wrong']:5} "
            f"{np.median(ratio) if ratio else float('nan'):13.2f} {np.median(wall):8.2f} {np.percentile(wall, 95):6.2f}"
        )
        for r in mine:
            if r["outcome"] == "wrong" or (r["outcome"] == "refused" and _decidable(r)):
                how = f"{r['views']}, {r['output']}, form {r['form']:.2f}, covered {r['covered']:.0%}"
                off = "-" if r["off_mm"] is None else f"{r['off_mm']:.4f} (limit {r['limit_mm']:.4f})"
                print(f"    seed {r['seed']} {r['outcome']}: off {off}; {how}; {r['reason'][:150]}")
    n = sum(total.values())
    if n:
        from scipy.stats import beta

        wrong = total["wrong"]
        upper = float(beta.ppf(0.95, wrong + 1, n - wrong)) if wrong < n else 1.0
        wall = [r["wall_s"] for r in rows]
        quiet = [r for r in rows if not r["form"] and r["outcome"] != "refused"]
        beyond = sum(r["off_mm"] > 3.0 * r.get("corner_bound_mm", r["bound_mm"]) for r in quiet)
        print(f"of {len(quiet)} believed scans without form error {beyond} lie beyond 3 times what the worst corner "
              "alone would be off at best")  # fmt: skip
        full = [r for r in rows if r["covered"] >= 0.6]
        asked = sum(r["outcome"] == "refused" and _decidable(r) for r in full)
        refused = sum(r["outcome"] == "refused" for r in full)
        print(f"of these 60 % or more of the surface seen: {len(full)}, refused {refused}"
              f", of these decidable {asked}, wrong {sum(r['outcome'] == 'wrong' for r in full)}")  # fmt: skip
        print(f"together {total} of {n}; wrong below {upper:.2%} (95 %, one-sided, Clopper-Pearson); "
              f"wall median {np.median(wall):.2f} s, 95th percentile {np.percentile(wall, 95):.2f} s")  # fmt: skip


def _decidable(row: dict) -> bool:
    """Whether the surface that decides was scanned: 30 points where the rival poses differ by more than 5 sigma."""
    return (row["deciding"] is None or row["deciding"] >= 30) and row["covered"] >= 0.3


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    verbs = parser.add_subparsers(required=True)
    adding = verbs.add_parser("run")
    adding.add_argument("--scans", type=int, default=100)
    adding.add_argument("--first", type=int, default=0)
    adding.add_argument("--parts", default="")
    adding.add_argument("--to", default="out/alignment.jsonl")
    adding.add_argument("--workers", type=int, default=1)
    adding.set_defaults(act=run)
    showing = verbs.add_parser("table")
    showing.add_argument("file")
    showing.set_defaults(act=lambda a: print_table(read(Path(a.file))))
    import baseline
    import refusals
    import scatter

    general = verbs.add_parser("baseline")
    general.add_argument("--first", type=int, default=0)
    general.add_argument("--scans", type=int, default=12)
    general.add_argument("--parts", default="")
    general.add_argument("--to", default="out/alignment-baseline.jsonl")
    general.set_defaults(act=baseline.run)
    wrong = verbs.add_parser("refusals")
    wrong.add_argument("--scans", type=int, default=2)
    wrong.add_argument("--to", default="out/alignment-refusals.jsonl")
    wrong.set_defaults(act=refusals.run)
    coarse = verbs.add_parser("scatter")
    coarse.add_argument("--scans", type=int, default=2)
    coarse.add_argument("--to", default="out/alignment-scatter.jsonl")
    coarse.set_defaults(act=scatter.run)
    chosen = parser.parse_args()
    chosen.act(chosen)


if __name__ == "__main__":
    main()
