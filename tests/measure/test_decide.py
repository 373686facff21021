"""Verdicts against published decision rules, copied to tests/reference with their sources."""

import csv
import math
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.measure.decide import conformance_probability, decide
from runner.measure.specs import DecisionSpec
from runner.records import Verdict

REFERENCE = Path(__file__).parent.parent / "reference"
SIMPLE, GUARDED = DecisionSpec("simple"), DecisionSpec("guarded")


def rows(name):
    with (REFERENCE / name).open() as stream:
        return list(csv.DictReader(line for line in stream if not line.startswith("#")))


def test_a_value_exactly_at_the_limit_conforms():
    assert decide(10.1, 9.9, 10.1, SIMPLE).verdict is Verdict.CONFORMS
    assert decide(9.9, 9.9, 10.1, SIMPLE).verdict is Verdict.CONFORMS
    # 9.9 + 0.2 is 10.1 but for the last bit of a float
    assert decide(9.9 + 0.2, 9.9, 10.1, SIMPLE).verdict is Verdict.CONFORMS


def test_rounding_never_makes_a_verdict():
    # prints as 10.10 with two decimals, yet lies beyond
    assert decide(10.1004, 9.9, 10.1, SIMPLE).verdict is Verdict.DOES_NOT_CONFORM


def test_without_limits_it_is_information():
    assert decide(3.0, None, None, SIMPLE).verdict is Verdict.INFORMATION


def test_guarded_without_an_uncertainty_decides_nothing():
    decision = decide(10.0, 9.0, 11.0, GUARDED)
    assert decision.verdict is Verdict.UNDECIDED
    assert "uncertainty" in decision.reason


def test_default_guard_is_165_standard_uncertainties():
    # ISO 14253-1:2017: default 95 %, one-sided guard 1.65 u (as the reference table's r = 0.83 of U at k = 2 says)
    row = next(r for r in rows("decision_guard_band_table.csv") if r["rule"].startswith("ISO 14253-1"))
    assert 2 * float(row["r"]) == pytest.approx(1.65, abs=0.011)
    u = 0.1
    assert decide(10.0 - 1.651 * u, None, 10.0, GUARDED, u).verdict is Verdict.CONFORMS
    assert decide(10.0 - 1.649 * u, None, 10.0, GUARDED, u).verdict is Verdict.UNDECIDED
    assert decide(10.0 + 1.649 * u, None, 10.0, GUARDED, u).verdict is Verdict.UNDECIDED
    assert decide(10.0 + 1.651 * u, None, 10.0, GUARDED, u).verdict is Verdict.DOES_NOT_CONFORM


@pytest.mark.parametrize("row", rows("decision_guard_band_table.csv"), ids=lambda r: r["rule"])
def test_risk_at_the_acceptance_limit(row):
    # worst false acceptance: true probability of nonconformance for a value exactly at the acceptance limit
    u, r = 0.1, float(row["r"])
    rule = DecisionSpec("guarded by factor", r)
    at_limit = 10.0 - 2 * u * r
    assert decide(at_limit, None, 10.0, rule, u).verdict is Verdict.CONFORMS
    if r > 0:
        assert decide(at_limit + 1e-6, None, 10.0, rule, u).verdict is Verdict.UNDECIDED
    risk = 100 * (1 - conformance_probability(at_limit, None, 10.0, u))
    assert risk == pytest.approx(float(row["max_false_accept_percent"]), rel=2e-4, abs=1e-9)


def test_conformance_probability_of_published_examples():
    # JCGM 106:2012 examples
    content = yaml.safe_load((REFERENCE / "decision_conformance_probability.yaml").read_text())
    for case in content["examples"]:
        found = conformance_probability(case["y"], case.get("lower"), case.get("upper"), case["u"])
        assert found == pytest.approx(case["p_conform"], abs=1e-12)
        assert found == pytest.approx(case["p_conform_published"], abs=0.005)


def test_both_limits_near_use_the_two_sided_probability():
    # tolerance +-2.2 u: in the middle 1.65 u to each limit, but both tails count: 2.78 % outside, still above 95 %
    assert decide(0.0, -2.2, 2.2, GUARDED, 1.0).verdict is Verdict.CONFORMS
    # +-1.9 u: 94.26 % inside. One-sided thinking would accept (1.9 > 1.65); two-sided must not
    assert decide(0.0, -1.9, 1.9, GUARDED, 1.0).verdict is Verdict.UNDECIDED


def test_the_reason_never_rounds_up_to_the_probability_it_missed():
    reason = decide(0.0, -1.9599, 1.9599, GUARDED, 1.0).reason
    assert "94.9 %" in reason


@settings(max_examples=200, deadline=None)
@given(
    value=st.floats(-5, 5),
    half=st.floats(0.01, 3),
    u=st.floats(1e-4, 2),
    rule=st.sampled_from([GUARDED, DecisionSpec("guarded by factor", 1.0)]),
)
def test_a_guarded_verdict_never_contradicts_the_simple_one(value, half, u, rule):
    simple, guarded = decide(value, -half, half, SIMPLE).verdict, decide(value, -half, half, rule, u).verdict
    assert guarded in (simple, Verdict.UNDECIDED)


@settings(max_examples=100, deadline=None)
@given(value=st.floats(-3, 3), u=st.floats(1e-3, 1))
def test_less_uncertainty_never_turns_conforms_into_undecided(value, u):
    if decide(value, -1, 1, GUARDED, u).verdict is Verdict.CONFORMS:
        assert decide(value, -1, 1, GUARDED, u / 2).verdict is Verdict.CONFORMS


def test_probability_is_a_probability():
    assert math.isclose(conformance_probability(0, -1, 1, 0.5), 0.9544997361, rel_tol=1e-9)  # 2 sigma, any normal table
