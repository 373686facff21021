"""The three ways of alignment: best fit, by datums, as scanned."""

from pathlib import Path

import numpy as np
import pytest

from runner.pipeline.identity import Identity
from runner.pipeline.inspect import inspect
from runner.pipeline.plan import load_plan
from runner.records import PoseStatus
from tests.pipeline.conftest import RECIPE, Bench, scan_of, write_block


def plan_with(alignment: str, folder: Path):
    write_block(folder / "block.step")
    text = RECIPE.replace("alignment: {start: automatic}", f"alignment: {alignment}")
    assert text != RECIPE
    # a distance along x without datums shows the pose itself
    text = text.replace('  "4":', '  "5": {distance: [side, bore], limits: 40 ±0.5, along: +x}\n  "4":')
    (folder / "block.yaml").write_text(text, encoding="utf-8")
    return load_plan(folder / "block.yaml")


def test_by_datums_the_datum_features_lie_at_nominal(bench: Bench, tmp_path: Path) -> None:
    plan = plan_with("{method: datums, datums: main}", tmp_path)
    inspection = inspect(plan, [bench.scan], Identity("1")).inspection
    system = next(s for s in inspection.datum_systems if s.name == "main")
    # once moved into the datums' frame there is nothing left to move
    assert np.allclose(np.array(system.drawing_from_fit), np.eye(4), atol=1e-6)
    values = {r.id: r.value for r in inspection.results}
    assert values["3"] == pytest.approx(0.0, abs=0.01)


def test_as_scanned_takes_the_scan_where_it_lies(bench: Bench, tmp_path: Path) -> None:
    plan = plan_with("{method: as scanned}", tmp_path)
    lying = scan_of(tmp_path / "block.step", tmp_path / "TB-7_0001.ply", pose="as nominal")
    good = inspect(plan, [lying], Identity("1")).inspection
    assert good.poses[0].status is PoseStatus.ALIGNED
    assert good.poses[0].nominal_from_scan == tuple(map(tuple, np.eye(4).tolist()))
    assert {r.id: r.value for r in good.results}["5"] == pytest.approx(40.0, abs=0.003)
    # the same part in another place is not found there, and nothing is searched
    away = inspect(plan, [bench.scan], Identity("2")).inspection
    assert away.poses[0].status is PoseStatus.NOT_ALIGNED
    assert all(r.value is None for r in away.results)
