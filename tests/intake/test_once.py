"""The watch folder, once: every dropped file ends in the ledger or aside with a reason, and only once."""

from pathlib import Path

import pytest

from runner.intake.choose import load_recipes
from runner.intake.folders import REASON_SUFFIX, Folders
from runner.intake.once import run_once
from runner.intake.process import Station
from runner.ledger.store import Ledger
from runner.nominal.cache import ArrayCache
from tests.pipeline.conftest import ENTRIES, Bench, bench

__all__ = ["bench"]


@pytest.fixture
def station(bench: Bench, tmp_path: Path):
    folders = Folders(tmp_path / "scans")
    folders.make()
    recipes, broken = load_recipes(bench.folder)
    assert not broken
    with Ledger.open(tmp_path / "out" / "ledger.db") as ledger:
        made = Station(folders, ledger, tmp_path / "out", recipes, ArrayCache(), name="test")
        made.plans.put(bench.folder / "block.yaml", bench.plan)
        yield made


def drop(station: Station, name: str, content: bytes, entries: str = "") -> Path:
    path = station.folders.incoming / name
    path.write_bytes(content)
    if entries:
        path.with_name(name + ".entries.yaml").write_text(entries, encoding="utf-8")
    return path


def names(folder: Path) -> set[str]:
    return {p.name for p in folder.iterdir()}


def left(station: Station) -> set[str]:
    return {p.name for p in station.folders.measuring.rglob("*") if p.is_file() and p.name != ".owner"}


def test_a_day_in_the_folder(bench: Bench, station: Station) -> None:
    good = bench.scan.read_bytes()
    drop(station, "TB-7_0001.ply", good, ENTRIES)
    drop(station, "TB-7_0002.ply", good[:5000])
    drop(station, "XX-1_0001.ply", good)
    done = run_once(station, quiet_s=0.01)
    assert len(done) == 3
    assert names(station.folders.incoming) == left(station) == set()
    assert names(station.folders.measured) == {"TB-7_0001.ply", "TB-7_0001.ply.entries.yaml"}
    assert names(station.folders.held) == {
        "TB-7_0002.ply",
        f"TB-7_0002.ply{REASON_SUFFIX}",
        "XX-1_0001.ply",
        f"XX-1_0001.ply{REASON_SUFFIX}",
    }
    reason = (station.folders.held / f"XX-1_0001.ply{REASON_SUFFIX}").read_text()
    assert "no recipe's file name pattern fits" in reason and "Rename" in reason
    assert {a.inspection.serial: a.inspection.outcome.value for a in station.ledger.inspections()} == {
        "0001": "accept",
        "0002": "hold",
    }
    assert station.ledger.verify().ok
    assert (station.out / "TB-7.xlsx").stat().st_size > 5000
    assert list((station.out / "TB-7" / "pictures").glob("0001-*.png"))


def test_the_same_bytes_again_are_recognised_and_under_another_serial_held(bench: Bench, station: Station) -> None:
    good = bench.scan.read_bytes()
    drop(station, "TB-7_0001.ply", good, ENTRIES)
    run_once(station, quiet_s=0.01)
    drop(station, "TB-7_0001.ply", good, ENTRIES)
    (again,) = run_once(station, quiet_s=0.01)
    assert "recognised" in again.reason
    drop(station, "TB-7_0009.ply", good, ENTRIES)
    (other,) = run_once(station, quiet_s=0.01)
    assert other.inspection is None and "already measured as serial '0001'" in other.reason
    assert len(station.ledger.inspections()) == 1
    # nothing was thrown away
    kept = names(station.folders.measured) | names(station.folders.held)
    assert {"TB-7_0001.ply", "TB-7_0001.2.ply", "TB-7_0009.ply"} <= kept


def test_a_scan_left_in_hand_by_a_killed_run_is_finished_first(bench: Bench, station: Station) -> None:
    left = station.folders.measuring / "TB-7_0001.ply"
    left.write_bytes(bench.scan.read_bytes())
    (done,) = run_once(station, quiet_s=0.01)
    assert done.inspection is not None and done.inspection.serial == "0001"
    # killed after the commit and before the move: the move is made up for, nothing is counted twice
    left.write_bytes(bench.scan.read_bytes())
    (again,) = run_once(station, quiet_s=0.01)
    assert "recognised" in again.reason
    assert len(station.ledger.inspections()) == 1


def test_a_formula_serial_stays_text(bench: Bench, station: Station) -> None:
    from openpyxl import load_workbook

    drop(station, "TB-7_=1+1.ply", bench.scan.read_bytes()[:4000])
    run_once(station, quiet_s=0.01)
    sheet = load_workbook(station.out / "TB-7.xlsx")["Parts"]
    cells = [c for row in sheet.iter_rows() for c in row if isinstance(c.value, str) and "=1+1" in c.value]
    assert cells and all(c.data_type == "s" for c in cells)
