"""From a scan that does not show the bore to the operator's board: what to do, and a picture of where."""

import base64
import io
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
from PIL import Image

from runner.ledger.store import Ledger
from runner.pipeline.board import AGAIN, board_data, picture_address
from runner.pipeline.documents import write_evidence
from runner.pipeline.identity import Identity
from runner.pipeline.inspect import inspect
from runner.records import Outcome
from runner.rehearse.demo import write_scan
from runner.rehearse.scanner import scan
from runner.rehearse.settings import ScannerSettings
from tests.pipeline.conftest import ENTRIES, Bench

BORE = np.array([40.0, 20.0])


def without_the_bore(bench: Bench, path):
    """The bench's own scan, less the points on the bore's wall, which are found in the part's own frame."""
    usual = {"noise": 0.01, "stripe_spacing": 0.5, "point_spacing": 0.5, "normals": "signed", "layers": 1}
    geometry, truth = scan(bench.plan.nominal, ScannerSettings(seed=5, **usual))
    points = geometry.points @ truth.nominal_from_scan[:3, :3].T + truth.nominal_from_scan[:3, 3]
    away = np.linalg.norm(points[:, :2] - BORE, axis=1)
    keep = ~((away < 8.5) & (points[:, 2] > 0.5) & (points[:, 2] < 19.5))
    assert 0 < (~keep).sum() < len(keep) / 4
    write_scan(SimpleNamespace(points=geometry.points[keep], normals=geometry.normals[keep], triangles=None), path)


def test_a_bore_that_was_not_seen_is_shown_to_the_operator(bench: Bench, tmp_path) -> None:
    path, out = tmp_path / "TB-7_0009.ply", tmp_path / "out"
    without_the_bore(bench, path)
    path.with_name(path.name + ".entries.yaml").write_text(ENTRIES)
    inspected = inspect(bench.plan, [path], Identity("0009", "L", "op", "bench 1"))
    assert inspected.inspection.outcome is Outcome.HOLD
    inspection = write_evidence(inspected, bench.plan, out)
    with Ledger.open(out / "ledger.db") as ledger:
        ledger.record(inspection)
        data = board_data(ledger, [], [], out, datetime.now(UTC))
    (task,) = data.tasks
    assert "bore" in task.what_to_do and task.picture == inspection.picture.removesuffix(".png") + AGAIN
    shown = picture_address(out, task.picture)
    pixels = np.asarray(Image.open(io.BytesIO(base64.b64decode(shown.split(",")[1]))).convert("RGB"), dtype=int)
    body = pixels[50:-45]
    assert ((body[..., 0] - body[..., 2]) > 80).sum() > 50, "the bore's wall is marked in one view at least"
