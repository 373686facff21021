"""Study of edges: bias and spread of hole diameters over spacing, stripe direction, cloud or mesh, and kind of edge.

    python tests/measure/study_edges.py OUT.jsonl [--repeats 100] [--cells main] [--validation]

Scans are sampled here from exact geometry: nothing of the synthetic scanner is used. One JSON line per scan, with the
seed and the commit; a run that was stopped goes on where it was. Tuning used the seeds below 50,000 and the losses
``none``, ``even`` and ``ramp``; ``--validation`` takes seeds from 50,000 on, which no tuning has seen, and adds
``tail``.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from collections import defaultdict
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from scipy.spatial import Delaunay

from runner.geometry.distance import SurfaceIndex
from runner.geometry.shapes import Circle
from runner.measure.edge_features import measure_edge_feature
from runner.measure.scene import AlignedScan, build_scene
from runner.measure.specs import FeatureSpec, MeasurePlan

HOLES = {"6": (20.0, 25.0, 3.0), "12": (45.0, 25.0, 6.0), "25": (82.0, 25.0, 12.5)}
LONG, WIDE, THICK = 110.0, 50.0, 1.5
NOISE = 0.02
REACH = 0.3
"""mm: within this of the border a share of the points is lost: half (``even``), or half falling to none (``ramp``)."""
TAIL = 0.15
"""mm: over this depth a loss of 60 % at the border falls to 22 %, and so on (``tail``)."""
BREAK = 0.2
"""mm: radius of the edge break; height and width of the burr; a die roll is this high and twice as wide."""
VALIDATION = 50_000
"""First seed of the scans that no tuning has seen."""


@dataclass(frozen=True)
class Cell:
    """One combination that is repeated."""

    spacing: float = 0.4
    direction: float = 0.0
    """deg of the stripes."""
    form: str = "cloud"
    loss: str = "none"
    edge: str = "sharp"
    sides: int = 1
    """2: the other side of the sheet is seen too, and the walls between."""
    mixed: float = 0.0
    """Share of the points within ``REACH`` of the border that slip off it, up to 1 mm down."""
    shadow: float = 0.0
    """mm: over a quarter of the turn nothing is seen within this of the border."""
    oval: float = 0.0
    """mm: amplitude of the second harmonic of a hole's radius."""


def cells(which: str, validation: bool) -> list[Cell]:
    """Return the combinations: around a middle one, with the crossings that matter."""
    base = Cell()
    losses = ("none", "even", "ramp", "tail") if validation else ("none", "even", "ramp")
    found = [
        replace(base, direction=angle, form=form, loss=loss)
        for angle in (0.0, 45.0, 90.0)
        for form in ("cloud", "mesh")
        for loss in losses
    ]
    if which == "tune":
        found = [replace(base, loss=x, spacing=s) for x in losses for s in (0.2, 0.4, 0.8)]
        found += [replace(base, edge=e, spacing=s) for e in ("break", "burr", "die roll") for s in (0.2, 0.8)]
        found += [replace(base, sides=2, edge=e) for e in ("sharp", "break", "burr")]
        found += [replace(base, mixed=0.2), replace(base, mixed=0.2, sides=2)]
    if which == "main":
        found += [
            replace(base, spacing=s, form=form, loss=loss)
            for s in (0.2, 0.8)
            for form in ("cloud", "mesh")
            for loss in losses
        ]
        found += [replace(base, spacing=s, sides=2) for s in (0.2, 0.4, 0.8)]
        found += [replace(base, spacing=s, edge=e) for e in ("break", "burr", "die roll") for s in (0.2, 0.4, 0.8)]
        found += [replace(base, edge=e, sides=2) for e in ("break", "burr")]
        found += [replace(base, mixed=0.2), replace(base, mixed=0.2, sides=2)]
    if which == "shadow":
        found = [replace(base, shadow=x, spacing=s) for s in (0.2, 0.4) for x in (0.0, 0.15, 0.3, 0.5, 1.0, 2.0)]
        found += [replace(base, shadow=x, form="mesh") for x in (0.5, 1.0)]
        found += [replace(base, shadow=1.0, loss="even")]
        found += [replace(base, oval=x, spacing=s) for s in (0.2, 0.4) for x in (0.05, 0.2)]
    return found


def stripes(cell: Cell, random: np.random.Generator, half: float) -> np.ndarray:
    """Return sampling places (n, 2) of one pass about the origin: stripes whose distances scatter by a tenth."""
    s = cell.spacing
    gaps = s * np.maximum(0.3, 1.0 + 0.1 * random.standard_normal(int(2 * half / s) + 8))
    across = np.cumsum(gaps) - half - random.uniform(0.0, 2.0) * s
    along = np.arange(-half, half, s)[None] + random.uniform(-0.5, 0.5, (len(across), 1)) * s
    flat = np.column_stack([along.ravel(), np.repeat(across, along.shape[1])])
    angle = np.radians(cell.direction)
    c, q = np.cos(angle), np.sin(angle)
    return flat @ np.array([[c, q], [-q, c]])


