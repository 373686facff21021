"""Coarse scans: from which scatter on is a pose lost? Few points with much noise, for the rule that refuses them.

Each part is scanned with a few thousand points and a scatter that is a share of the form error that the recipe
expects. Of a scan that was refused for its scatter the pose it had is judged as well: how many right ones does the rule
cost, and how many wrong ones does it keep back?
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

SHARES = (0.1, 0.25, 0.4, 0.55, 0.7, 1.0)
FORM = 2.0
COUNTS = (4_000, 15_000)


def run(arguments) -> None:
    """Add the scans that are missing and print them by scatter."""
    import nominals
    import scenes
    from trial import commit, read, ready

    from runner.align.run import align
    from runner.align.symmetry import pose_distance
    from runner.align.types import AlignSettings

    path = Path(arguments.to)
    path.parent.mkdir(parents=True, exist_ok=True)
    done = {(r["part"], r["seed"], r["share"]) for r in read(path)}
    version = commit()
    with path.open("a") as out:
        for k in range(arguments.scans):
            for name in nominals.NAMES:
                if (prepared := ready(name)) is None:
                    continue
                nominal, index, model, _ = prepared
                seed = nominals.FIRST_SEED[name] + 950 + k
                for place, share in enumerate(SHARES):
                    if (name, seed, share) in done:
                        continue
                    count = COUNTS[(k + place) % len(COUNTS)]
                    made = scenes.make(nominal, index, model, seed, count=count, noise=share * FORM)
                    found = align(made.scan, nominal, index, model, AlignSettings(expected_form_error=FORM))
                    pose, off = found.nominal_from_scan, None
                    if pose is not None:
                        off = pose_distance(pose, made.nominal_from_scan, model.symmetry, model.search)
                    row = {"part": name, "seed": seed, "share": share, "count": count, "commit": version,
                           "status": found.status.value, "reason": found.reason, "off_mm": off,
                           "covered": made.coverage, "form": made.scene.form, "noise": found.evidence.get("scan noise"),
                           "diagonal": nominal.diagonal}  # fmt: skip
                    out.write(json.dumps(row) + "\n")
                    out.flush()
    _table(read(path))


def _table(rows: list[dict]) -> None:
    """By scatter: how the scans ended, and how many of the poses that were or would have been believed are off."""
    print(f"a pose counts as off from {FORM:g} mm on, the form error that the recipe expects")
    print(f"{'scatter/form':>12} {'scans':>5} {'aligned':>7} {'off':>4} {'worst mm':>8} | {'refused for scatter':>19} "
          f"{'off':>4} {'worst mm':>8} | {'refused otherwise':>17}")  # fmt: skip
    for share in SHARES:
        mine = [r for r in rows if r["share"] == share]
        if not mine:
            continue
        aligned = [r["off_mm"] for r in mine if r["status"] == "aligned"]
        loud = [r["off_mm"] for r in mine if r["status"] != "aligned" and "points scatter by" in r["reason"]]
        cells = [f"{len(v):>{w}} {sum(o >= FORM for o in v):>4} {max(v, default=np.nan):>8.2f}"
                 for v, w in ((aligned, 7), (loud, 19))]  # fmt: skip
        print(f"{share:>12.2f} {len(mine):>5} {cells[0]} | {cells[1]} | {len(mine) - len(aligned) - len(loud):>17}")
