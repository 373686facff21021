"""The known-truth study repeated with points that owe nothing to runner: ``python -m tests.studies.independent``.

tests/independent_sampler.py draws points on closed forms with a heavy-tailed error (20 um) and, where asked, thins them
out smoothly towards edges: an edge loss that was never used in tuning. They are measured by ``runner.measure`` on
nominals from the CAD kernel, each time at another true size and place. Printed: bias and spread of measured minus true,
and the spread over the Cramer-Rao bound for normal errors of the same standard deviation on the points used.
"""

from __future__ import annotations

import argparse
import math
import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

if __name__ == "__main__":  # a study runs worker processes; a test that imports it keeps its threads
    os.environ.setdefault("NUMBA_NUM_THREADS", "1")
    os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

from runner.geometry.distance import SurfaceIndex
from runner.geometry.shapes import Circle, Cone, Cylinder, Plane, Sphere
from runner.measure.run import measure
from runner.measure.scene import AlignedScan, build_scene
from runner.measure.specs import FeatureSpec, MeasurePlan
from runner.nominal.load import load_nominal
from tests.independent_sampler import sample
from tests.studies import bound
from tests.studies.parts import SPINDLE, build_spindle

NOISE, UP = 0.02, (0.0, 0.0, 1.0)
OUTER, HOLE, THICK = 20.0, 6.0, 1.5
HALF_ANGLE = math.atan(4.0 / 6.0)


@dataclass(frozen=True)
class Study:
    """One feature: how its points are drawn with true size and shift, and what is read off."""

    part: str
    spec: FeatureSpec
    draw: Callable[[np.random.Generator, float, Any], tuple[Any, Any]]
    """(random, growth of the size, shift) -> points, normals."""
    read: Callable[[Any], float]
    """Size of the shape: radius, half angle in degrees, height of a plane."""
    nominal: float
    bound: Callable[[Any, Any], float] | None
    """(points in the element's place, shape) -> bound of the size."""
    edge_fade: float = 0.0
    spacing: float = 0.0
    """Edges: mean spacing, mm; the aim is a twentieth of it in diameter."""


def _radial(p: Any) -> Any:
    return np.column_stack([p[:, :2], 0 * p[:, 2]]) / np.hypot(p[:, 0], p[:, 1])[:, None]


def _body(random, growth, shift):
    p = sample("cylinder", 2500, random, (12.0 + growth, 16.0), NOISE)
    return p + [0, 0, 6] + shift * [1, 1, 0], _radial(p)


def _ball(random, growth, shift):
    p = sample("sphere", 4000, random, (8.0 + growth,), NOISE)
    p = p[p[:, 2] > 0.3]
    return p + [0, 0, 42] + shift, p / np.linalg.norm(p, axis=1)[:, None]


def _taper(random, growth, shift):
    angle = HALF_ANGLE + np.radians(10 * growth)
    p = sample("cone", 2500, random, (8.0, angle, 5.0), NOISE) * [1, 1, -1] + [0, 0, 28]
    return p + shift * [1, 1, 0], _radial(p) * math.cos(angle) + np.array(UP) * math.sin(angle)


def _foot(random, growth, shift):
    p = sample("disc with hole", 4000, random, (17.0, 5.3), NOISE) * [1, 1, -1] - [0, 0, growth]
    return p, np.tile([0.0, 0.0, -1.0], (len(p), 1))


def _sheet(spacing, fade):
    def draw(random, growth, shift):
        count = random.poisson(np.pi * (OUTER**2 - HOLE**2) / spacing**2)
        p = sample("disc with hole", count, random, (OUTER, HOLE + growth), NOISE, edge_fade=fade)
        return p + [0, 0, THICK] + shift * [1, 1, 0], np.tile(UP, (len(p), 1))

    return draw


def _cylinder_bound(p, s):
    q = p - p.mean(axis=0)
    at = np.array(s.point) - p.mean(axis=0)
    return float(bound.bound(bound.cylinder, q, [at[0], at[1], 0, 0, s.radius], NOISE)[4])


def _cone_bound(p, s):
    q = (p - s.apex) * [1, 1, -1]
    q = q - [0, 0, q[:, 2].mean()]
    middle = float(((p - s.apex) * [1, 1, -1])[:, 2].mean())
    found = bound.bound(bound.cone, q, [0, 0, 0, 0, middle * math.tan(s.half_angle), s.half_angle], NOISE)
    return math.degrees(float(found[5]))