def hole(cell: Cell, at: tuple[float, float, float], random: np.random.Generator) -> tuple[np.ndarray, ...]:
    """Return points, normals and which are on the upper side, around one hole."""
    cx, cy, radius = at
    wide = 18.0 * cell.spacing
    flat = stripes(cell, random, radius + wide)
    r = np.hypot(*flat.T)
    inside = r - radius - cell.oval * np.cos(2.0 * np.arctan2(flat[:, 1], flat[:, 0]))
    seen = (inside > 0) & (r < radius + wide)
    if cell.shadow:
        turned = (np.arctan2(flat[:, 1], flat[:, 0]) - random.uniform(0.0, 2.0 * np.pi)) % (2.0 * np.pi)
        seen &= (turned > np.pi / 2) | (inside > cell.shadow)
    flat, r, inside = flat[seen], r[seen], inside[seen]
    chance = {
        "none": 0.0 * inside,
        "even": 0.5 * (inside < REACH),
        "ramp": 0.5 * np.clip(1 - inside / REACH, 0, 1),
        "tail": 0.6 * np.exp(-inside / TAIL),
    }
    keep = random.uniform(size=len(r)) >= chance[cell.loss]
    flat, r, inside = flat[keep], r[keep], inside[keep]
    out = flat / r[:, None]
    height, slope = np.zeros(len(r)), np.zeros(len(r))
    t = np.clip(1.0 - inside / BREAK, 0.0, 1.0 - 1e-6)
    if cell.edge == "break":
        height, slope = -BREAK * (1.0 - np.sqrt(1.0 - t**2)), t / np.sqrt(1.0 - t**2)
    elif cell.edge == "burr":
        height, slope = BREAK * t, -np.where(t > 0, 1.0, 0.0)
    elif cell.edge == "die roll":
        t = np.clip(1.0 - inside / (2 * BREAK), 0.0, 1.0)
        height, slope = -BREAK * t**2, t
    normals = np.column_stack([-slope[:, None] * out, np.ones(len(r))])
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    points = np.column_stack([flat, THICK + height])
    points += NOISE * random.standard_normal((len(r), 1)) * normals
    slipped = (inside < REACH) & (random.uniform(size=len(r)) < cell.mixed)
    points[slipped, 2] -= random.uniform(0.0, 1.0, int(slipped.sum()))
    upper = np.ones(len(r), dtype=bool)
    if cell.sides == 2:
        low = stripes(cell, random, radius + wide)
        r = np.hypot(*low.T)
        low = low[(r > radius) & (r < radius + wide)]
        count = random.poisson(2 * np.pi * radius * THICK / cell.spacing**2)
        angle = random.uniform(0, 2 * np.pi, count)
        away = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)])
        top = {"sharp": THICK, "burr": THICK + BREAK}.get(cell.edge, THICK - BREAK)
        wall = radius * away + random.uniform(0.0, top, (count, 1)) * [0.0, 0.0, 1.0]
        more = np.vstack([np.column_stack([low, np.zeros(len(low))]), wall])
        facing = np.vstack([np.tile([0.0, 0.0, -1.0], (len(low), 1)), -away])
        points = np.vstack([points, more + NOISE * random.standard_normal((len(more), 1)) * facing])
        normals = np.vstack([normals, facing])
        upper = np.concatenate([upper, np.zeros(len(more), dtype=bool)])
    return points + [cx, cy, 0.0], normals, upper


def triangles(points: np.ndarray, rows: np.ndarray, longest: float) -> np.ndarray:
    """Return triangles (m, 3) between neighbouring points of the upper side, anticlockwise from above."""
    chosen = np.flatnonzero(rows)
    t = chosen[Delaunay(points[chosen, :2]).simplices]
    p = points[t][..., :2]
    sides = np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).max(axis=1)
    t = t[sides < longest]
    a, b = points[t[:, 1]] - points[t[:, 0]], points[t[:, 2]] - points[t[:, 0]]
    down = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0] < 0
    t[down] = t[down][:, ::-1]
    return t.astype(np.int32)


