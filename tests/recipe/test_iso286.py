"""ISO 286-1 against an independently written table, the standard's formulae, and deviations read from handbooks."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from runner.recipe import iso286
from runner.recipe.iso286 import NoSuchFit, deviations

REFERENCE = Path(__file__).parents[1] / "reference"


def rows(name: str) -> list[dict[str, str]]:
    """Return a reference table; its head names its source (ISO 286-1:2010 Tables 1, 4 and 5, from memory)."""
    lines = [line for line in (REFERENCE / name).read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def inside(row: dict[str, str]) -> list[float]:
    low, high = float(row["over_mm"]), float(row["to_mm"])
    return [low + 1e-6 + 1.5 * (low == 0), (low + high) / 2, high]


@pytest.mark.parametrize("row", rows("iso286_it_grades.csv"), ids=lambda row: f"to {row['to_mm']}")
def test_grades_equal_the_reference_table(row: dict[str, str]) -> None:
    for size in inside(row):
        for grade in range(5, 15):
            low, high = deviations(size, f"H{grade}")
            assert low == 0
            assert high == float(row[f"IT{grade}"]) / 1000
            assert deviations(size, f"h{grade}") == (-high, 0)
            js_low, js_high = deviations(size, f"js{grade}")
            assert js_high == -js_low == high / 2
            assert deviations(size, f"JS{grade}") == (js_low, js_high)


@pytest.mark.parametrize("row", rows("iso286_shaft_deviations.csv"), ids=lambda row: f"to {row['to_mm']}")
def test_shafts_equal_the_reference_table_and_holes_mirror_them(row: dict[str, str]) -> None:
    for size in inside(row):
        for letter in "defgh":
            upper = float(row[f"es_{letter}"]) / 1000
            assert deviations(size, f"{letter}7")[1] == upper
            assert deviations(size, f"{letter.upper()}7")[0] == -upper
        for letter in "kmnp":
            lower = float(row[f"ei_{letter}"]) / 1000
            assert deviations(size, f"{letter}6")[0] == lower
        # the table's own note: K, M, N to IT8 and P to IT7 are -ei + IT_n - IT_(n-1) above 3 mm
        widths = {grade: deviations(size, f"H{grade}")[1] for grade in range(5, 9)}
        for letter, grades in (("k", (6, 7, 8)), ("m", (7, 8)), ("n", (6, 7, 8)), ("p", (6, 7))):
            for grade in grades:
                step = widths[grade] - widths[grade - 1] if float(row["to_mm"]) > 3 else 0.0
                high = deviations(size, f"{letter.upper()}{grade}")[1]
                assert high == pytest.approx(-float(row[f"ei_{letter}"]) / 1000 + step, abs=1e-9)


# common handbook values (workshop tables of ISO 286-2), from memory; micrometres
HANDBOOK = [
    (25, "H7", 0, 21),
    (25, "g6", -20, -7),
    (25, "f7", -41, -20),
    (25, "k6", 2, 15),
    (25, "n6", 15, 28),
    (25, "p6", 22, 35),
    (25, "s6", 35, 48),
    (25, "h9", -52, 0),
    (25, "H11", 0, 130),
    (25, "d9", -117, -65),
    (25, "c11", -240, -110),
    (25, "K7", -15, 6),
    (25, "M7", -21, 0),
    (25, "N7", -28, -7),
    (25, "P7", -35, -14),
    (25, "R7", -41, -20),
    (25, "S7", -48, -27),
    (25, "F8", 20, 53),
    (25, "E9", 40, 92),
    (25, "D10", 65, 149),
    (25, "N9", -52, 0),
    (25, "P9", -74, -22),
    (40, "r6", 34, 50),
    (60, "r6", 41, 60),
    (70, "r6", 43, 62),
    (100, "s6", 71, 93),
    (300, "M6", -41, -9),
    (2, "K6", -6, 0),
    (2, "P7", -16, -6),
    (2, "N9", -29, -4),
    (8, "JS9", -18, 18),
    (10, "H7", 0, 15),
    (10.001, "H7", 0, 18),
    (45, "u6", 70, 86),
]


@pytest.mark.parametrize(("size", "fit", "low", "high"), HANDBOOK)
def test_handbook_values(size: float, fit: str, low: float, high: float) -> None:
    assert deviations(size, fit) == (low / 1000, high / 1000)


def middle(step_low: float, step_high: float) -> float:
    """Return the geometric mean of a range, on which the standard's formulae are evaluated (first range: 1 to 3 mm)."""
    return math.sqrt(max(step_low, 1.0) * step_high)