STUDIES = {
    "cylinder": Study(
        "spindle", FeatureSpec("body", "cylinder", Cylinder((0.0, 0.0, 14.0), UP, 12.0)), _body,
        lambda s: s.radius, 12.0, _cylinder_bound,
    ),
    "sphere": Study(
        "spindle", FeatureSpec("ball", "sphere", Sphere((0.0, 0.0, 42.0), 8.0)), _ball, lambda s: s.radius, 8.0,
        lambda p, s: float(bound.bound(bound.sphere, p, [*s.centre, s.radius], NOISE)[3]),
    ),
    "cone, degrees": Study(
        "spindle", FeatureSpec("taper", "cone", Cone((0.0, 0.0, 40.0), (0.0, 0.0, -1.0), HALF_ANGLE)), _taper,
        lambda s: math.degrees(s.half_angle), math.degrees(HALF_ANGLE), _cone_bound,
    ),
    "plane": Study(
        "spindle", FeatureSpec("foot", "plane", Plane((0.0, 12.0, 0.0), (0.0, 0.0, -1.0))), _foot,
        lambda s: -(s.point[2] + (s.normal[1] * 12.0) / s.normal[2]), 0.0, lambda p, s: NOISE / math.sqrt(len(p)),
    ),
    "hole edge, plain": Study(
        "sheet", FeatureSpec("hole", "circle", Circle((0.0, 0.0, THICK), UP, HOLE), source="edges"), _sheet(0.5, 0.0),
        lambda s: s.radius, HOLE, None, 0.0, 0.5,
    ),
    "hole edge, fades 0.3": Study(
        "sheet", FeatureSpec("hole", "circle", Circle((0.0, 0.0, THICK), UP, HOLE), source="edges"), _sheet(0.5, 0.3),
        lambda s: s.radius, HOLE, None, 0.3, 0.5,
    ),
}  # fmt: skip


def nominals(folder: Path) -> dict[str, Any]:
    """Build the two nominals."""
    from runner.rehearse import solids

    build_spindle(SPINDLE, folder / "spindle.step", "spindle")
    disc = solids.cut(
        solids.cylinder((0, 0, 0), UP, 2 * OUTER, THICK), solids.cylinder((0, 0, -1.0), UP, 2 * HOLE, THICK + 2)
    )
    solids.write_step(disc, folder / "sheet.step", "disc")
    found = {name: load_nominal(folder / f"{name}.step") for name in ("spindle", "sheet")}
    return {name: (nominal, SurfaceIndex.build(nominal)) for name, nominal in found.items()}


def run(name: str, made: dict[str, Any], repeats: int, seed: int = 1) -> tuple[list[float], list[float], list[str]]:
    """Return errors of the size, errors over their bounds, and the reasons of what was not measured."""
    study = STUDIES[name]
    random = np.random.default_rng([seed, list(STUDIES).index(name)])
    errors, ratios, reasons = [], [], []
    for _ in range(repeats):
        growth, shift = random.uniform(-0.1, 0.1), random.uniform(-0.2, 0.2, 3)
        points, normals = study.draw(random, growth, shift)
        nominal, index = made[study.part]
        scene = build_scene([AlignedScan(points, normals, normals_signed=True)], nominal, index, 5.0)
        plan = MeasurePlan(
            "ISO GPS", (study.spec,), (), (), NOISE, 0.5, sheet_thickness=THICK if study.part == "sheet" else None
        )
        found = measure(plan, nominal, index, scene).found[study.spec.name]
        if not found.ok:
            reasons.append(found.reason)
            continue
        true = study.nominal + (10 * growth if name.startswith("cone") else growth)
        errors.append(study.read(found.shape) - true)
        if study.bound is not None:
            ratios.append(errors[-1] / study.bound(found.points, found.shape))
    return errors, ratios, reasons


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=100)
    arguments = parser.parse_args()
    print(
        f"{'radius of, or':22} {'n':>4} {'missing':>7} {'bias':>8} {'+-':>6} {'spread':>8} {'in bounds':>9}  um or mdeg"
    )
    with tempfile.TemporaryDirectory(prefix="runner-study-") as folder:
        made = nominals(Path(folder))
        for name, study in STUDIES.items():
            errors, ratios, reasons = run(name, made, arguments.repeats)
            e = 1000 * np.array(errors)
            error = e.std(ddof=1) / math.sqrt(len(e))
            ratio = f"{np.std(ratios, ddof=1):9.2f}" if ratios else f"{'':9}"
            aim = 1000 * study.spacing / 40 if study.spacing else 1.0
            met = "" if name.startswith("cone") else "met" if abs(e.mean()) <= aim + 2 * error else "MISSED"
            print(f"{name:22} {len(e):4} {len(reasons):7} {e.mean():8.2f} {error:6.2f} {e.std(ddof=1):8.2f} {ratio}  "
                  f"{'aim ' + format(aim, '.3g') if met else ''} {met}", flush=True)  # fmt: skip
            for reason in sorted(set(reasons)):
                print(f"    not measured: {reason}")


if __name__ == "__main__":
    main()
