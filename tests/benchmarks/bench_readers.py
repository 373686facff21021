"""Reading scans: this project's readers against Open3D's on the same files, same checked answer, same run.

    python tests/benchmarks/bench_readers.py --points 1000000 [--json FILE]

Each reading runs in a process of its own, so that its peak memory is its own. Every reader runs once unmeasured first
(compiled kernels, page cache), then ``--repeats`` times; the median counts. Times are CPU seconds of the whole
process, wall seconds beside them, since cores may be shared. Open3D's STL is not welded, so its answer has three
vertices per triangle; it is asked to join them (``remove_duplicated_vertices``), which is what a mesh must be for
boundary edges.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]

OURS = """
import sys
sys.path.insert(0, {root!r})
from runner.scan.read import read_scan
def load(path):
    scan = read_scan(path)
    g = scan.geometry
    return g.points, 0 if g.triangles is None else len(g.triangles), g.points.nbytes + (
        0 if g.triangles is None else g.triangles.nbytes) + (0 if g.normals is None else g.normals.nbytes)
"""
THEIRS = """
import numpy as np, open3d
def load(path):
    if path.endswith(("mesh.ply", ".stl")):
        mesh = open3d.io.read_triangle_mesh(path)
        if path.endswith(".stl"):
            mesh.remove_duplicated_vertices()
        return np.asarray(mesh.vertices), len(mesh.triangles), 0
    return np.asarray(open3d.io.read_point_cloud(path).points), 0, 0
"""
MEASURE = """
import json, resource, sys, threading, time
path, repeats = sys.argv[1], int(sys.argv[2])
def resident():
    # Without the pages of the mapped file, which the system takes back when it needs them.
    with open("/proc/self/statm") as file:
        _, whole, shared, *_ = file.read().split()
    return (int(whole) - int(shared)) * resource.getpagesize()
points, triangles, size = load(path)
answer = dict(points=len(points), triangles=triangles, mean=points.mean(axis=0).tolist(), arrays=size)
del points
start = resident()
peak, done = 0, threading.Event()
def watch():
    global peak
    while not done.wait(0.002):
        peak = max(peak, resident())
cpu, wall = [], []
for _ in range(repeats):
    c, w = time.process_time(), time.perf_counter()
    points = load(path)
    cpu.append(time.process_time() - c)
    wall.append(time.perf_counter() - w)
    del points
threading.Thread(target=watch, daemon=True).start()
points = load(path)
done.set()
print(json.dumps(answer | dict(cpu=cpu, wall=wall, rise=max(0, peak - start))))
"""


def write_files(folder: Path, count: int) -> dict[str, Path]:
    """A bent sheet seen in stripes, with 5 um noise, as cloud and as mesh."""
    sys.path.insert(0, str(ROOT))
    from runner.formats import ply, stl, text

    side = int(count**0.5)
    x, y = np.meshgrid(np.linspace(0, 200, side), np.linspace(0, 150, side), indexing="ij")
    points = np.stack([x, y, 10 * np.sin(x / 30) + 5 * np.cos(y / 20)], axis=-1).reshape(-1, 3)
    points += np.random.default_rng(1).normal(0, 0.005, points.shape)
    index = np.arange(side * side, dtype=np.int32).reshape(side, side)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    triangles = np.concatenate([np.stack(s, axis=-1).reshape(-1, 3) for s in ((a, b, c), (a, c, d))])
    found = {n: folder / n for n in ("cloud.ply", "mesh.ply", "mesh.stl", "cloud.xyz")}
    with found["cloud.ply"].open("wb") as file:
        ply.write(file, points)
    with found["mesh.ply"].open("wb") as file:
        ply.write(file, points, triangles=triangles, double=False)
    with found["mesh.stl"].open("wb") as file:
        stl.write(file, points, triangles)
    with found["cloud.xyz"].open("w") as file:
        text.write(file, points, digits=5)
    return found


def run(code: str, path: Path, repeats: int) -> dict:
    """One reader on one file."""
    script = code.replace("{root!r}", repr(str(ROOT))) + MEASURE
    done = subprocess.run(
        [sys.executable, "-c", script, str(path), str(repeats)], capture_output=True, text=True, check=True
    )
    return dict(json.loads(done.stdout.strip().splitlines()[-1]))


def main() -> None:
    """Print one line per file, with ratios theirs / ours."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--points", type=int, default=1_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for name, path in write_files(Path(folder), options.points).items():
            ours, theirs = run(OURS, path, options.repeats), run(THEIRS, path, options.repeats)
            same = ours["points"] == theirs["points"] and ours["triangles"] == theirs["triangles"]
            assert same and np.allclose(ours["mean"], theirs["mean"], atol=1e-6), (name, ours, theirs)
            row = {"file": name, "points": ours["points"], "triangles": ours["triangles"]}
            for key in ("cpu", "wall"):
                row[f"ours_{key}_s"] = statistics.median(ours[key])
                row[f"open3d_{key}_s"] = statistics.median(theirs[key])
                row[f"{key}_ratio"] = row[f"open3d_{key}_s"] / row[f"ours_{key}_s"]
            row["ours_peak_over_arrays"] = ours["rise"] / ours["arrays"]
            row["open3d_peak_over_our_arrays"] = theirs["rise"] / ours["arrays"]
            rows.append(row)
            print(
                f"{name:10} {row['points']:>9} points {row['triangles']:>9} triangles; "
                f"CPU {row['ours_cpu_s']:.3f} s, Open3D {row['open3d_cpu_s']:.3f} s, ratio {row['cpu_ratio']:.1f} "
                f"(wall {row['wall_ratio']:.1f}); "
                f"peak over arrays {row['ours_peak_over_arrays']:.1f}, Open3D {row['open3d_peak_over_our_arrays']:.1f}",
                flush=True,
            )
    if options.json:
        options.json.write_text(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
