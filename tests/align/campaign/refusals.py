"""The refusal matrix: scans of every part, its mirrored twin and wrong units against every other part's nominal."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np


def run(arguments) -> None:
    """Add the pairs that are missing and print the matrix: every cell has to be refused."""
    import nominals
    import scenes
    from trial import commit, read, ready

    from runner.align.run import align
    from runner.align.types import AlignSettings
    from runner.geometry.mesh import ScanGeometry

    path = Path(arguments.to)
    path.parent.mkdir(parents=True, exist_ok=True)
    done = {(r["scanned"], r["recipe"], r["seed"]) for r in read(path)}
    version = commit()
    names = [name for name in nominals.NAMES if ready(name) is not None]

    def log(out, scanned, recipe, seed, scan):
        if (scanned, recipe, seed) in done:
            return
        nominal, index, model, _ = ready(recipe)
        found = align(scan, nominal, index, model, AlignSettings())
        row = {"scanned": scanned, "recipe": recipe, "seed": seed, "commit": version, "status": found.status.value,
               "reason": found.reason}  # fmt: skip
        out.write(json.dumps(row) + "\n")
        out.flush()

    with path.open("a") as out:
        for scanned in names:
            nominal, index, model, _ = ready(scanned)
            for k in range(arguments.scans):
                seed = nominals.FIRST_SEED[scanned] + 900 + k
                made = scenes.make(nominal, index, model, seed)
                for recipe in names:
                    if recipe != scanned:
                        log(out, scanned, recipe, seed, made.scan)
                scan = made.scan
                flip = np.array([-1.0, 1.0, 1.0])
                if not len(model.symmetry.exact_mirrored):
                    twin = ScanGeometry(
                        scan.points * flip,
                        normals=None if scan.normals is None else scan.normals * flip,
                        normals_signed=scan.normals_signed,
                        triangles=None if scan.triangles is None else np.ascontiguousarray(scan.triangles[:, ::-1]),
                    )
                    log(out, f"{scanned} mirrored", scanned, seed, twin)
                inches = ScanGeometry(
                    scan.points / 25.4, normals=scan.normals, normals_signed=scan.normals_signed,
                    triangles=scan.triangles,
                )  # fmt: skip
                log(out, f"{scanned} in inches", scanned, seed, inches)
    _table(read(path), names)


def _table(rows, names) -> None:
    accepted = [r for r in rows if r["status"] == "aligned"]
    print(f"{len(rows)} scans against a nominal that is not theirs; aligned: {len(accepted)}")
    for r in accepted:
        print(f"   {r['scanned']} against {r['recipe']}, seed {r['seed']}")
    for kind in ("mirrored", "in inches"):
        mine = [r for r in rows if r["scanned"].endswith(kind)]
        word = "mirror image" if kind == "mirrored" else "inches"
        print(f"{kind}: {len(mine)} scans, {sum(r['status'] != 'aligned' for r in mine)} refused, "
              f"{sum(word in r['reason'] for r in mine)} with that reason")  # fmt: skip
