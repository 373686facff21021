"""Two scans of one part through the whole chain, and the recipe's own fit applied to both."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from runner.measure.specs import FitRegion, RefitSpec
from runner.pipeline.identity import Identity
from runner.pipeline.inspect import inspect
from runner.records import Outcome, PoseStatus, Verdict
from runner.records_io import inspection_from_json, to_json
from tests.pipeline.conftest import Bench, scan_of


def test_a_cloud_and_a_mesh_of_one_part_are_measured_together(bench: Bench, tmp_path: Path) -> None:
    mesh = scan_of(bench.folder / "block.step", tmp_path / "TB-7_0001_b.ply", seed=17, output="mesh")
    refit = RefitSpec("best fit", regions=(FitRegion(("base", "side", "front")),))
    plan = replace(bench.plan, measure=replace(bench.plan.measure, refit=refit))
    inspection = inspect(plan, [bench.scan, mesh], Identity("0001")).inspection
    assert [p.status for p in inspection.poses] == [PoseStatus.ALIGNED] * 2
    # each pose is its own, and says that the recipe's fit moved it
    assert not np.allclose(inspection.poses[0].nominal_from_scan, inspection.poses[1].nominal_from_scan, atol=1.0)
    assert all(p.evidence["fit: method"] == "best fit" for p in inspection.poses)
    (overlap,) = inspection.overlaps
    assert (overlap.first, overlap.second) == (bench.scan.name, mesh.name) and overlap.area > 5000
    assert overlap.agrees, overlap
    found = {r.id: r for r in inspection.results}
    # truth: the parameters the block was built with
    assert found["1"].value == pytest.approx(20.0, abs=0.003)
    assert found["2"].value == pytest.approx(16.0, abs=0.006)
    assert found["3"].verdict is Verdict.CONFORMS
    assert inspection_from_json(to_json(inspection)) == inspection


def test_the_same_bytes_twice_are_one_scan(bench: Bench, tmp_path: Path) -> None:
    twin = tmp_path / "TB-7_0001_b.ply"
    twin.write_bytes(bench.scan.read_bytes())
    inspection = inspect(bench.plan, [bench.scan, twin], Identity("0001")).inspection
    assert inspection.outcome is Outcome.HOLD and "same bytes" in inspection.reason
    assert all(r.value is None for r in inspection.results)
