"""From value, limits and uncertainty to a verdict: simple, guarded (ISO 14253-1:2017), by factor (JCGM 106)."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

from runner.measure.specs import DecisionSpec
from runner.records import Verdict

DEFAULT_PROBABILITY = 0.95
"""ISO 14253-1:2017: conformance or nonconformance is stated when its probability is at least this."""
ONE_SIDED = 1.65
"""Guard of ISO 14253-1:2017 in standard uncertainties where only one limit matters."""
BOTH_NEAR = 4.0
"""Both limits matter when the tolerance is narrower than this many standard uncertainties to each side."""
ROUND_OFF = 1e-9
"""mm or rad: a value computed to lie exactly at a limit may miss it by this through float arithmetic."""


@dataclass(frozen=True)
class Decision:
    """A verdict and one sentence why."""

    verdict: Verdict
    reason: str = ""


def decide(
    value: float,
    lower: float | None,
    upper: float | None,
    rule: DecisionSpec,
    standard_uncertainty: float | None = None,
) -> Decision:
    """Return the verdict on one value.

    A value exactly at a limit conforms under the simple rule. The decision uses the value as computed, never as
    printed. Guarded rules without an uncertainty can't decide: ``undecided``.
    """
    if lower is None and upper is None:
        return Decision(Verdict.INFORMATION)
    if rule.rule == "simple":
        return _simple(value, lower, upper)
    if standard_uncertainty is None:
        return Decision(Verdict.UNDECIDED, "the decision rule is guarded, but no uncertainty is known")
    if standard_uncertainty <= 0.0:
        return _simple(value, lower, upper)
    if rule.rule == "guarded":
        return _guarded(value, lower, upper, standard_uncertainty)
    if rule.rule == "guarded by factor":
        guard = 2.0 * standard_uncertainty * (1.0 if rule.factor is None else rule.factor)
        return _with_guard(value, lower, upper, guard, f"{guard:.4g} (factor times the expanded uncertainty)")
    raise ValueError(f"unknown decision rule {rule.rule!r}")


def conformance_probability(
    value: float, lower: float | None, upper: float | None, standard_uncertainty: float
) -> float:
    """Return the probability that the true value lies within the limits (JCGM 106:2012, 7.2; normal, no prior)."""
    normal = NormalDist(value, standard_uncertainty)
    below = 0.0 if lower is None else normal.cdf(lower)
    above = 0.0 if upper is None else 1.0 - normal.cdf(upper)
    return max(0.0, 1.0 - below - above)


def _simple(value: float, lower: float | None, upper: float | None) -> Decision:
    excess = _excess(value, lower, upper)
    if excess <= ROUND_OFF:
        return Decision(Verdict.CONFORMS)
    return Decision(Verdict.DOES_NOT_CONFORM, f"beyond the limit by {excess:.4g}")


def _excess(value: float, lower: float | None, upper: float | None) -> float:
    """How far outside the limits; negative inside."""
    over = -float("inf") if upper is None else value - upper
    under = -float("inf") if lower is None else lower - value
    return max(over, under)


def _with_guard(value: float, lower: float | None, upper: float | None, guard: float, text: str) -> Decision:
    excess = _excess(value, lower, upper)
    if excess <= -guard + ROUND_OFF:
        return Decision(Verdict.CONFORMS)
    if excess > guard - ROUND_OFF and excess > ROUND_OFF:
        return Decision(Verdict.DOES_NOT_CONFORM, f"beyond the limit by {excess:.4g}, more than the guard {text}")
    return Decision(Verdict.UNDECIDED, f"within the guard {text} of the limit")


def _guarded(value: float, lower: float | None, upper: float | None, u: float) -> Decision:
    """ISO 14253-1:2017: 1.65 u where one limit matters, the two-sided probability where both do."""
    if lower is not None and upper is not None and upper - lower < 2.0 * BOTH_NEAR * u:
        inside = conformance_probability(value, lower, upper, u)
        if inside >= DEFAULT_PROBABILITY:
            return Decision(Verdict.CONFORMS)
        if 1.0 - inside >= DEFAULT_PROBABILITY and _excess(value, lower, upper) > 0:
            return Decision(Verdict.DOES_NOT_CONFORM, f"outside the limits with probability {_percent(1.0 - inside)}")
        return Decision(
            Verdict.UNDECIDED, f"inside the limits with probability {_percent(inside)}, not {_percent(0.95)}"
        )
    guard = ONE_SIDED * u
    return _with_guard(value, lower, upper, guard, f"{guard:.4g} (1.65 standard uncertainties)")


def _percent(share: float) -> str:
    """A probability as text that is never rounded up to 100 or to the limit it missed."""
    percent = int(share * 1000) / 10
    return f"{percent:g} %"
