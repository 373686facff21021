"""The commands as a user runs them: statuses, files, messages."""

import json
import tempfile
from pathlib import Path

import jsonschema
import pytest

from runner.cli import app as cli
from runner.cli.watch import _teller
from runner.intake.process import Done
from runner.records_io import inspection_schema
from tests.pipeline.conftest import ENTRIES, Bench, bench, scan_of, write_block

__all__ = ["bench"]


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as stop:
        cli.main([str(a) for a in arguments])
    return int(stop.value.code or 0)


def test_check_prints_a_sentence_per_characteristic(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", bench.folder / "block.yaml") == cli.OK
    out = capsys.readouterr().out
    assert 'The distance between "base" and "top" lies between 19.9 and 20.1 mm.' in out
    assert "block.yaml: sound" in out


def test_check_finds_a_feature_off_the_nominal(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (bench.folder / "block.yaml").read_text().replace("at: [40, 20, 0]", "at: [43, 20, 0]")
    (tmp_path / "block.yaml").write_text(text)
    write_block(tmp_path / "block.step")
    assert run("check", tmp_path / "block.yaml") == cli.USAGE
    caught = capsys.readouterr()
    assert 'feature "bore"' in caught.err and "block.yaml:14:" in caught.err
    assert "not usable" in caught.out


def test_check_resolved_loads_again(bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", "--resolved", bench.folder / "block.yaml") == cli.OK
    (tmp_path / "again.yaml").write_text(capsys.readouterr().out)
    write_block(tmp_path / "block.step")
    assert run("check", "--text-only", tmp_path / "again.yaml") == cli.OK


def test_measure_gives_status_table_and_schema_sound_json(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scan = tmp_path / "TB-7_0001.ply"
    scan.write_bytes(bench.scan.read_bytes())
    (tmp_path / "TB-7_0001.ply.entries.yaml").write_text(ENTRIES)
    recipe = bench.folder / "block.yaml"
    status = run("measure", recipe, scan, "--json", tmp_path / "r.json", "--picture", tmp_path / "p.png")
    assert status == cli.OK
    out = capsys.readouterr().out
    assert "accept" in out and "conforms" in out
    data = json.loads((tmp_path / "r.json").read_text())
    jsonschema.validate(data, inspection_schema())
    assert data["serial"] == "0001" and data["outcome"] == "accept"
    assert len(data["provenance"]["recipe_fingerprint"]) == 64
    assert (tmp_path / "p.png").read_bytes().startswith(b"\x89PNG")


def test_the_status_is_that_of_the_worst_part(bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = scan_of(write_block(tmp_path / "bad.step", bore_diameter=16.2), tmp_path / "TB-7_0002.ply", seed=8)
    assert run("measure", bench.folder / "block.yaml", bench.scan, bad, "--quiet") == cli.REJECT
    assert run("measure", bench.folder / "block.yaml", bench.scan, "--quiet") == cli.HOLD
    assert "0002" in capsys.readouterr().out


def test_measure_refuses_what_it_can_not_do(bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("measure", bench.folder / "block.yaml", tmp_path / "none.ply") == cli.USAGE
    assert "none.ply" in capsys.readouterr().err
    assert run("measure", tmp_path / "none.yaml", bench.scan) == cli.USAGE
    assert "there is no such file" in capsys.readouterr().err
    (tmp_path / "broken.yaml").write_text("recipe: 1\npart: {number: X}\n")
    assert run("measure", tmp_path / "broken.yaml", bench.scan) == cli.USAGE
    assert "broken.yaml:2:" in capsys.readouterr().err


def test_measure_records_once(bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ("measure", bench.folder / "block.yaml", bench.scan, "--record", "--out", tmp_path, "--quiet")
    assert run(*arguments) == cli.HOLD
    assert (tmp_path / "TB-7.xlsx").exists()
    assert run(*arguments) == cli.HOLD
    assert "nothing new in the ledger" in capsys.readouterr().out
    assert run("ledger", "verify", "--file", tmp_path / "ledger.db") == cli.OK
    assert "chain of 1 entries is whole" in capsys.readouterr().out
    assert run("ledger", "list", "--file", tmp_path / "ledger.db") == cli.OK
    assert "0001" in capsys.readouterr().out


def test_schema_and_reference_print(capsys: pytest.CaptureFixture[str]) -> None:
    for what in ("recipe", "inspection"):
        assert run("schema", what) == cli.OK
        jsonschema.Draft202012Validator.check_schema(json.loads(capsys.readouterr().out))
    assert run("reference") == cli.OK
    assert "## characteristics" in capsys.readouterr().out.lower()


def test_watch_once_with_nothing_to_do(bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ("--scans", tmp_path / "scans", "--recipes", bench.folder, "--out", tmp_path / "out")
    assert run("watch", "--once", *arguments) == cli.OK
    assert "Nothing to measure" in capsys.readouterr().out
    assert (
        run("watch", "--once", "--recipes", tmp_path, "--scans", tmp_path / "s", "--out", tmp_path / "o") == cli.USAGE
    )


def test_watch_refuses_folders_between_which_no_file_can_be_renamed(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    elsewhere = Path("/dev/shm")
    if not elsewhere.is_dir() or elsewhere.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("there is no second file system here")
    with tempfile.TemporaryDirectory(dir=elsewhere) as share:
        (tmp_path / "scans").mkdir()
        (tmp_path / "scans" / "incoming").symlink_to(share)
        arguments = ("--scans", tmp_path / "scans", "--recipes", bench.folder, "--out", tmp_path / "out")
        assert run("watch", "--once", *arguments) == cli.USAGE
    assert "different file systems" in capsys.readouterr().err


def test_watch_refuses_a_limit_that_nothing_would_keep(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ("--scans", tmp_path / "scans", "--recipes", bench.folder, "--out", tmp_path / "out")
    assert run("watch", "--cluster", "tcp://127.0.0.1:9", "--memory", 2, *arguments) == cli.USAGE
    assert "limits of their own" in capsys.readouterr().err


def test_a_measured_scan_that_was_filed_after_a_stop_is_not_called_a_hold() -> None:
    said: list[str] = []
    tell = _teller(lambda text, **how: said.append(text))
    for folder in ("measured", "held"):
        tell(Done(Path("scans") / folder / "AB-1_1.ply", None, "filed after a stop"))
    assert said == ["filed   AB-1_1.ply: filed after a stop", "hold    AB-1_1.ply: filed after a stop"]