class Bench:
    """The nominal plate and what is measured on it."""

    def __init__(self) -> None:
        from runner.nominal.load import load_nominal
        from runner.rehearse import solids

        bores = (solids.cylinder((x, y, -1.0), (0, 0, 1), 2 * r, THICK + 2) for x, y, r in HOLES.values())
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "plate.step"
            solids.write_step(solids.cut(solids.box((0.0, 0.0, 0.0), (LONG, WIDE, THICK)), *bores), path, "plate")
            self.nominal = load_nominal(path)
        self.index = SurfaceIndex.build(self.nominal)
        self.specs = [
            FeatureSpec(name, "circle", Circle((x, y, THICK), (0.0, 0.0, 1.0), r), source="edges")
            for name, (x, y, r) in HOLES.items()
        ]

    def run(self, cell: Cell, seed: int) -> dict[str, object]:
        """Return the errors of one scan, in spacings."""
        random = np.random.default_rng([seed, round(1000 * cell.spacing), round(cell.direction), cell.sides])
        pieces, truth = [], {}
        for name, (x, y, r) in HOLES.items():
            dx, dy, growth = random.uniform(-0.1, 0.1, 2).tolist() + [random.uniform(-0.05, 0.05)]
            truth[name] = (x + dx, y + dy, r + growth)
            pieces.append(hole(cell, truth[name], random))
        points, normals, upper = (np.concatenate([p[k] for p in pieces]) for k in range(3))
        if cell.form == "mesh":
            scan = AlignedScan(points, None, triangles=triangles(points, upper, 3.0 * cell.spacing))
        else:
            scan = AlignedScan(points, normals, normals_signed=True)
        scene = build_scene([scan], self.nominal, self.index, 3.0)
        plan = MeasurePlan("ISO GPS", tuple(self.specs), (), (), NOISE, cell.spacing)
        found: dict[str, object] = {}
        for spec in self.specs:
            made = measure_edge_feature(spec, plan, self.nominal, self.index, scene)
            if not made.ok or made.border is None or not isinstance(made.shape, Circle):
                found[spec.name] = made.reason
                continue
            x, y, r = truth[spec.name]
            away = np.array(made.shape.centre)[:2] - (x, y)
            found[spec.name] = [
                2 * (made.shape.radius - r) / cell.spacing,
                (made.border.raw_size - 2 * r) / cell.spacing,
                *(away / cell.spacing).tolist(),
                made.border.size_standard / cell.spacing,
            ]
        return found


def commit() -> str:
    """Return the commit that is measured."""
    asked = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False)
    return asked.stdout.strip() or "unknown"


def table(lines: list[dict]) -> str:
    """Return bias and spread by cell and hole, in spacings."""
    groups: dict[tuple, list] = defaultdict(list)
    for line in lines:
        cell = Cell(**line["cell"])
        for name, value in line["found"].items():
            groups[(cell, name)].append(value)
    text = [
        "spacing stripes form  loss edge      sides mixed shadow oval hole |   n bad  bias  +-    spread told  raw bias"
    ]
    for (cell, name), values in groups.items():
        good = np.array([v for v in values if not isinstance(v, str)], dtype=float)
        head = (
            f"{cell.spacing:5.1f} {cell.direction:6.0f}   {cell.form:5} {cell.loss:5}{cell.edge:9} {cell.sides}    "
            f"{cell.mixed:4.1f} {cell.shadow:5.2f} {cell.oval:5.2f} {name:>4} | "
            f"{len(values):3d} {len(values) - len(good):4d} "
        )
        if len(good) > 1:
            sd = good[:, 0].std(ddof=1)
            head += f"{good[:, 0].mean():+7.3f} {sd / np.sqrt(len(good)):5.3f} {sd:6.3f} {np.median(good[:, 4]):6.3f} "
            head += f"{np.nanmean(good[:, 1]):+7.3f}"
        text.append(head)
    return "\n".join(text)


def main() -> None:
    """Run what is missing and print the table."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("out", type=Path)
    ask.add_argument("--repeats", type=int, default=100)
    ask.add_argument("--cells", choices=("main", "few", "tune", "shadow"), default="main")
    ask.add_argument("--validation", action="store_true")
    asked = ask.parse_args()
    lines = [json.loads(t) for t in asked.out.read_text().splitlines()] if asked.out.exists() else []
    done = {(json.dumps(line["cell"], sort_keys=True), line["seed"]) for line in lines}
    bench, stamp = Bench(), commit()
    first = VALIDATION if asked.validation else 0
    with asked.out.open("a") as file:
        for cell in cells(asked.cells, asked.validation):
            key = json.dumps(asdict(cell), sort_keys=True)
            for seed in range(first, first + asked.repeats):
                if (key, seed) in done:
                    continue
                line = {"commit": stamp, "seed": seed, "cell": asdict(cell), "found": bench.run(cell, seed)}
                file.write(json.dumps(line) + "\n")
                file.flush()
                lines.append(line)
    sys.stdout.write(table(lines) + "\n")


if __name__ == "__main__":
    main()
