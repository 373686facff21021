"""From scan file to workbook row: this program against the plain script, same scans, same run, as ratios.

    python tests/benchmarks/bench_chain.py [--points 1 5] [--folder FOLDER]

Both run in a process of their own on the demo's bearing housing, with the nominal prepared and (here) the kernels
compiled by a first small scan. The plain script fits the same planes and cylinders and draws one picture; form zones,
filters, coverage, datum systems, refusals and the ledger are work that only this program does.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

HERE = Path(__file__).resolve().parent
RECIPES = HERE.parents[1] / "recipes"


def make_scan(folder: Path, million: float) -> Path:
    """Scan a good housing with about this many million points, once per folder."""
    import numpy as np

    from runner.geometry.mesh import ScanGeometry
    from runner.rehearse.demo import build_piece, write_scan
    from runner.rehearse.demo_pieces import CLOUD, PIECES
    from runner.rehearse.scanner import scan

    path = folder / f"WV-315_{million:g}M.ply"
    if not path.exists():
        piece = next(p for p in PIECES if p.serial == "H0001")
        spacing = 0.45 * (0.4 / million) ** 0.5
        settings = replace(CLOUD, seed=1000, stripe_spacing=spacing, point_spacing=spacing, fixtures=2)
        geometry, _ = scan(build_piece(piece, folder), settings)
        keep = np.random.default_rng(1).permutation(len(geometry.points))[: int(million * 1e6)]
        keep.sort()
        normals = None if geometry.normals is None else geometry.normals[keep]
        write_scan(ScanGeometry(geometry.points[keep], None, normals, geometry.normals_signed), path)
    return path


def ours(warm: Path, scan: Path, out: Path) -> None:
    """Run the chain in this process and print its seconds and peak memory."""
    import time

    from runner.ledger.store import Ledger
    from runner.pipeline.documents import write_evidence, write_workbook
    from runner.pipeline.identity import Identity
    from runner.pipeline.inspect import inspect
    from runner.pipeline.plan import load_plan

    plan = load_plan(RECIPES / "bearing-housing.yaml")
    with Ledger.open(out / "ledger.db") as ledger:
        write_evidence(inspect(plan, [warm], Identity("warm")), plan, out)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        inspected = inspect(plan, [scan], Identity("1"))
        seconds = dict(inspected.inspection.provenance.seconds)
        since = time.perf_counter()
        inspection = write_evidence(inspected, plan, out)
        seconds["picture"] = time.perf_counter() - since
        since = time.perf_counter()
        ledger.record(inspection)
        write_workbook(ledger, inspection.part_number, out)
        seconds["ledger and workbook"] = time.perf_counter() - since
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    values = {r.id: r.value for r in inspection.results}
    print(
        json.dumps(
            {"seconds": seconds, "peak_mib": peak, "before_mib": before / 1024, "points": inspection.scans[0].points,
             "outcome": inspection.outcome, "values": values}
        )
    )  # fmt: skip


def nominal_stl(folder: Path) -> Path:
    """Write the nominal's mesh for the plain script."""
    from runner.formats import stl
    from runner.nominal.load import load_nominal

    nominal = load_nominal(RECIPES / "bearing-housing.step")
    path = folder / "nominal.stl"
    with path.open("wb") as stream:
        stl.write(stream, nominal.mesh.vertices, nominal.mesh.triangles)
    return path


def run(arguments: list[str]) -> dict[str, object]:
    done = subprocess.run([sys.executable, *arguments], capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)
    found: dict[str, object] = json.loads(done.stdout.splitlines()[-1])
    return found


def show(name: str, found: dict[str, object]) -> float:
    seconds: dict[str, float] = found["seconds"]  # type: ignore[assignment]
    total = sum(seconds.values())
    shares = ", ".join(f"{step} {spent:.2f}" for step, spent in seconds.items())
    print(f"  {name:13s} {total:6.2f} s, peak {found['peak_mib']:.0f} MiB   ({shares})")
    return total


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=float, nargs="+", default=[1.0, 5.0], help="millions of points")
    parser.add_argument("--folder", type=Path, default=None, help="keep the scans here for the next run")
    parser.add_argument("--ours", type=Path, nargs=3, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.ours:
        ours(*arguments.ours)
        return
    with tempfile.TemporaryDirectory() as temporary:
        folder = arguments.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        mesh, warm = nominal_stl(folder), make_scan(folder, 0.3)
        for million in arguments.points:
            scan = make_scan(folder, million)
            print(f"{million:g} million points:")
            out = Path(tempfile.mkdtemp(dir=temporary))
            mine = run([str(HERE / "bench_chain.py"), "--ours", str(warm), str(scan), str(out)])
            plain = run([str(HERE / "plain_script.py"), str(mesh), str(scan), str(out)])
            ratio = show("this program", mine) / show("plain script", plain)
            print(f"  time ratio {ratio:.2f}, memory ratio {mine['peak_mib'] / plain['peak_mib']:.2f}")  # type: ignore[operator]
            print(f"  outcome {mine['outcome']}; bore {mine['values']['2']} against {plain['values']['bore diameter']}")  # type: ignore[index]


if __name__ == "__main__":
    main()
