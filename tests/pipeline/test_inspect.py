"""Recipe × scan → inspection: what comes out for good pieces, bad pieces, bad scans and entered results."""

from pathlib import Path

import pytest

from runner.pipeline.entries import entries_file
from runner.pipeline.identity import Identity
from runner.pipeline.inspect import inspect, set_hash
from runner.records import Outcome, PoseStatus, Verdict
from runner.records_io import inspection_from_json, to_json
from tests.pipeline.conftest import ENTRIES, Bench, scan_of, write_block


def results(inspection):
    return {r.id: r for r in inspection.results}


def test_a_good_piece_is_accepted_with_its_true_values(bench: Bench, tmp_path: Path) -> None:
    scan = tmp_path / bench.scan.name
    scan.write_bytes(bench.scan.read_bytes())
    entries_file(scan).write_text(ENTRIES, encoding="utf-8")
    inspected = inspect(bench.plan, [scan], Identity("0001", lot="L1"))
    inspection = inspected.inspection
    assert inspection.outcome is Outcome.ACCEPT, inspection.reason
    found = results(inspection)
    # truth: the parameters the block was built with
    assert found["1"].value == pytest.approx(20.0, abs=0.002)
    assert found["2"].value == pytest.approx(16.0, abs=0.004)
    assert found["3"].value == pytest.approx(0.0, abs=0.01)
    assert found["4"].verdict is Verdict.CONFORMS and found["4"].details["gauge"] == "P-1"
    assert inspection.poses[0].status is PoseStatus.ALIGNED
    assert inspection.poses[0].removed["table"] > 1000
    assert inspection.deviation_map_sha256 == inspected.deviation_map.sha256
    assert inspection_from_json(to_json(inspection)) == inspection


def test_without_the_entered_result_the_piece_is_held(bench: Bench) -> None:
    inspection = inspect(bench.plan, [bench.scan], Identity("0001")).inspection
    assert inspection.outcome is Outcome.HOLD
    assert results(inspection)["4"].verdict is Verdict.NOT_MEASURED
    assert "4" in inspection.reason and "Enter the other gauge" in inspection.advice


def test_a_displaced_bore_is_rejected_for_its_position_only(bench: Bench, tmp_path: Path) -> None:
    step = write_block(tmp_path / "bad.step", bore_x=40.2, bore_diameter=16.02)
    scan = scan_of(step, tmp_path / "TB-7_0002.ply", seed=9, output="mesh")
    inspection = inspect(bench.plan, [scan], Identity("0002")).inspection
    found = results(inspection)
    assert inspection.outcome is Outcome.REJECT
    assert [r.id for r in inspection.results if r.verdict is Verdict.DOES_NOT_CONFORM] == ["3"]
    assert found["3"].value == pytest.approx(0.4, abs=0.01)
    assert found["2"].value == pytest.approx(16.02, abs=0.004)


@pytest.mark.parametrize(
    ("name", "change", "said"),
    [
        ("empty.ply", lambda data: b"", "empty"),
        ("short.ply", lambda data: data[: len(data) // 2], "short.ply"),
        ("noise.ply", lambda data: bytes(range(256)) * 50, "noise.ply"),
    ],
)
def test_a_file_that_is_no_scan_is_held_with_the_place(bench: Bench, tmp_path: Path, name, change, said) -> None:
    scan = tmp_path / name
    scan.write_bytes(change(bench.scan.read_bytes()))
    inspection = inspect(bench.plan, [scan], Identity("0003")).inspection
    assert inspection.outcome is Outcome.HOLD
    assert said in inspection.reason and inspection.advice
    assert all(r.verdict is Verdict.NOT_MEASURED for r in inspection.results)
    assert inspection.scans[0].name == name


def test_a_missing_file_is_held_and_not_a_crash(bench: Bench, tmp_path: Path) -> None:
    inspection = inspect(bench.plan, [tmp_path / "gone.ply"], Identity("0004")).inspection
    assert inspection.outcome is Outcome.HOLD and "gone.ply" in inspection.reason


def test_another_part_is_held_as_not_aligned(bench: Bench, tmp_path: Path) -> None:
    from runner.rehearse.solids import box, cut, cylinder, write_step

    other = cut(box((0.0, 0.0, 0.0), (60.0, 50.0, 8.0)), cylinder((15.0, 15.0, -1.0), (0.0, 0.0, 1.0), 22.0, 10.0))
    write_step(other, tmp_path / "other.step", "other")
    scan = scan_of(tmp_path / "other.step", tmp_path / "TB-7_0005.ply", seed=3)
    inspection = inspect(bench.plan, [scan], Identity("0005")).inspection
    assert inspection.outcome is Outcome.HOLD
    assert inspection.poses[0].status is not PoseStatus.ALIGNED
    assert all(r.value is None for r in inspection.results)


def test_a_scan_in_metres_is_named_as_such(bench: Bench, tmp_path: Path) -> None:
    from runner.formats import ply
    from runner.scan.read import read_scan

    geometry = read_scan(bench.scan).geometry
    scan = tmp_path / "TB-7_0006.ply"
    with scan.open("wb") as stream:
        ply.write(stream, geometry.points / 1000.0, normals=geometry.normals)
    inspection = inspect(bench.plan, [scan], Identity("0006")).inspection
    assert inspection.outcome is Outcome.HOLD
    assert "metres" in inspection.reason


def test_entries_with_a_mistake_hold_the_piece(bench: Bench, tmp_path: Path) -> None:
    scan = tmp_path / bench.scan.name
    scan.write_bytes(bench.scan.read_bytes())
    entries_file(scan).write_text(ENTRIES.replace("pass", "passed"), encoding="utf-8")
    inspection = inspect(bench.plan, [scan], Identity("0007")).inspection
    assert inspection.outcome is Outcome.HOLD and "'passed' is not a result" in inspection.reason


def test_the_set_hash_ignores_order_and_sees_entries(tmp_path: Path) -> None:
    a, b = tmp_path / "a.ply", tmp_path / "b.ply"
    a.write_text("a")
    b.write_text("b")
    assert set_hash([a, b]) == set_hash([b, a]) != set_hash([a])
    before = set_hash([a])
    entries_file(a).write_text("x")
    assert set_hash([a]) != before
