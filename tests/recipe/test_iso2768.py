"""ISO 2768-1 against tables written independently (ISO 2768-1:1989 Tables 1 and 3, from memory; see their heads)."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from runner.recipe.iso2768 import NoGeneralTolerance, angular_deviation, linear_deviation
from runner.recipe.limits import parse_angle_limits, parse_limits, with_shorter_side
from runner.recipe.text import Text

REFERENCE = Path(__file__).parents[1] / "reference"


def rows(name: str) -> list[dict[str, str]]:
    lines = [line for line in (REFERENCE / name).read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


@pytest.mark.parametrize("row", rows("iso2768_1_linear.csv"), ids=lambda row: f"to {row['to_mm']}")
@pytest.mark.parametrize("letter", [*"fmcv"])
def test_linear(row: dict[str, str], letter: str) -> None:
    low, high = float(row["over_mm"]), float(row["to_mm"])
    for size in ((low + high) / 2, high, low + 0.001):
        if not row[letter]:
            with pytest.raises(NoGeneralTolerance):
                linear_deviation(size, letter)
            continue
        assert linear_deviation(size, letter) == float(row[letter])
        limits = parse_limits(Text(f"{size} ISO 2768-{letter}"))
        assert limits.lower == pytest.approx(size - float(row[letter]), abs=1e-12)
        assert limits.upper == pytest.approx(size + float(row[letter]), abs=1e-12)


@pytest.mark.parametrize("row", rows("iso2768_1_angular.csv"), ids=lambda row: f"to {row['to_mm']}")
def test_angular(row: dict[str, str]) -> None:
    low = float(row["over_mm"])
    high = float(row["to_mm"] or 5000)
    for letter, column in (("f", "f_and_m"), ("m", "f_and_m"), ("c", "c"), ("v", "v")):
        degrees, minutes = row[column].split(":")
        expected = int(degrees) + int(minutes) / 60
        for side in (low + 0.001, high):
            assert angular_deviation(side, letter) == pytest.approx(expected, abs=1e-12)
            limits = with_shorter_side(parse_angle_limits(Text(f"90° ISO 2768-{letter}")), side)
            assert limits.lower == pytest.approx(90 - expected, abs=1e-8)
            assert limits.upper == pytest.approx(90 + expected, abs=1e-8)


def test_outside_the_table() -> None:
    assert linear_deviation(0.5, "m") == 0.1
    with pytest.raises(NoGeneralTolerance, match=r"below 0\.5"):
        linear_deviation(0.49, "m")
    with pytest.raises(NoGeneralTolerance, match="above 4000"):
        linear_deviation(4001, "m")
