"""What a capable engineer would write for one part number with general-purpose libraries, as one script.

Open3D reads, aligns (feature matching, then point-to-plane) and gives signed distances; SciPy fits; openpyxl writes
the row. It measures the features of the demo's bearing housing. It is the yardstick of ``bench_chain.py``, in the same
run, on the same scan. It refuses nothing and proves nothing; that is part of the comparison.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from pathlib import Path

import numpy as np
import open3d as o3d
from openpyxl import Workbook
from PIL import Image
from scipy.optimize import least_squares

PLANES = {  # name: point, normal, half size of the patch
    "foot": ((30, 0, 0), (0, 0, -1), 60),
    "top": ((29, 0, 52), (0, 0, 1), 33),
    "seat floor": ((20.5, 0, 42), (0, 0, 1), 24),
    "pad": ((10, -41, 36), (0, -1, 0), 20),
    "small boss": ((44, 4, 20), (0, 0, 1), 12),
}
CYLINDERS = {  # name: point, axis, radius, from, to
    "bore": ((0, 0, 0), (0, 0, 1), 17.5, 5, 41),
    "seat": ((0, 0, 42), (0, 0, 1), 23.5, 0.5, 9.5),
    "dowel hole": ((-44, 0, 0), (0, 0, 1), 4.0, 0.5, 11.5),
    "bolt hole 1": ((43, 33, 0), (0, 0, 1), 4.5, 0.5, 11.5),
    "bolt hole 2": ((-43, 33, 0), (0, 0, 1), 4.5, 0.5, 11.5),
    "bolt hole 3": ((-43, -33, 0), (0, 0, 1), 4.5, 0.5, 11.5),
    "bolt hole 4": ((43, -33, 0), (0, 0, 1), 4.5, 0.5, 11.5),
}
VOXEL = 1.5


def main(nominal_stl: Path, scan: Path, out: Path) -> None:
    seconds: dict[str, float] = {}
    since = time.perf_counter()

    def step(name: str) -> None:
        nonlocal since
        seconds[name] = time.perf_counter() - since
        since = time.perf_counter()

    mesh = o3d.io.read_triangle_mesh(str(nominal_stl))
    mesh.compute_vertex_normals()
    model = mesh.sample_points_uniformly(60_000)
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(o3d.t.geometry.TriangleMesh.from_legacy(mesh))
    since = time.perf_counter()  # the nominal is prepared once for all parts, as in the other program

    cloud = o3d.io.read_point_cloud(str(scan))
    points = np.asarray(cloud.points)
    step("read")
    thin = cloud.voxel_down_sample(VOXEL)
    _, table = thin.segment_plane(0.5, 3, 400)
    thin = thin.select_by_index(table, invert=True)
    thin, _ = thin.remove_statistical_outlier(20, 2.0)
    coarse_model = model.voxel_down_sample(VOXEL)
    registration = o3d.pipelines.registration
    features = []
    for part in (thin, coarse_model):
        part.estimate_normals(o3d.geometry.KDTreeSearchParamHybrid(2 * VOXEL, 30))
        features.append(registration.compute_fpfh_feature(part, o3d.geometry.KDTreeSearchParamHybrid(5 * VOXEL, 100)))
    found = registration.registration_ransac_based_on_feature_matching(
        thin, coarse_model, features[0], features[1], True, 1.5 * VOXEL,
        registration.TransformationEstimationPointToPoint(False), 3,
        [registration.CorrespondenceCheckerBasedOnDistance(1.5 * VOXEL)],
        registration.RANSACConvergenceCriteria(100_000, 0.999),
    )  # fmt: skip
    step("start pose")
    pose = found.transformation
    fine = cloud.voxel_down_sample(0.4)
    for reach in (2.0, 0.5, 0.2):
        pose = registration.registration_icp(
            fine, model, reach, pose, registration.TransformationEstimationPointToPlane()
        ).transformation
    points = points @ pose[:3, :3].T + pose[:3, 3]
    step("refine")
    distance = np.concatenate(
        [
            scene.compute_signed_distance(o3d.core.Tensor(part.astype(np.float32))).numpy()
            for part in np.array_split(points, max(1, len(points) // 500_000))
        ]
    )
    near = points[np.abs(distance) < 2.0]
    step("distances")
    row: dict[str, float] = {}
    for name, (at, normal, size) in PLANES.items():
        offset = near - np.array(at, dtype=float)
        n = np.array(normal, dtype=float)
        chosen = near[(np.abs(offset @ n) < 0.5) & (np.linalg.norm(offset, axis=1) < size)]
        centre = chosen.mean(axis=0)
        u, v = np.linalg.svd(np.array([n]))[2][1:]
        fit = least_squares(
            lambda p, q=chosen - centre, n=n, u=u, v=v: (
                (q @ (n + p[0] * u + p[1] * v) - p[2]) / np.linalg.norm(n + p[0] * u + p[1] * v)
            ),
            np.zeros(3),
        )
        row[f"{name} flatness"] = float(np.ptp(fit.fun))
        row[f"{name} height"] = float(centre @ n + fit.x[2])
    for name, (at, axis, radius, start, end) in CYLINDERS.items():
        offset = near - np.array(at, dtype=float)
        a = np.array(axis, dtype=float)
        along = offset @ a
        off_axis = np.linalg.norm(offset - along[:, None] * a, axis=1)
        q = offset[(np.abs(off_axis - radius) < 0.5) & (along > start) & (along < end)]
        u, v = np.linalg.svd(np.array([a]))[2][1:]

        def residual(
            p: np.ndarray, q: np.ndarray = q, a: np.ndarray = a, u: np.ndarray = u, v: np.ndarray = v
        ) -> np.ndarray:
            d = a + p[2] * u + p[3] * v
            d = d / np.linalg.norm(d)
            w = q - p[0] * u - p[1] * v
            return np.linalg.norm(w - (w @ d)[:, None] * d, axis=1) - p[4]

        fit = least_squares(residual, np.array([0, 0, 0, 0, radius], dtype=float))
        row[f"{name} diameter"] = float(2 * fit.x[4])
        row[f"{name} position"] = float(2 * np.hypot(fit.x[0], fit.x[1]))
        row[f"{name} form"] = float(np.ptp(fit.fun))
    row["profile"] = float(2 * np.abs(distance[np.abs(distance) < 2.0]).max())
    step("measure")
    draw(scene, points, distance, out / "plain.png")
    step("picture")
    workbook = Workbook()
    sheet = workbook.active
    sheet.append(list(row))
    sheet.append(list(row.values()))
    workbook.save(out / "plain.xlsx")
    step("workbook")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"seconds": seconds, "peak_mib": peak, "points": len(points), "values": row}))


def draw(scene: o3d.t.geometry.RaycastingScene, points: np.ndarray, distance: np.ndarray, path: Path) -> None:
    """Colour what one view of the nominal shows by the deviation of the nearest scan point."""
    from scipy.spatial import cKDTree

    rays = scene.create_rays_pinhole(30, [0, 0, 20], [220, -220, 220], [0, 0, 1], 1600, 1200)
    depth = scene.cast_rays(rays)["t_hit"].numpy()
    hit = np.isfinite(depth)
    array = rays.numpy()
    places = array[hit][:, :3] + depth[hit][:, None] * array[hit][:, 3:]
    near = np.abs(distance) < 1.0
    gap, index = cKDTree(points[near]).query(places, workers=-1)
    value = np.clip(distance[near][index] / 0.5, -1, 1)
    value[gap > 1.0] = 0
    image = np.full((*hit.shape, 3), 255, dtype=np.uint8)
    image[hit] = (np.column_stack([1 + value, 1 - np.abs(value), 1 - value]) * 127).astype(np.uint8)
    Image.fromarray(image).save(path)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]))
