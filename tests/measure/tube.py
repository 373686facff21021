"""A tube as STEP and scans of it from parameters, to test sections, local thickness and points on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import move_points, turn_vectors
from runner.geometry.mesh import Nominal
from runner.measure.characteristics.common import Context
from runner.measure.datums import establish
from runner.measure.features import measure_features
from runner.measure.judge import judge
from runner.measure.run import evaluate
from runner.measure.scene import AlignedScan, Scene, build_scene
from runner.measure.specs import CharacteristicSpec, DatumSystemSpec, FeatureSpec, MeasurePlan
from runner.records import MeasuredFeature, Result

OUTER, INNER, LENGTH = 20.0, 18.0, 60.0


@lru_cache(maxsize=1)
def tube() -> tuple[Nominal, SurfaceIndex]:
    """A tube about z from 0 to 60, radii 20 and 18."""
    from runner.nominal.load import load_nominal
    from runner.rehearse import solids

    body = solids.cut(
        solids.cylinder((0, 0, 0), (0, 0, 1), 2 * OUTER, LENGTH),
        solids.cylinder((0, 0, -1), (0, 0, 1), 2 * INNER, LENGTH + 2),
    )
    with TemporaryDirectory() as folder:
        path = Path(folder) / "tube.step"
        solids.write_step(body, path, "tube")
        nominal = load_nominal(path)
    return nominal, SurfaceIndex.build(nominal)


@dataclass(frozen=True)
class Real:
    """What differs from nominal, mm."""

    outer: float = 0.0
    """Added to the outer radius."""
    inner: float = 0.0
    lobes: tuple[int, float] = (0, 0.0)
    """Undulations per turn of the outer radius, and their amplitude."""
    taper: float = 0.0
    """Growth of the outer radius per mm of z, from the middle."""
    shift: tuple[float, float] = (0.0, 0.0)
    noise: float = 0.0
    bump: float = 0.0
    """Height of the outer surface over angles within 0.2 rad of +x."""

    def radius(self, angle: np.ndarray, z: np.ndarray, *, outer: bool = True) -> np.ndarray:
        """The real radius."""
        if not outer:
            return np.full_like(angle, INNER + self.inner)
        near = np.abs(np.remainder(angle + np.pi, 2 * np.pi) - np.pi) < 0.2
        waves = self.lobes[1] * np.cos(self.lobes[0] * angle)
        return OUTER + self.outer + waves + self.taper * (z - LENGTH / 2) + self.bump * near


def scan(
    real: Real, *, step: float = 0.9, seed: int = 0, inner: bool = True, outer: bool = True,
    arc: tuple[float, float] = (0.0, 2 * np.pi), mesh: bool = False, move: np.ndarray | None = None,
    normals: bool = True,
) -> AlignedScan:  # fmt: skip
    """Points of the walls; a mesh is structured and covers the outside only."""
    rng = np.random.default_rng(seed)
    points, facing, triangles = [], [], None
    for side, wanted in ((True, outer), (False, inner and not mesh)):
        if not wanted:
            continue
        size = OUTER if side else INNER
        a = np.arange(arc[0], arc[1], step / size)
        z = np.arange(0.3, LENGTH - 0.2, step)
        grid_a, grid_z = np.meshgrid(a, z, indexing="ij")
        angle = grid_a + rng.uniform(-0.3, 0.3, grid_a.shape) * step / size
        height = grid_z + rng.uniform(-0.3, 0.3, grid_z.shape) * step
        angle, height = angle.ravel(), np.clip(height.ravel(), 0.01, LENGTH - 0.01)
        radial = np.column_stack([np.cos(angle), np.sin(angle), np.zeros_like(angle)])
        radius = real.radius(angle, height, outer=side)
        place = radius[:, None] * radial + np.column_stack([np.tile(real.shift, (len(angle), 1)), height])
        normal = radial if side else -radial
        points.append(place + real.noise * rng.normal(size=(len(place), 1)) * normal)
        facing.append(normal)
        if mesh:
            n, m = grid_a.shape
            row = np.arange(n * m).reshape(n, m)
            full = abs(arc[1] - arc[0] - 2 * np.pi) < 1e-9
            last = np.roll(row, -1, axis=0) if full else row[1:]
            first = row if full else row[:-1]
            a0, b0, a1, b1 = first[:, :-1], last[:, :-1], first[:, 1:], last[:, 1:]
            lower = np.column_stack([a0.ravel(), b0.ravel(), b1.ravel()])
            upper = np.column_stack([a0.ravel(), b1.ravel(), a1.ravel()])
            triangles = np.vstack([lower, upper]).astype(np.int32)
    p, f = np.vstack(points), np.vstack(facing)
    if move is not None:
        p, f = move_points(move, p), turn_vectors(move, f)
    return AlignedScan(p, f if normals and not mesh else None, normals_signed=normals and not mesh, triangles=triangles)


def scene(*scans: AlignedScan, reach: float = 5.0) -> Scene:
    """The scene of some scans."""
    return build_scene(scans, *tube(), reach)


@dataclass(frozen=True)
class Measured:
    """Records of features and results; no deviation map, which takes most of the time."""

    features: tuple[MeasuredFeature, ...]
    results: tuple[Result, ...]


def run(
    of: Scene,
    features: list[FeatureSpec],
    characteristics: list[CharacteristicSpec],
    systems: tuple[DatumSystemSpec, ...] = (),
) -> Measured:
    """Measure, as ``runner.measure.run`` does."""
    nominal, index = tube()
    plan = MeasurePlan("ISO GPS", tuple(features), systems, tuple(characteristics), noise=0.01, spacing=0.9)
    found = measure_features(plan, nominal, index, of)
    specs = {f.name: f for f in features}
    established = {s.name: establish(s, found, specs, np.array([0.0, 0.0, LENGTH / 2])) for s in systems}
    context = Context(plan, nominal, index, of, specs, found, established)
    results = tuple(judge(spec, evaluate(spec, context)) for spec in characteristics)
    return Measured(tuple(f.record() for f in found.values()), results)
