"""Known-truth study: measured minus true for every characteristic, through the whole chain. Seeded, resumable, adds up.

    python -m tests.studies.known_truth run --scans 100 --to out/known-truth.jsonl    # adds what is missing
    python -m tests.studies.known_truth table out/known-truth.jsonl                   # bias and spread, with the aims

Each scan is one line: part, seed, commit, cloud or mesh, and measured minus true by characteristic. A piece is built
from its parameters by the CAD kernel, scanned by the synthetic scanner in a random pose over a table (white noise
20 um along the normal), written as a file and measured by its recipe as the runner does it. Truth is the parameters.
"in bounds" is the spread over the Cramer-Rao bound, which tests/studies/bound.py computes on the points that were used.

A scan's seed fixes everything about it; even seeds are clouds, odd seeds are meshes. In a quarter of the scans the pose
is found from anywhere; in the others, to save time, the search starts from the true pose displaced by some 2 mm and
2 degrees (column "start"). What follows (proof, refinement, clean-up) is the same for both.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import os
import subprocess
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

if __name__ == "__main__":  # a study runs worker processes; a test that imports it keeps its threads
    os.environ.setdefault("NUMBA_NUM_THREADS", "1")
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from tests.studies import bound
from tests.studies.parts import HEAD, PARTS, Truth

NOISE, SPACING = 0.02, 0.5
SURFACE_AIM = 0.001
"""Bias allowed of surface values at 20 um noise, mm, and 2 standard errors on top."""
EDGE_AIM = SPACING / 20
FIRST_SEED = {"sheet": 100_000, "block": 200_000, "spindle": 300_000}
_READY: dict = {}


def commit() -> str:
    """The commit at hand, with a mark when the tree differs from it; ``STUDY_COMMIT`` names it for a copy of a tree."""
    if os.environ.get("STUDY_COMMIT"):
        return os.environ["STUDY_COMMIT"]
    here = Path(__file__).parent
    name = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=here, capture_output=True, text=True, check=False
    )
    changed = subprocess.run(["git", "diff", "--quiet", "HEAD", "--", "runner"], cwd=here, check=False).returncode
    return (name.stdout.strip() or "unknown") + ("+" if changed else "")


def ready(name: str, folder: Path):
    """Plan and pieces of a part, made once in each process."""
    if name not in _READY:
        from runner.nominal.step import read
        from runner.pipeline.plan import load_plan

        part = PARTS[name]
        place = folder / f"{name}-{os.getpid()}"
        place.mkdir(parents=True, exist_ok=True)
        part.build(part.nominal, place / f"{name}.step", name)
        (place / "recipe.yaml").write_text(HEAD.format(number=name, name=name, spacing=SPACING) + part.recipe, "utf-8")
        pieces = []
        for k, made in enumerate(part.pieces):
            path = place / f"piece-{k}.step"
            part.build(made, path, f"piece {k}")
            data = path.read_bytes()
            pieces.append(read(path, data, hashlib.sha256(data).hexdigest()))
        _READY[name] = (load_plan(place / "recipe.yaml"), pieces, place)
    return _READY[name]


def scan_settings(seed: int):
    """How a seed is scanned."""
    from runner.rehearse.settings import ScannerSettings

    mesh = bool(seed % 2)
    return ScannerSettings(
        seed=seed, noise=NOISE, stripe_spacing=SPACING, point_spacing=SPACING, layers=1, views_each_side=5,
        table_margin=8.0,
        output="mesh" if mesh else "cloud", normals="none" if mesh else "signed", pose="random", table_gap=6.0,
    )  # fmt: skip


def displaced(seed: int) -> np.ndarray:
    """Return a small random motion (4, 4): about 2 degrees and 2 mm."""
    from scipy.spatial.transform import Rotation

    random = np.random.default_rng([seed, 11])
    motion = np.eye(4)
    motion[:3, :3] = Rotation.from_rotvec(np.radians(2.0) * random.standard_normal(3) / math.sqrt(3)).as_matrix()
    motion[:3, 3] = 2.0 * random.standard_normal(3) / math.sqrt(3)
    return motion


def one(job: tuple[str, int, str, str]) -> dict:
    """Scan and measure one piece."""
    from runner.pipeline.identity import Identity
    from runner.pipeline.inspect import inspect
    from runner.rehearse.demo import write_scan
    from runner.rehearse.scanner import scan

    name, seed, version, folder = job
    part = PARTS[name]
    plan, pieces, place = ready(name, Path(folder))
    made = (seed // 2) % len(pieces)
    settings = scan_settings(seed)
    began = time.process_time()
    geometry, truth = scan(pieces[made], settings)
    searched = (seed // 2) % 4 == 0
    if not searched:
        rough = displaced(seed) @ truth.nominal_from_scan
        plan = replace(plan, align=replace(plan.align, start_pose=rough))
    path = place / f"{seed}.ply"
    write_scan(geometry, path)
    scanned = time.process_time() - began
    found = inspect(plan, [path], Identity(str(seed)))
    path.unlink()
    spent = time.process_time() - began - scanned
    row = {
        "part": name, "seed": seed, "commit": version, "output": settings.output, "piece": made,
        "start": "automatic" if searched else "rough", "points": len(geometry.points), "scan_s": round(scanned, 2),
        "measure_s": round(spent, 2),
        "pose": str(found.inspection.poses[0].status) if found.inspection.poses else "none",
        "reason": found.inspection.reason[:200], "error": {}, "missing": {}, "in_bounds": {},
        "interval": {},
    }  # fmt: skip
    results = {r.id: r for r in found.inspection.results}
    features = {f.name: f for f in found.inspection.features}
    for key, truth in part.truth(part.pieces[made]).items():
        if ": " in key:
            feature, parameter = key.split(": ")
            value = features[feature].parameters.get(parameter) if feature in features else None
            values = [None if value is None else math.degrees(float(value))]
            reason = features[feature].reason if feature in features else "no such feature"
        else:
            result = results[key]
            values = [p.value for p in result.parts] if len(truth.values) > 1 else [result.value]
            reason = result.reason
            of = result.parts if len(truth.values) > 1 else [result]
            if all("corrected, at least" in p.details for p in of):
                row["interval"][key] = [
                    [float(p.details[f"corrected{what}"]) - t for what in (", at least", " for noise", ", at most")]
                    for p, t in zip(of, truth.values, strict=False)
                ]
        row["error"][key] = [None if v is None else v - t for v, t in zip(values, truth.values, strict=False)]
        if any(v is None for v in values) or len(values) != len(truth.values):
            row["missing"][key] = reason[:200]
    if found.measured is not None:
        for key, feature in part.bounded.items():
            size = row["error"][key][0] if row["error"].get(key) else None
            limit = size_bound(found.measured.found.get(feature))
            if size is not None and limit is not None:
                row["in_bounds"][key] = size / limit
    return row


def size_bound(feature) -> float | None:
    """Return the bound of a cylinder's or sphere's diameter on the points that were used, mm."""
    if feature is None or not feature.ok or feature.shape is None:
        return None
    p, shape = np.asarray(feature.points), feature.shape
    if hasattr(shape, "axis"):
        w = np.array(shape.axis)
        u = np.cross(w, np.eye(3)[np.argmin(np.abs(w))])
        u /= np.linalg.norm(u)
        q = (p - p.mean(axis=0)) @ np.array([u, np.cross(w, u), w]).T
        at = (np.array(shape.point) - p.mean(axis=0)) @ np.array([u, np.cross(w, u), w]).T
        return 2 * float(bound.bound(bound.cylinder, q, [at[0], at[1], 0, 0, shape.radius], NOISE)[4])
    return 2 * float(bound.bound(bound.sphere, p, [*shape.centre, shape.radius], NOISE)[3])


def read(path: Path) -> list[dict]:
    """Lines of the campaign; a half-written last line is left out."""
    rows = []
    for line in path.read_text("utf-8").splitlines() if path.exists() else []:
        try:
            rows.append(json.loads(line))
        except json.JSONDecodeError:
            continue
    return rows


def run(arguments) -> None:
    """Add the scans that are missing, part by part in turn."""
    path = Path(arguments.to)
    path.parent.mkdir(parents=True, exist_ok=True)
    done = {(r["part"], r["seed"]) for r in read(path)}
    version, names = commit(), arguments.parts.split(",")
    ends = time.monotonic() + 60 * arguments.minutes
    with tempfile.TemporaryDirectory(prefix="runner-study-") as folder:
        jobs = [
            (name, FIRST_SEED[name] + k, version, folder)
            for k in range(arguments.scans)
            for name in names
            if (name, FIRST_SEED[name] + k) not in done
        ]
        with path.open("a", encoding="utf-8") as out:

            def keep(row: dict) -> None:
                out.write(json.dumps(row) + "\n")
                out.flush()

            if arguments.workers <= 1:
                for job in jobs:
                    if time.monotonic() > ends:
                        break
                    keep(one(job))
            else:
                with ProcessPoolExecutor(arguments.workers, mp_context=get_context("spawn")) as pool:
                    waiting = iter(jobs)
                    running = {
                        pool.submit(one, job) for _, job in zip(range(2 * arguments.workers), waiting, strict=False)
                    }
                    while running:
                        ready_now = next(as_completed(running))
                        running.remove(ready_now)
                        keep(ready_now.result())
                        job = next(waiting, None) if time.monotonic() < ends else None
                        if job is not None:
                            running.add(pool.submit(one, job))
    print_table(read(path))


def _aim(truth: Truth, bias: float, error: float, degrees: bool) -> str:
    """What the aim says of a bias, um, with its standard error."""
    if truth.of == "zone":
        return "noise adds"
    if degrees:
        return "-"
    aim = SURFACE_AIM if truth.of == "surface" else EDGE_AIM
    return "met" if abs(bias) <= 1000 * aim + 2 * error else "MISSED"


def print_table(rows: list[dict]) -> None:
    """Bias and spread by characteristic, cloud and mesh; spread over its bound for sizes by least squares."""
    versions = ", ".join(sorted({r["commit"] for r in rows}))
    print(f"{len(rows)} scans, commit {versions}; noise {1000 * NOISE:.0f} um, spacing {SPACING} mm; um or mdeg")
    print(f"aims on |bias|: surface {1000 * SURFACE_AIM:.0f} um, edges {1000 * EDGE_AIM:.0f} um, + 2 standard errors")
    for name, part in PARTS.items():
        for output in ("cloud", "mesh"):
            mine = [r for r in rows if r["part"] == name and r["output"] == output]
            if not mine:
                continue
            posed = [r for r in mine if r["pose"] == "aligned"]
            free = sum(r["start"] == "automatic" for r in mine)
            cost = np.median([r["measure_s"] for r in mine])
            print(
                f"\n{name}, {output}: {len(mine)} scans ({free} from anywhere), {len(posed)} aligned; {cost:.1f} CPU s"
            )
            head = f"{'n':>4} {'missing':>7} {'bias':>8} {'+-':>5} {'spread':>7} {'+-':>5} {'in bounds':>9}"
            print(f"  {'characteristic':19} {'of':8} {head}  aim")
            for key, truth in part.truth(part.nominal).items():
                _print_row(key, truth, posed)


def _print_row(key: str, truth: Truth, posed: list[dict]) -> None:
    """One characteristic."""
    errors = 1000 * np.array([e for r in posed for e in r["error"].get(key, []) if e is not None])
    missing, n = sum(key in r["missing"] for r in posed), len(errors)
    if n < 3 * len(truth.values):
        print(f"  {key:19} {truth.of:8} {n:4} {missing:7}")
        return
    bias, spread = errors.mean(), errors.std(ddof=1)
    # members of a pattern share the alignment and the datums: only scans count as independent
    error = spread / math.sqrt(n / len(truth.values))
    ratios = [r["in_bounds"][key] for r in posed if key in r["in_bounds"]]
    ratio = f"{np.std(ratios, ddof=1):9.2f}" if len(ratios) > 2 else f"{'':9}"
    figures = f"{bias:8.2f} {error:5.2f} {spread:7.2f} {spread / math.sqrt(2 * (n - 1)):5.2f} {ratio}"
    print(f"  {key:19} {truth.of:8} {n:4} {missing:7} {figures}  {_aim(truth, bias, error, 'angle' in key)}")
    inside = np.array([i for r in posed for i in r.get("interval", {}).get(key, [])])
    if len(inside):
        held = np.count_nonzero((inside[:, 0] <= 0) & (inside[:, 2] >= 0))
        print(f"  {'':28} less the noise part: bias {1000 * inside[:, 1].mean():.2f} um, "
              f"interval holds the truth {held} of {len(inside)} times")  # fmt: skip


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    verbs = parser.add_subparsers(required=True)
    adding = verbs.add_parser("run")
    adding.add_argument("--scans", type=int, default=100, help="scans per part, cloud and mesh in turn")
    adding.add_argument("--parts", default=",".join(PARTS))
    adding.add_argument("--to", default="out/known-truth.jsonl")
    adding.add_argument("--workers", type=int, default=1)
    adding.add_argument("--minutes", type=float, default=1e6, help="start no further scan after this time")
    adding.set_defaults(act=run)
    showing = verbs.add_parser("table")
    showing.add_argument("file")
    showing.set_defaults(act=lambda a: print_table(read(Path(a.file))))
    arguments = parser.parse_args()
    arguments.act(arguments)


if __name__ == "__main__":
    main()
