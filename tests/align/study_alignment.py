"""Study of the alignment: ``python tests/align/study_alignment.py --scans N``.

For each part N simulated scans with a seed of their own: a random pose, from above on a table, from one side or all
round, with fixtures, strays, smooth form error in every third and no normals in every fourth. Printed together:
right (modulo true symmetry; without form error 0.05 mm at the farthest corner, with form error against the pose that
refinement reaches from the true pose), refused (ambiguous or not aligned) and wrong.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import models
import parts
import sampler

from runner.align.model import prepare_model
from runner.align.run import align
from runner.align.symmetry import pose_distance
from runner.align.types import AlignSettings
from runner.geometry.distance import SurfaceIndex
from runner.records import PoseStatus

STEP_MODELS = {
    "ctc01": "nist_ctc_01_asme1_ap242-e1.stp",
    "ctc03": "nist_ctc_03_asme1_ap242-e2.stp",
    "ftc06": "nist_ftc_06_asme1_ap242-e2.stp",
}


def load(name):
    if name in parts.PARTS:
        return parts.build(name)
    shared = models.shared_folder()
    if shared is None or not (shared / "models" / STEP_MODELS[name]).exists():
        return None
    return models.step_nominal(shared / "models" / STEP_MODELS[name])


def scenario(seed):
    """What a seed stands for; independent of the part."""
    rng = np.random.default_rng([seed, 77])
    views = rng.choice(["table", "one", "all"], p=[0.5, 0.25, 0.25])
    return {
        "views": str(views),
        "table": views == "table",
        "fixtures": int(rng.integers(0, 4)),
        "form": float(rng.uniform(0.2, 1.0)) if seed % 3 == 2 else 0.0,
        "normals": "none" if seed % 4 == 3 else "signed",
        "turn": sampler.random_rotation(rng) if rng.random() < 0.5 else None,
    }


def one(nominal, index, model, seed, count):
    how = scenario(seed)
    sim = sampler.simulate(nominal, index, seed, count=count, **how)
    cpu, wall = time.process_time(), time.perf_counter()
    found = align(sim.scan, nominal, index, model, AlignSettings())
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    truth = sim.nominal_from_scan
    limit = 0.05
    if how["form"]:
        near = align(sim.scan, nominal, index, model, AlignSettings(start_pose=truth))
        if (
            near.nominal_from_scan is not None
            and pose_distance(near.nominal_from_scan, truth, model.symmetry, model.search) < 5
        ):
            truth, limit = near.nominal_from_scan, 0.05
    off = None
    if found.status is PoseStatus.ALIGNED:
        off = pose_distance(found.nominal_from_scan, truth, model.symmetry, model.search)
        outcome = "right" if off <= limit else "wrong"
    else:
        outcome = "refused"
    return {
        "seed": seed, "outcome": outcome, "status": found.status.value, "off_mm": off, "reason": found.reason,
        "cpu_s": cpu, "wall_s": wall, "points": len(sim.scan.points),
        **{k: how[k] for k in ("views", "form", "normals", "fixtures")},
        "evidence": dict(found.evidence),
    }  # fmt: skip


def main():
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--scans", type=int, default=10, help="scans per part")
    arguments.add_argument("--seed", type=int, default=1000, help="first seed")
    arguments.add_argument("--points", type=int, default=100_000)
    arguments.add_argument("--parts", default=",".join([*parts.PARTS, *STEP_MODELS]))
    arguments.add_argument("--json", help="append one line per scan to this file")
    chosen = arguments.parse_args()
    totals = {"right": 0, "refused": 0, "wrong": 0}
    print(
        f"{'part':10} {'right':>6} {'refused':>8} {'wrong':>6} {'median off':>11} {'CPU s med/max':>14} {'prepare':>8}"
    )
    for number, name in enumerate(chosen.parts.split(",")):
        nominal = load(name)
        if nominal is None:
            print(f"{name:10} not here")
            continue
        index = SurfaceIndex.build(nominal)
        start = time.process_time()
        model = prepare_model(nominal, index)
        prepared = time.process_time() - start
        rows = [
            one(nominal, index, model, chosen.seed + 10_000 * number + k, chosen.points) for k in range(chosen.scans)
        ]
        if chosen.json:
            with Path(chosen.json).open("a") as out:
                out.writelines(json.dumps({"part": name, **row}) + "\n" for row in rows)
        count = {key: sum(r["outcome"] == key for r in rows) for key in totals}
        for key in totals:
            totals[key] += count[key]
        offs = [r["off_mm"] for r in rows if r["off_mm"] is not None]
        cpu = [r["cpu_s"] for r in rows]
        middle = f"{np.median(offs):11.4f}" if offs else f"{'-':>11}"
        print(f"{name:10} {count['right']:6} {count['refused']:8} {count['wrong']:6} {middle} ", end="")
        print(f"{np.median(cpu):8.1f}/{max(cpu):<5.1f} {prepared:8.1f}", flush=True)
        for r in rows:
            if r["outcome"] != "right":
                how = f"{r['views']}, form {r['form']:.2f}, normals {r['normals']}"
                print(f"   seed {r['seed']} ({how}) {r['outcome']}, off {r['off_mm']}: {r['reason']}")
    n = sum(totals.values())
    bound = 100 * (1 - 0.05 ** (1 / n)) if n and not totals["wrong"] else float("nan")
    print(f"together {totals}; 95 % bound on wrong when none was seen: {bound:.2f} %")


if __name__ == "__main__":
    main()
