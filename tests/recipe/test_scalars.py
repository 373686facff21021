"""Numbers, shares, angles, directions, names: what is read and what is refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.recipe import scalars
from runner.recipe.scalars import Refused, number_text, written_text
from runner.recipe.text import Text


@pytest.mark.parametrize(
    ("text", "value", "decimals"),
    [
        ("12", 12, 0),
        ("12.50", 12.5, 2),
        ("-.5", -0.5, 1),
        ("+3.", 3, 0),
        ("1e-3", 0.001, 3),
        ("1.5E2", 150, 0),
        ("010", 10, 0),
        ("\u22123", -3, 0),
    ],
)
def test_numbers(text: str, value: float, decimals: int) -> None:
    got = scalars.parse_number(Text(text))
    assert got == value and got.decimals == decimals


@pytest.mark.parametrize(
    "text",
    [
        "",
        "nan",
        ".nan",
        "inf",
        "-.inf",
        "yes",
        "true",
        "null",
        "~",
        "1_000",
        "0x10",
        "1:30",
        "1,5",
        "12 mm",
        "1e999",
        "1e10",
        "--1",
        "1.2.3",
        "١",
        "1 2",
        "½",
    ],
)
def test_no_numbers(text: str) -> None:
    with pytest.raises(Refused):
        scalars.parse_number(Text(text))


@pytest.mark.parametrize("value", [True, None, [], {}, [1], float("nan"), float("inf"), Text("1", quoted=True)])
def test_values_that_are_no_numbers(value: object) -> None:
    with pytest.raises(Refused):
        scalars.parse_number(value)


@settings(deadline=None, max_examples=300)
@given(st.floats(min_value=-1e9, max_value=1e9, allow_nan=False))
def test_numbers_round_trip(value: float) -> None:
    assert scalars.parse_number(Text(number_text(value))) == value
    assert scalars.parse_number(Text(written_text(value))) == value


@pytest.mark.parametrize(
    ("text", "value"), [("95 %", 0.95), ("95%", 0.95), ("0.95", 0.95), ("100 %", 1), ("0", 0), ("12.5 %", 0.125)]
)
def test_shares(text: str, value: float) -> None:
    assert scalars.parse_fraction(Text(text)) == pytest.approx(value, abs=1e-15)


@pytest.mark.parametrize("text", ["95", "101 %", "-1 %", "%", "x %", "1.01", ""])
def test_no_shares(text: str) -> None:
    with pytest.raises(Refused):
        scalars.parse_fraction(Text(text))


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("30", 30),
        ("30.5°", 30.5),
        ("30°15'", 30.25),
        ("30° 15' 36\"", 30.26),
        ("15'", 0.25),
        ("-2°30'", -2.5),
        ('36"', 0.01),
    ],
)
def test_angles(text: str, degrees: float) -> None:
    assert scalars.parse_angle(Text(text)) == pytest.approx(degrees, abs=1e-12)
    if "°" in text:
        assert scalars.parse_angle(Text(text, quoted=True)) == pytest.approx(degrees, abs=1e-12)


@pytest.mark.parametrize("text", ["30°75'", "x°", "30°°", "", "°", "30'15°"])
def test_no_angles(text: str) -> None:
    with pytest.raises(Refused):
        scalars.parse_angle(Text(text))


def test_directions() -> None:
    assert scalars.parse_direction(Text("-z")) == (0, 0, -1)
    assert scalars.parse_direction(Text("X")) == (1, 0, 0)
    assert scalars.parse_direction([Text("1"), Text("2"), Text("3")]) == (1, 2, 3)
    for bad in ("w", "", "+", [Text("0")] * 3, [Text("1")] * 2, {"x": 1}, [Text("1"), Text("2"), Text("nan")]):
        with pytest.raises(Refused):
            scalars.parse_direction(Text(bad) if isinstance(bad, str) else bad)


@pytest.mark.parametrize(
    "name", ["bore", "hole 2", "slot_1", "Ø6 hole"[1:], "Bohrung links", "lead-in", "rib (left)", "№1"[1:]]
)
def test_names(name: str) -> None:
    assert scalars.parse_name(Text(name)) == name


@pytest.mark.parametrize(
    "name", ["", " ", "-x", "=1+1", "@a", "a|b", "a:b", "each of x", "x" * 81, "a\u200bb", "a\nb\x07", "<b>", "a{b"]
)
def test_no_names(name: str) -> None:
    with pytest.raises(Refused):
        scalars.parse_name(Text(name))


@pytest.mark.parametrize("text", ["1", "1.10", "010", "-3", "1e5"])
def test_bare_numbers_are_no_ids(text: str) -> None:
    with pytest.raises(Refused, match="bare number"):
        scalars.parse_characteristic_id(Text(text))
    assert scalars.parse_characteristic_id(Text(text, quoted=True)) == text


def test_written_numbers_survive_copies() -> None:
    import copy

    value = scalars.parse_number(Text("1.50"))
    assert copy.deepcopy(value).decimals == copy.copy(value).decimals == 2
    assert math.isclose(value, 1.5)
