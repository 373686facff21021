"""The alignment campaign: seeded, resumable, adding up.

    python tests/align/campaign run --scans 100 --to FILE.jsonl     # adds what is missing
    python tests/align/campaign table FILE.jsonl                    # right, refused, wrong, times, with the 95 % bound
    python tests/align/campaign baseline --scans 12 --to FILE.jsonl # general-purpose registration on the same scans
    python tests/align/campaign refusals --scans 3 --to FILE.jsonl  # every part's scans against every other nominal

A line of the file is one scan: part, seed, commit, circumstances, outcome, how far off, times.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

HERE = Path(__file__).resolve().parent
for folder in (HERE, HERE.parent, HERE.parents[2]):
    sys.path.insert(0, str(folder))

import numpy as np  # noqa: E402


def commit() -> str:
    """The commit at hand, with a mark when the tree differs from it."""
    name = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=HERE, capture_output=True, text=True, check=False
    ).stdout.strip()
    changed = subprocess.run(
        ["git", "diff", "--quiet", "HEAD", "--", "runner"], cwd=HERE, check=False, capture_output=True
    ).returncode
    return (name or "unknown") + ("+" if changed else "")


_READY: dict = {}


def ready(name: str):
    """Nominal, index and model of a part, made once in each process; the model comes from the cache where it is."""
    if name not in _READY:
        import nominals

        from runner.align.model import FORMAT, AlignmentModel, prepare_model
        from runner.geometry.distance import SurfaceIndex

        nominal = nominals.load(name)
        if nominal is None:
            _READY[name] = None
            return None
        index = SurfaceIndex.build(nominal)
        kept = Path(os.environ.get("RUNNER_CACHE", str(Path.home() / ".cache" / "recipe-runner"))) / "campaign"
        kept.mkdir(parents=True, exist_ok=True)
        file = kept / f"{nominal.sha256[:24]}-{FORMAT}.npz"
        try:
            with np.load(file) as arrays:
                model = AlignmentModel.from_arrays(dict(arrays))
            seconds = 0.0
        except (OSError, ValueError, KeyError, TypeError):
            start = time.perf_counter()
            model = prepare_model(nominal, index)
            seconds = time.perf_counter() - start
            partial = file.with_suffix(f".{os.getpid()}.npz")
            np.savez(partial, **model.to_arrays())
            partial.replace(file)
        model.bins(nominal)
        _READY[name] = (nominal, index, model, seconds)
    return _READY[name]


def one(job: tuple[str, int, str]) -> dict | None:
    """Align one scan of the campaign and judge it."""
    import bound
    import scenes

    from runner.align.run import align
    from runner.align.symmetry import pose_distance
    from runner.align.types import AlignSettings
    from runner.records import PoseStatus

    name, seed, version = job
    prepared = ready(name)
    if prepared is None:
        return None
    nominal, index, model, seconds = prepared
    made = scenes.make(nominal, index, model, seed)
    start, cpu = time.perf_counter(), time.process_time()
    found = align(made.scan, nominal, index, model, AlignSettings())
    wall, cpu = time.perf_counter() - start, time.process_time() - cpu
    truth = made.nominal_from_scan
    low, high = nominal.bounds
    turn = truth[:3, :3]
    on_part = made.scan.points[made.part] @ turn.T + truth[:3, 3]
    normals = made.facing[made.part] @ turn.T
    table = model.symmetry
    axis = (table.axis_point[0], table.axis[0]) if len(table.axis) == 1 else None
    foot = index.closest(on_part, 3.0)
    usable = foot.triangle >= 0
    floor = bound.least_error(foot.point[usable], foot.normal[usable], scenes.NOISE, low, high, axis)
    limit = 3.0 * floor
    off = near_off = None
    goal = truth
    if made.scene.form:
        near = align(made.scan, nominal, index, model, AlignSettings(start_pose=truth))
        if near.nominal_from_scan is not None:
            near_off = pose_distance(near.nominal_from_scan, truth, table, model.search)
            if near_off < 5.0:
                goal = near.nominal_from_scan
                limit = max(limit, 0.005)
    if found.nominal_from_scan is not None:
        off = pose_distance(found.nominal_from_scan, goal, table, model.search)
    rivals = [*table.near, *(np.linalg.inv(m) for m in table.near)]
    for point, direction in zip(table.near_axis_point, table.near_axis, strict=True):
        from runner.align.symmetry import turn_about

        rivals += [turn_about(point, direction, np.deg2rad(15.0 * k)) for k in range(1, 24)]
    counts = bound.deciding_points(on_part, index, rivals, 5.0 * scenes.NOISE + made.scene.form)
    outcome = "refused"
    if found.status is PoseStatus.ALIGNED:
        outcome = "right" if off is not None and off <= limit else "wrong"
    del normals
    return {
        "part": name, "commit": version, **made.row(), "outcome": outcome, "status": found.status.value,
        "off_mm": off, "limit_mm": limit, "bound_mm": floor, "from_truth_mm": near_off,
        "deciding": min(counts) if counts else None, "reason": found.reason, "wall_s": wall, "cpu_s": cpu,
        "prepare_s": seconds, "evidence": dict(found.evidence),
    }  # fmt: skip


def read(path: Path) -> list[dict]:
    """The lines of a campaign file; a line cut off by a kill is passed over."""
    rows = []
    if path.exists():
        for line in path.read_text().splitlines():
            try:
                rows.append(json.loads(line))
            except json.JSONDecodeError:
                continue
    return rows


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

    general = verbs.add_parser("baseline")
    general.add_argument("--scans", type=int, default=12)
    general.add_argument("--parts", default="")
    general.add_argument("--to", default="out/alignment-baseline.jsonl")
    general.set_defaults(act=baseline.run)
    wrong = verbs.add_parser("refusals")
    wrong.add_argument("--scans", type=int, default=2)
    wrong.add_argument("--to", default="out/alignment-refusals.jsonl")
    wrong.set_defaults(act=refusals.run)
    chosen = parser.parse_args()
    chosen.act(chosen)


if __name__ == "__main__":
    main()
