"""The fuzz study still runs, finds nothing in a few hundred cases, and can find something."""

from __future__ import annotations

import importlib
import os
import sys
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from tests.studies.fuzz_harness import Answer, Limits, Progress, run

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="forks and reads /proc")
MIB = 1 << 20


def trap(number: int) -> Answer:
    """Cases that do what a reader must not."""
    if number == 2:
        os.abort()
    if number == 4:
        while True:
            pass
    if number == 6:
        raise ValueError("not foreseen")
    if number == 8:
        return Answer("accepted", str(len(bytearray(800 * MIB))))
    return Answer("refused", "good")


def test_a_crash_a_hang_an_error_and_a_flood_of_memory_are_found(tmp_path: Path) -> None:
    progress = Progress(tmp_path / "trap.json", 1)
    run("trap", trap, 10, progress, Limits(1.0, 300 * MIB), tmp_path)
    assert progress.next == 10 and progress.counts["good refused"] == 6
    found = (tmp_path / "findings.jsonl").read_text(encoding="utf-8").splitlines()
    said = dict(
        zip((2, 4, 6, 8), ("crash: status -6", "hang", "harness: ValueError: not foreseen", "memory"), strict=True)
    )
    assert len(found) == 4
    for line, (number, what) in zip(found, said.items(), strict=True):
        assert f'"number": {number},' in line and what in line
    assert Progress.load(tmp_path / "trap.json", 1).counts == progress.counts


@pytest.mark.parametrize(("kind", "count"), [("fuzz_scans", 150), ("fuzz_names", 400), ("fuzz_recipes", 25)])
def test_a_short_run_finds_nothing(kind: str, count: int) -> None:
    module = importlib.import_module(f"tests.studies.{kind}")
    answers = [module.case(2, number) for number in range(count)]
    assert not [answer.what for answer in answers if answer.state == "finding"]
    assert {answer.state for answer in answers} == {"accepted", "refused"}


def test_e57_files_are_read_in_forked_children_that_may_die() -> None:
    from tests.studies import fuzz_apart

    case = partial(fuzz_apart.e57_case, 2)
    answers = [case(number) for number in range(20)]
    assert not [answer.what for answer in answers if answer.state == "finding"]
    assert {answer.state for answer in answers} == {"accepted", "refused"}


def test_a_wrong_point_a_lost_triangle_and_a_number_from_nowhere_are_seen() -> None:
    from runner.formats import ply, text
    from tests.studies.fuzz_recipes import TEXT, _silent
    from tests.studies.fuzz_scans import EXAMPLES, examine

    got = text.read(EXAMPLES["xyz"], "a.xyz")
    assert examine(got, EXAMPLES["xyz"], "xyz") == ""
    got.points[5, 1] = np.nextafter(got.points[5, 1], 99.0) + 1e-9
    assert examine(got, EXAMPLES["xyz"], "xyz") == "wrong: points differ"
    mesh = ply.read(EXAMPLES["ply <"], "a.ply")
    assert examine(mesh, EXAMPLES["ply <"], "ply <") == ""
    assert mesh.triangles is not None
    mesh.triangles[3] = mesh.triangles[3][[1, 0, 2]]
    assert examine(mesh, EXAMPLES["ply <"], "ply <") == "wrong: triangles differ"
    assert _silent(TEXT, TEXT, "text") == ""
    assert _silent(TEXT.replace("noise: 0.02", "noise: 0.023"), TEXT, "number") == ""
    assert "stayed the same" in _silent(TEXT + "# 12\n", TEXT, "number")
