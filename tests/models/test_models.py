"""The whole chain on three public STEP models: random pose, table in view, every true deviation zero.

Models: the STEP set of NIST's MBE PMI validation and conformance testing project, read from ../shared/models (see its
README for where they come from). The recipes beside this file were written by hand from the published drawings.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from runner.pipeline.check import check_on_nominal
from runner.pipeline.identity import Identity
from runner.pipeline.inspect import inspect
from runner.pipeline.plan import load_plan
from runner.records import Outcome, Verdict
from runner.rehearse.scanner import scan
from runner.rehearse.settings import ScannerSettings

HERE = Path(__file__).resolve().parent
MODELS = HERE.parents[2] / "shared" / "models"
SURFACE_MM = 0.005
EDGE_SHARE = 0.25
"""Of the point spacing: how near a value from edge points must come."""
CASES = {
    # recipe, model, spacing, seed, kind of scan, characteristics that rest on edge points
    "machined plate": ("machined-plate", "nist_ctc_01_asme1_ap242-e1.stp", 1.6, 21, "mesh", {"10", "11"}),
    "sheet bracket": (
        "sheet-bracket",
        "nist_ctc_03_asme1_ap242-e2.stp",
        0.9,
        22,
        "cloud",
        {"1", "2", "3", "4", "5", "6"},
    ),
    "machined block": ("machined-block", "nist_ftc_06_asme1_ap242-e2.stp", 0.8, 23, "cloud", set()),
}
SIZES = {"size", "distance", "position", "angle"}


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES)
def test_a_scan_of_the_nominal_conforms_to_its_own_recipe(case: str, tmp_path: Path) -> None:
    recipe, model, spacing, seed, output, edges = CASES[case]
    if not (MODELS / model).exists():
        pytest.skip("../shared/models is not there")
    shutil.copy(HERE / f"{recipe}.yaml", tmp_path)
    shutil.copy(MODELS / model, tmp_path)
    plan = load_plan(tmp_path / f"{recipe}.yaml")
    assert [p for p in check_on_nominal(plan) if p.severity == "error"] == []
    settings = ScannerSettings(
        seed=seed,
        noise=0.02,
        stripe_spacing=spacing,
        point_spacing=spacing,
        output=output,
        normals="signed" if output == "cloud" else "none",
    )
    geometry, truth = scan(plan.nominal, settings)
    from runner.rehearse.demo import write_scan

    path = tmp_path / "scan.ply"
    write_scan(geometry, path)
    inspection = inspect(plan, [path], Identity("1")).inspection
    assert inspection.outcome is Outcome.ACCEPT, inspection.reason

    pose = np.array(inspection.poses[0].nominal_from_scan)
    low, high = plan.nominal.bounds
    corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
    moved = corners @ (pose @ np.linalg.inv(truth.nominal_from_scan))[:3, :3].T
    moved += (pose @ np.linalg.inv(truth.nominal_from_scan))[:3, 3]
    # the pose of the fit, before any datum: a few micrometres at the farthest corner
    assert np.linalg.norm(moved - corners, axis=1).max() < 0.03

    for result in inspection.results:
        assert result.verdict is Verdict.CONFORMS, (result.id, result.reason)
        if result.kind not in SIZES or result.kind == "angle":
            continue
        mm = 25.4 if result.unit == "in" else 1.0
        allowed = EDGE_SHARE * spacing if result.id in edges else SURFACE_MM
        # a position is twice the distance of the axis, of which each coordinate must come so near
        allowed *= np.sqrt(8.0) if result.kind == "position" else 1.0
        for value in [p.value for p in result.parts] or [result.value]:
            assert abs(value - result.nominal) * mm <= allowed, (result.id, value, result.nominal)
