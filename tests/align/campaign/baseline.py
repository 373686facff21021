"""General-purpose registration on the same scans: feature matching (RANSAC), fast global registration, then ICP."""

from __future__ import annotations

import json
import time
from pathlib import Path

import numpy as np


def run(arguments) -> None:
    """Add the scans that are missing and print times and failures beside those of align."""
    import nominals
    import scenes
    from trial import commit, read, ready

    path = Path(arguments.to)
    names = arguments.parts.split(",") if arguments.parts else list(nominals.NAMES)
    done = {(r["part"], r["seed"]) for r in read(path)}
    path.parent.mkdir(parents=True, exist_ok=True)
    version = commit()
    with path.open("a") as out:
        for name in names:
            if (prepared := ready(name)) is None:
                continue
            nominal, index, model, _ = prepared
            for k in range(arguments.first, arguments.first + arguments.scans):
                seed = nominals.FIRST_SEED[name] + k
                if (name, seed) in done:
                    continue
                made = scenes.make(nominal, index, model, seed)
                row = {"part": name, "seed": seed, "commit": version, "form": made.scene.form}
                row |= _both(made, nominal, model) | _ours(made, nominal, index, model)
                out.write(json.dumps(row) + "\n")
                out.flush()
    _table(read(path))


def _ours(made, nominal, index, model) -> dict:
    from runner.align.run import align
    from runner.align.types import AlignSettings

    start = time.perf_counter()
    found = align(made.scan, nominal, index, model, AlignSettings())
    seconds = time.perf_counter() - start
    return {"align": {"off_mm": _off(found.nominal_from_scan, made, model), "status": found.status.value, "s": seconds}}


def _off(pose, made, model):
    from runner.align.symmetry import pose_distance

    return (
        None if pose is None else pose_distance(np.asarray(pose), made.nominal_from_scan, model.symmetry, model.search)
    )


def _both(made, nominal, model) -> dict:
    """Open3D's two global methods with usual parameters, each followed by point-to-plane ICP in three scales."""
    import open3d as o3d

    d = nominal.diagonal
    voxel = d / 60.0
    registration = o3d.pipelines.registration

    def cloud(points):
        made_cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points))
        thin = made_cloud.voxel_down_sample(voxel)
        thin.estimate_normals(o3d.geometry.KDTreeSearchParamHybrid(2 * voxel, 30))
        features = registration.compute_fpfh_feature(thin, o3d.geometry.KDTreeSearchParamHybrid(5 * voxel, 100))
        return made_cloud, thin, features

    # a fair start: the table is taken out for them, as a plane of its own
    points = _without_table(made.scan.points, d)
    source, source_thin, source_features = cloud(points)
    # to about as many points as the nominal has samples: of a quarter of a million ICP takes ten seconds a scale
    source = source.uniform_down_sample(max(1, round(len(points) / len(model.search.samples))))
    _, target_thin, target_features = cloud(model.search.samples)
    target = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(model.search.samples))
    target.normals = o3d.utility.Vector3dVector(model.search.sample_normals)
    result = {}
    o3d.utility.random.seed(1)
    for name in ("feature matching", "fast global"):
        start = time.perf_counter()
        if name == "feature matching":
            rough = registration.registration_ransac_based_on_feature_matching(
                source_thin, target_thin, source_features, target_features, True, 1.5 * voxel,
                registration.TransformationEstimationPointToPoint(False), 3,
                [registration.CorrespondenceCheckerBasedOnEdgeLength(0.9),
                 registration.CorrespondenceCheckerBasedOnDistance(1.5 * voxel)],
                registration.RANSACConvergenceCriteria(100_000, 0.999),
            )  # fmt: skip
        else:
            rough = registration.registration_fgr_based_on_feature_matching(
                source_thin, target_thin, source_features, target_features,
                registration.FastGlobalRegistrationOption(maximum_correspondence_distance=0.5 * voxel),
            )  # fmt: skip
        pose = rough.transformation
        for reach in (2.0 * voxel, voxel, 0.5 * voxel):
            pose = registration.registration_icp(
                source, target, reach, pose,
                registration.TransformationEstimationPointToPlane(registration.TukeyLoss(0.5 * reach)),
            ).transformation  # fmt: skip
        result[name] = {"off_mm": _off(pose, made, model), "s": time.perf_counter() - start}
    return result


def _without_table(points, d):
    import open3d as o3d

    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points))
    _, rows = cloud.segment_plane(0.3, 3, 400)
    plane = points[rows]
    spread = np.linalg.norm(np.percentile(plane, 99, axis=0) - np.percentile(plane, 1, axis=0))
    if spread > 1.1 * d:
        keep = np.ones(len(points), dtype=bool)
        keep[rows] = False
        return points[keep]
    return points


def _table(rows) -> None:
    print(f"{'method':18} {'scans':>5} {'within 0.5 mm':>13} {'within 2 mm':>11} {'said so':>8} {'median s':>8}")
    for method in ("feature matching", "fast global", "align"):
        off = np.array([r[method]["off_mm"] if r[method]["off_mm"] is not None else np.inf for r in rows])
        # a bent part has another best fit than its rigid truth: only the basin can be compared there
        flat = np.array([r["form"] == 0 for r in rows])
        said = sum(r[method].get("status") not in (None, "aligned") for r in rows)
        close = f"{np.sum(off[flat] < 0.5)}/{flat.sum()}"
        print(f"{method:18} {len(rows):5} {close:>13} {np.sum(off < 2.0):11} {said:8} "
              f"{np.median([r[method]['s'] for r in rows]):8.2f}")  # fmt: skip
