"""Limits as the drawing writes them."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.recipe.limits import parse_angle_limits, parse_limits
from runner.recipe.scalars import Refused
from runner.recipe.text import Text


@pytest.mark.parametrize(
    ("text", "nominal", "lower", "upper", "decimals"),
    [
        ("12 +0.10/-0.05", 12, 11.95, 12.1, 2),
        ("12 +0.10 / -0.05", 12, 11.95, 12.1, 2),
        ("12 -0.05/+0.10", 12, 11.95, 12.1, 2),
        ("12 +0.10 -0.05", 12, 11.95, 12.1, 2),
        ("12 + 0.10 / - 0.05", 12, 11.95, 12.1, 2),
        ("12 \u22120.05/+0.10", 12, 11.95, 12.1, 2),
        ("12 0/-0.2", 12, 11.8, 12, 1),
        ("12 +0.2/0", 12, 12, 12.2, 1),
        ("12 +0.3/+0.1", 12, 12.1, 12.3, 1),
        ("12 -0.1/-0.3", 12, 11.7, 11.9, 1),
        ("12 ±0.1", 12, 11.9, 12.1, 1),
        ("12±0.1", 12, 11.9, 12.1, 1),
        ("12 +/-0.1", 12, 11.9, 12.1, 1),
        ("12 + / - 0.1", 12, 11.9, 12.1, 1),
        ("12 +/- 0.1", 12, 11.9, 12.1, 1),
        (".500 ±.005", 0.5, 0.495, 0.505, 3),
        ("Ø 12 ±0.1", 12, 11.9, 12.1, 1),
        ("⌀12 ±0.1", 12, 11.9, 12.1, 1),
        ("25 H7", 25, 25, 25.021, 3),
        ("25H7", 25, 25, 25.021, 3),
        ("Ø25 g6", 25, 24.98, 24.993, 3),
        ("6.6 H13", 6.6, 6.6, 6.82, 3),
        ("12 ISO 2768-m", 12, 11.8, 12.2, 1),
        ("12 ISO2768-1-m", 12, 11.8, 12.2, 1),
        ("12 ISO 2768 - f", 12, 11.9, 12.1, 1),
        ("max 0.5", None, None, 0.5, 1),
        ("0.5 max", None, None, 0.5, 1),
        ("MAX. 0.5", None, None, 0.5, 1),
        ("min 3", None, 3, None, 0),
        ("11.9 to 12.10", None, 11.9, 12.1, 2),
        ("-0.5 to 0.5", None, -0.5, 0.5, 1),
        ("(12.5)", 12.5, None, None, 1),
        ("(Ø 12.5)", 12.5, None, None, 1),
    ],
)
def test_lengths(text: str, nominal: float | None, lower: float | None, upper: float | None, decimals: int) -> None:
    got = parse_limits(Text(text))
    assert (got.nominal, got.lower, got.upper, got.decimals) == (nominal, lower, upper, decimals)
    again = parse_limits(Text(got.text))
    assert again == got


@pytest.mark.parametrize(
    ("text", "nominal", "lower", "upper"),
    [
        ("90° ±0°30'", 90, 89.5, 90.5),
        ("90° ±30'", 90, 89.5, 90.5),
        ("90 ±0.5", 90, 89.5, 90.5),
        ("90° ±0.5°", 90, 89.5, 90.5),
        ("90° +/-1°", 90, 89, 91),
        ("90° +1°/-0.5°", 90, 89.5, 91),
        ("90° +1°/0", 90, 90, 91),
        ("90° 0°/-0°15'", 90, 89.75, 90),
        ("89.5° to 90.5°", None, 89.5, 90.5),
        ("89°30' to 90°30'", None, 89.5, 90.5),
        ("max 1°30'", None, None, 1.5),
        ("min 2", None, 2, None),
        ("(45°)", 45, None, None),
        ("120°15'36\" ±0°0'36\"", 120.26, 120.25, 120.27),
    ],
)
def test_angles(text: str, nominal: float | None, lower: float | None, upper: float | None) -> None:
    got = parse_angle_limits(Text(text))
    assert (got.nominal, got.lower, got.upper) == pytest.approx((nominal, lower, upper), abs=1e-9)
    assert parse_angle_limits(Text(got.text)) == got


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("12", "alone states no tolerance"),
        ("12 +0.1", "one deviation only"),
        ("12 -0.1", "one deviation only"),
        ("12 +0.2/0.1", "needs its sign"),
        ("12 +0.1/+0.1", "not below"),
        ("12 ±0", "not below"),
        ("12.1 to 11.9", "not below"),
        ("12,5 ±0,1", "decimal comma"),
        ("12 mm ±0.1", "carries a unit"),
        ("90° ±1°", "angle where limits of a length"),
        ("12 X7", "not held"),
        ("600 H7", "outside this table"),
        ("12 ISO 2768-x", "no class x"),
        ("12 ISO 2768-mK", "2768-2"),
        ("0.2 ±0.5", "lower limit is negative"),
        ("twelve", "no form"),
        ("", "no value"),
        ("12 ±", "no form"),
        ("12 ± 0.1 ± 0.1", "no form"),
        ("1" * 100, "characters"),
        ("12 ±nan", "no form"),
        ("٣ ±1", "no form"),
    ],
)
def test_refused_lengths(text: str, said: str) -> None:
    with pytest.raises(Refused, match=said):
        parse_limits(Text(text))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("90°", "alone states no tolerance"),
        ("90° ±0°75'", "no form"),
        ("90° ±-1°", "no form"),
        ("90° ±0°", "not below"),
        ("91° to 90°", "not below"),
        ("90° ISO 2768-q", "no class q"),
        ("square", "no form"),
        ("", "no value"),
    ],
)
def test_refused_angles(text: str, said: str) -> None:
    with pytest.raises(Refused, match=said):
        parse_angle_limits(Text(text))


@pytest.mark.parametrize("value", [["12 ±0.1"], {"a": "b"}, 12, None, True])
def test_what_is_no_text_is_refused(value: object) -> None:
    with pytest.raises(Refused):
        parse_limits(value)
    with pytest.raises(Refused):
        parse_angle_limits(value)


decimals = st.decimals(min_value=Decimal("0.001"), max_value=Decimal("900"), places=3)


@settings(deadline=None, max_examples=200)
@given(decimals, decimals, decimals)
def test_round_trip_of_two_deviations(nominal: Decimal, up: Decimal, down: Decimal) -> None:
    nominal = nominal + down
    got = parse_limits(Text(f"{nominal} +{up}/-{down}"))
    # decimal arithmetic gives the nearest float to the exact limits
    assert got.lower == float(nominal - down)
    assert got.upper == float(nominal + up)
    assert parse_limits(Text(got.text)) == got
    assert parse_limits(Text(f"{nominal} -{down}/+{up}")).lower == got.lower


@settings(deadline=None, max_examples=200)
@given(decimals, decimals)
def test_round_trip_of_equal_deviations(nominal: Decimal, deviation: Decimal) -> None:
    nominal = nominal + deviation
    got = parse_limits(Text(f"{nominal} ±{deviation}"))
    assert got.lower == float(nominal - deviation)
    assert got.upper == float(nominal + deviation)
    assert got.decimals == 3
    assert parse_limits(Text(got.text)) == got


@settings(deadline=None, max_examples=300)
@given(st.text(max_size=30) | st.text(alphabet="0123456789.+-±/° 'HgISO27toØmaxin()", max_size=24))
def test_any_text_gives_limits_or_a_reason(text: str) -> None:
    for parse in (parse_limits, parse_angle_limits):
        try:
            got = parse(Text(text))
        except Refused as refused:
            assert refused.message
        else:
            assert parse(Text(got.text)) == got
            if got.lower is not None and got.upper is not None:
                assert got.lower < got.upper
