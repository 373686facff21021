"""Nearest point and signed distance: ours, Open3D's and libigl's on the same points in the same run, as ratios.

Usage: ``python tests/benchmarks/bench_distance.py NOMINAL [--points 200000] [--json FILE]``

Points lie on the faces with 20 um of noise, in random order. Ours includes sorting, sign, normal, face and the exact
distance; Open3D's closest-point query gives an unsigned one in float32, libigl's an unsigned one in float64. Errors
are against our exact distance, which the tests compare with the CAD kernel. CPU seconds count all threads.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from runner.geometry.distance import SurfaceIndex, TriangleIndex
from runner.geometry.morton import morton_order
from runner.nominal.load import load_nominal


def sample(nominal: Any, count: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    corners = nominal.mesh.vertices[nominal.mesh.triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1)
    chosen = rng.choice(len(area), count, p=area / area.sum())
    points = np.einsum("ik,ikj->ij", rng.dirichlet((1, 1, 1), count), corners[chosen])
    return points + rng.normal(0, 0.02, (count, 1)) * cross[chosen] / area[chosen, None]


def timed(work: Callable[[], Any], repeats: int = 3) -> tuple[Any, float, float]:
    """Result, least CPU seconds and least wall seconds."""
    work()
    cpu, wall = [], []
    for _ in range(repeats):
        c, w = time.process_time(), time.perf_counter()
        result = work()
        cpu.append(time.process_time() - c)
        wall.append(time.perf_counter() - w)
    return result, min(cpu), min(wall)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("nominal", type=Path, nargs="+")
    parser.add_argument("--points", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    report = []
    for path in options.nominal:
        nominal = load_nominal(path)
        points = sample(nominal, options.points, options.seed)
        ordered = np.ascontiguousarray(points[morton_order(points)])
        exact = SurfaceIndex.build(nominal)
        mesh = TriangleIndex(nominal.mesh)
        rows: dict[str, tuple[float, float, float]] = {}
        closest, cpu, wall = timed(lambda index=exact, p=points: index.closest(p))
        truth = np.abs(closest.distance)
        rows["ours, exact and signed"] = (cpu, wall, 0.0)
        (_, found, _, _), cpu, wall = timed(lambda index=mesh, p=points: index.nearest(p))
        reference = found
        rows["ours, mesh only"] = (cpu, wall, float(np.abs(found - truth).max()))
        try:
            import open3d as o3d

            scene = o3d.t.geometry.RaycastingScene()
            scene.add_triangles(nominal.mesh.vertices.astype(np.float32), nominal.mesh.triangles.astype(np.uint32))
            for name, p in (("Open3D, random order", points), ("Open3D, sorted", ordered)):
                query = o3d.core.Tensor(p.astype(np.float32))
                answer, cpu, wall = timed(lambda q=query, s=scene: s.compute_closest_points(q)["points"].numpy())
                distance = np.linalg.norm(p - answer, axis=1)
                expected = truth if p is points else truth[morton_order(points)]
                rows[name] = (cpu, wall, float(np.abs(distance - expected).max()))
        except ImportError as error:
            print(f"Open3D left out: {error}")
        try:
            import igl

            triangles = nominal.mesh.triangles.astype(np.int64)
            answer, cpu, wall = timed(
                lambda n=nominal, t=triangles, p=ordered: igl.point_mesh_squared_distance(p, n.mesh.vertices, t)[0], 1
            )
            order = morton_order(points)
            rows["libigl, sorted"] = (cpu, wall, float(np.abs(np.sqrt(answer) - truth[order]).max()))
            print(f"mesh distance against libigl: {np.abs(np.sqrt(answer) - reference[order]).max():.2e} mm")
        except ImportError as error:
            print(f"libigl left out: {error}")
        base = rows["ours, exact and signed"][0]
        print(f"{path.name}: {len(nominal.mesh.triangles)} triangles, {len(points)} points")
        print(f"{'':26}{'CPU s/M':>9}{'wall s/M':>10}{'ratio CPU':>11}{'largest error mm':>18}")
        for name, (cpu, wall, error) in rows.items():
            scale = 1e6 / len(points)
            print(f"{name:26}{cpu * scale:9.3f}{wall * scale:10.3f}{cpu / base:11.2f}{error:18.6f}")
            report.append(
                {
                    "nominal": path.name,
                    "method": name,
                    "cpu_s": cpu,
                    "wall_s": wall,
                    "ratio": cpu / base,
                    "error_mm": error,
                }
            )
    if options.json:
        options.json.write_text(json.dumps({"points": options.points, "seed": options.seed, "rows": report}, indent=1))


if __name__ == "__main__":
    main()
