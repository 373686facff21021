"""The studies' own parts: the bound against closed forms, the table against made-up rows, truth against recipes."""

import numpy as np
import pytest

from tests.studies import bound, cramer_rao, known_truth
from tests.studies.parts import PARTS

SIGMA = 0.02


def test_bounds_that_are_known_in_closed_form():
    """Textbook least squares: a mean has sigma / sqrt(n); a full circle's radius too, its centre sqrt(2) of it."""
    n = 360
    a = np.arange(n) * 2 * np.pi / n
    circle = 10.0 * np.column_stack([np.cos(a), np.sin(a)])
    found = bound.bound(bound.circle, circle, [0, 0, 10.0], SIGMA)
    assert found == pytest.approx(SIGMA / np.sqrt(n) * np.array([np.sqrt(2), np.sqrt(2), 1.0]), rel=1e-6)
    x, y = np.meshgrid(np.linspace(-5, 5, 11), np.linspace(-3, 3, 7))
    flat = np.column_stack([x.ravel(), y.ravel(), 0 * x.ravel()])
    slope = SIGMA / np.sqrt((flat[:, 0] ** 2).sum())
    assert bound.bound(bound.plane, flat, [0, 0, 0], SIGMA)[:2] == pytest.approx([SIGMA / np.sqrt(77), slope], rel=1e-6)
    sphere = np.vstack([np.eye(3), -np.eye(3)]) * 7.0
    found = bound.bound(bound.sphere, sphere, [0, 0, 0, 7.0], SIGMA)
    assert found == pytest.approx(SIGMA * np.array([*[1 / np.sqrt(2)] * 3, 1 / np.sqrt(6)]), rel=1e-6)


def test_it_imports_nothing_of_the_runner():
    from pathlib import Path

    assert "runner" not in Path(bound.__file__).read_text("utf-8").split('"""')[2]


@pytest.mark.parametrize("name", ["plane", "circle", "slot, round ends"])
def test_fits_keep_to_the_bound_in_a_short_run(name):
    found = cramer_rao.study(name, 60)
    assert not found["failed"]
    assert found["joint"] < 1.2  # 60 repeats of 3 or more parameters: 1.2 is more than 3 standard deviations out


def test_a_fit_that_wastes_points_would_be_seen(monkeypatch):
    """The study must be able to fail: a circle through every third point only has sqrt(3) times the bound."""
    sample, distance, truth, fit, start, read, names = cramer_rao.SETUPS["circle"]
    wasteful = (sample, distance, truth, lambda p, s: fit(p[::3], s), start, read, names)
    monkeypatch.setitem(cramer_rao.SETUPS, "circle", wasteful)
    assert cramer_rao.study("circle", 60)["joint"] > 1.4


@pytest.mark.parametrize("name", PARTS)
def test_truth_is_the_limits_middle_for_the_nominal(name):
    """The recipe's own numbers and the truth of the nominal piece are written apart and must agree."""
    import re

    part = PARTS[name]
    stated = dict(re.findall(r"^  ([a-z0-9 ]+?): +\{(?:size|distance|angle).*limits: ([\d.]+)", part.recipe, re.M))
    truth = part.truth(part.nominal)
    assert len(stated) >= 9
    for key, middle in stated.items():
        assert truth[key].values[0] == pytest.approx(float(middle), abs=1e-9), key
    for key, value in truth.items():
        if value.of == "zone":
            assert value.values == pytest.approx(np.zeros(len(value.values)), abs=1e-9), key


def test_the_table_tells_a_bias_from_none(capsys):
    rows = [
        {
            "part": "block", "seed": k, "commit": "x", "output": "cloud", "pose": "aligned", "start": "rough",
            "measure_s": 1.0, "missing": {}, "in_bounds": {"bore size": (-1.0) ** k},
            "error": {"bore size": [0.001 * (-1.0) ** k], "seat size": [0.005 + 0.001 * (-1.0) ** k]},
        }
        for k in range(50)
    ]  # fmt: skip
    known_truth.print_table(rows)
    lines = {
        line.split("  ")[1].strip(): line for line in capsys.readouterr().out.splitlines() if line.startswith("  ")
    }
    assert "met" in lines["bore size"] and "1.01" in lines["bore size"]
    assert "MISSED" in lines["seat size"]


def test_a_half_written_line_is_left_out(tmp_path):
    path = tmp_path / "a.jsonl"
    path.write_text('{"part": "block", "seed": 1}\n{"part": "bl', "utf-8")
    assert [row["seed"] for row in known_truth.read(path)] == [1]
