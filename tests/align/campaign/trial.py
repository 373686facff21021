"""One scan of the campaign, aligned and judged; what the commands of the campaign share."""

from __future__ import annotations

import json
import os
import subprocess
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent


def commit() -> str:
    """The commit at hand, with a mark when the tree differs from it."""
    name = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=HERE, capture_output=True, text=True, check=False
    ).stdout.strip()
    changed = subprocess.run(
        ["git", "diff", "--quiet", "HEAD", "--", "runner"], cwd=HERE, check=False, capture_output=True
    ).returncode
    return (name or "unknown") + ("+" if changed else "")


_READY: dict = {}


def ready(name: str):
    """Nominal, index and model of a part, made once in each process; the model comes from the cache where it is."""
    if name not in _READY:
        import nominals

        from runner.align.model import FORMAT, AlignmentModel, prepare_model
        from runner.geometry.distance import SurfaceIndex

        nominal = nominals.load(name)
        if nominal is None:
            _READY[name] = None
            return None
        index = SurfaceIndex.build(nominal)
        kept = Path(os.environ.get("RUNNER_CACHE", str(Path.home() / ".cache" / "recipe-runner"))) / "campaign"
        kept.mkdir(parents=True, exist_ok=True)
        file = kept / f"{nominal.sha256[:24]}-{FORMAT}.npz"
        try:
            with np.load(file) as arrays:
                model = AlignmentModel.from_arrays(dict(arrays))
            seconds = 0.0
        except (OSError, ValueError, KeyError, TypeError):
            start = time.perf_counter()
            model = prepare_model(nominal, index)
            seconds = time.perf_counter() - start
            partial = file.with_suffix(f".{os.getpid()}.npz")
            np.savez(partial, **model.to_arrays())
            partial.replace(file)
        model.bins(nominal)
        _READY[name] = (nominal, index, model, seconds)
    return _READY[name]


def one(job: tuple[str, int, str]) -> dict | None:
    """Align one scan of the campaign and judge it."""
    import bound
    import scenes

    from runner.align.run import align
    from runner.align.symmetry import pose_distance
    from runner.align.types import AlignSettings
    from runner.records import PoseStatus

    name, seed, version = job
    prepared = ready(name)
    if prepared is None:
        return None
    nominal, index, model, seconds = prepared
    made = scenes.make(nominal, index, model, seed)
    if np.count_nonzero(made.part) < 100:
        # all of the part lies behind itself from there, or was taken away: this is no scan of it
        return None
    start, cpu = time.perf_counter(), time.process_time()
    found = align(made.scan, nominal, index, model, AlignSettings())
    wall, cpu = time.perf_counter() - start, time.process_time() - cpu
    truth = made.nominal_from_scan
    low, high = nominal.bounds
    turn = truth[:3, :3]
    on_part = made.scan.points[made.part] @ turn.T + truth[:3, 3]
    table = model.symmetry
    axis = (table.axis_point[0], table.axis[0]) if len(table.axis) == 1 else None
    foot = index.closest(on_part, 3.0)
    usable = foot.triangle >= 0
    floor, corner = bound.least_error(foot.point[usable], foot.normal[usable], scenes.NOISE, low, high, axis)
    limit = 3.0 * floor
    off = near_off = None
    goal = truth
    if made.scene.form:
        near = align(made.scan, nominal, index, model, AlignSettings(start_pose=truth))
        if near.nominal_from_scan is not None:
            near_off = pose_distance(near.nominal_from_scan, truth, table, model.search)
            if near_off < 5.0:
                goal = near.nominal_from_scan
                limit = max(limit, 0.005)
    if found.nominal_from_scan is not None:
        off = pose_distance(found.nominal_from_scan, goal, table, model.search)
    rivals = [*table.near, *(np.linalg.inv(m) for m in table.near)]
    for point, direction in zip(table.near_axis_point, table.near_axis, strict=True):
        from runner.align.symmetry import turn_about

        rivals += [turn_about(point, direction, np.deg2rad(15.0 * k)) for k in range(1, 24)]
    counts = bound.deciding_points(on_part, index, rivals, 5.0 * scenes.NOISE + made.scene.form)
    outcome = "refused"
    if found.status is PoseStatus.ALIGNED:
        outcome = "right" if off is not None and off <= limit else "wrong"
    return {
        "part": name, "commit": version, **made.row(), "outcome": outcome, "status": found.status.value,
        "off_mm": off, "limit_mm": limit, "bound_mm": floor, "corner_bound_mm": corner, "from_truth_mm": near_off,
        "deciding": min(counts) if counts else None, "reason": found.reason, "wall_s": wall, "cpu_s": cpu,
        "prepare_s": seconds, "evidence": dict(found.evidence),
    }  # fmt: skip


def read(path: Path) -> list[dict]:
    """The lines of a campaign file; a line cut off by a kill is passed over."""
    rows = []
    if path.exists():
        for line in path.read_text().splitlines():
            try:
                rows.append(json.loads(line))
            except json.JSONDecodeError:
                continue
    return rows