def ranges(steps: tuple[float, ...]) -> list[tuple[float, float]]:
    return list(zip((0, *steps[:-1]), steps, strict=True))


# ISO 286-1:1988 Annex A, formulae of the fundamental deviations, micrometres, D in mm; the tables round them
FORMULAE = {
    "a": lambda d: 265 + 1.3 * d if d <= 120 else 3.5 * d,
    "b": lambda d: 140 + 0.85 * d if d <= 160 else 1.8 * d,
    "c": lambda d: 52 * d**0.2 if d <= 40 else 95 + 0.8 * d,
    "d": lambda d: 16 * d**0.44,
    "e": lambda d: 11 * d**0.41,
    "f": lambda d: 5.5 * d**0.41,
    "g": lambda d: 2.5 * d**0.34,
    "n": lambda d: 5 * d**0.34,
    "u": lambda d: it7(d) + d,
    "t": lambda d: it7(d) + 0.63 * d,
    "s": lambda d: it7(d) + 0.4 * d,
}


def it7(size: float) -> float:
    return deviations(size, "H7")[1] * 1000


COARSE = {"d", "e", "f", "g", "n"}
"""Letters that the standard evaluates on the 13 ranges of Table 1; the others on the finer ones."""
ROUNDING = {"a": 0.04, "b": 0.05, "c": 0.16, "t": 0.09, "u": 0.03, "s": 0.02}
"""How far, relatively, the tables were rounded away from the formulae; d to n only to whole micrometres."""


@pytest.mark.parametrize("letter", [*"abcdefgnstu"])
def test_fundamental_deviations_follow_the_formulae(letter: str) -> None:
    steps = iso286.GRADE_STEPS if letter in COARSE else iso286.DEVIATION_STEPS
    first = {"g": 3, "n": 3, "u": 18, "t": 24, "s": 50}.get(letter, 0)  # below, the tables follow no formula
    checked = 0
    for low, high in ranges(steps):
        if low < first:
            continue
        expected = FORMULAE[letter](middle(low, high))
        got = min(abs(v) * 1000 for v in deviations(high, f"{letter}7"))
        assert got == pytest.approx(expected, rel=ROUNDING.get(letter, 0.024), abs=0.9), f"{low} to {high}"
        checked += 1
    assert checked >= 11


def test_r_is_the_geometric_mean_of_p_and_s() -> None:
    for _, high in ranges(iso286.DEVIATION_STEPS):
        p, r, s = (deviations(high, f"{letter}7")[0] * 1000 for letter in "prs")
        assert r == pytest.approx(math.sqrt(p * s), rel=0.02, abs=1.0)


def test_low_grades_follow_the_formulae() -> None:
    # IT1 = 0.8 + 0.020 D; IT2 to IT4 about in geometric progression between IT1 and IT5 (ISO 286-1:1988 A.2)
    for low, high in ranges(iso286.GRADE_STEPS):
        d = middle(low, high)
        width = {grade: deviations(high, f"h{grade}")[0] * -1000 for grade in range(1, 6)}
        assert width[1] == pytest.approx(0.8 + 0.02 * d, rel=0.2, abs=0.2)
        for grade in (2, 3, 4):
            expected = width[1] * (width[5] / width[1]) ** ((grade - 1) / 4)
            assert width[grade] == pytest.approx(expected, rel=0.2, abs=0.5)


def test_coarse_grades_are_ten_times_the_fifth_below() -> None:
    for grade in range(11, 19):
        assert deviations(25, f"H{grade}")[1] == pytest.approx(10 * deviations(25, f"H{grade - 5}")[1], rel=0.04)


@pytest.mark.parametrize(
    ("size", "fit", "said"),
    [
        (0, "H7", "outside this table"),
        (501, "H7", "outside this table"),
        (25, "H19", "grade 19"),
        (25, "H0", "grade 0"),
        (25, "Xy7", "mixes"),
        (25, "q7", "not held"),
        (25, "z6", "not held"),
        (20, "t6", "not defined up to 24"),
        (20, "K9", "not defined above grade 8"),
        (1, "N9", "up to 1 mm"),
        (1, "a9", "up to 1 mm"),
        (25, "7H", "no fit designation"),
        (25, "H", "no fit designation"),
    ],
)
def test_what_does_not_exist_is_refused(size: float, fit: str, said: str) -> None:
    with pytest.raises(NoSuchFit, match=said):
        deviations(size, fit)
