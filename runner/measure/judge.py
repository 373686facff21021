"""From evaluated values to the result of a characteristic: limits, decision, units, and what forbids ``conforms``."""

from __future__ import annotations

import math
from collections.abc import Sequence

from runner.measure.characteristics.common import Finding, Missing, Value
from runner.measure.decide import Decision, decide
from runner.measure.kinds import KINDS
from runner.measure.specs import CharacteristicSpec
from runner.records import PartResult, Result, Uncertainty, Verdict

PER_UNIT = {"mm": 1.0, "in": 1.0 / 25.4, "deg": 180.0 / math.pi, "%": 100.0}
"""What a value in mm or rad, or a share, is multiplied by for its unit."""
WORST_FIRST = (Verdict.DOES_NOT_CONFORM, Verdict.NOT_MEASURED, Verdict.UNDECIDED, Verdict.CONFORMS, Verdict.INFORMATION)
LENGTHLESS = (
    "sections",
    "cells",
    "isolated points left out",
    "removed points near the surface",
    "zone turned by, deg",
    "places",
    "points in it",
)
"""Details that are counts or angles and carry no unit of length."""
OTHER_UNITS = (", deg", ", %")
"""Details whose names end so carry their own unit."""


def judge(spec: CharacteristicSpec, findings: Sequence[Finding]) -> Result:
    """Return the result of a characteristic from the values of its features.

    One valid excess proves ``does not conform``; ``conforms`` needs every feature measured, the stated coverage and
    nothing unexplained near the surface.
    """
    if not findings:
        findings = (Missing(spec.id, "nothing was evaluated"),)
    decided = [(f, _decided(spec, f)) for f in findings]
    ranked = sorted(decided, key=lambda pair: (WORST_FIRST.index(pair[1].verdict), -_badness(spec, pair[0])))
    worst, decision = ranked[0]
    several = len(findings) > 1
    reason = decision.reason
    if several and reason:
        reason = f"{worst.name}: {reason}"
    values = [f for f in findings if isinstance(f, Value)]
    shown = worst if isinstance(worst, Value) else (max(values, key=lambda v: _badness(spec, v)) if values else None)
    factor = PER_UNIT[spec.unit]
    lower, upper = _limits(spec, shown)
    nominal = 0.0 if _geometrical(spec) and spec.nominal is None else spec.nominal
    value = None if shown is None else shown.value
    coverages = [v.coverage for v in values if v.coverage is not None]
    return Result(
        id=spec.id,
        kind=spec.kind,
        title=spec.title,
        features=spec.features,
        unit=spec.unit,
        decimals=spec.decimals,
        nominal=_scaled(nominal, factor),
        lower=_scaled(lower, factor),
        upper=_scaled(upper, factor),
        limits_text=spec.limits_text,
        value=_scaled(value, factor),
        deviation=None if value is None or nominal is None else (value - nominal) * factor,
        verdict=decision.verdict,
        reason=reason,
        uncertainty=_uncertainty(spec, factor),
        points=sum(v.points for v in values),
        coverage=min(coverages) if coverages else None,
        datum_system=spec.datum_system,
        classification=spec.classification,
        where=spec.where,
        details=_details(shown, factor, spec),
        parts=tuple(_part(spec, f, d, nominal, factor) for f, d in decided) if several else (),
        origin=spec.origin,
    )


def not_measured_result(spec: CharacteristicSpec, reason: str) -> Result:
    """Return the result of a characteristic that was not evaluated at all."""
    return judge(spec, [Missing(spec.id, reason)])


def _decided(spec: CharacteristicSpec, finding: Finding) -> Decision:
    """The verdict on one feature."""
    if isinstance(finding, Missing):
        return Decision(Verdict.NOT_MEASURED, finding.reason)
    if not all(math.isfinite(v) for v in (finding.value, *finding.judged)):
        return Decision(Verdict.NOT_MEASURED, "the evaluation gave no finite value")
    lower, upper = _limits(spec, finding)
    standard = None if spec.stated_uncertainty is None else spec.stated_uncertainty / 2.0
    every = [decide(v, lower, upper, spec.decision, standard) for v in (finding.judged or (finding.value,))]
    decision = min(every, key=lambda d: WORST_FIRST.index(d.verdict))
    if decision.verdict is not Verdict.CONFORMS:
        return decision
    if finding.blocked:
        return Decision(Verdict.UNDECIDED, finding.blocked)
    if spec.need_coverage > 0.0:
        seen = finding.coverage
        if seen is None or seen < spec.need_coverage:
            text = "an unknown share" if seen is None else f"only {_floor_percent(seen)}"
            return Decision(
                Verdict.UNDECIDED, f"{text} of the surface was seen; {spec.need_coverage:.0%} is needed to say conforms"
            )
    return decision


def _limits(spec: CharacteristicSpec, finding: Finding | None) -> tuple[float | None, float | None]:
    """Lower and upper limit of the value, mm or rad."""
    own = (finding.lower, finding.upper) if isinstance(finding, Value) else (None, None)
    if _geometrical(spec):
        return None, spec.zone if own[1] is None else own[1]
    return spec.lower if own[0] is None else own[0], spec.upper if own[1] is None else own[1]


def _badness(spec: CharacteristicSpec, finding: Finding) -> float:
    """How far beyond the limits, relative to them: which of several is shown."""
    if isinstance(finding, Missing):
        return math.inf
    lower, upper = _limits(spec, finding)
    over = -math.inf if upper is None else finding.value - upper
    under = -math.inf if lower is None else lower - finding.value
    return max(over, under, -1e300)


def _part(
    spec: CharacteristicSpec, finding: Finding, decision: Decision, nominal: float | None, factor: float
) -> PartResult:
    if isinstance(finding, Missing):
        return PartResult(finding.name, None, None, decision.verdict, decision.reason)
    return PartResult(
        name=finding.name,
        value=finding.value * factor,
        deviation=None if nominal is None else (finding.value - nominal) * factor,
        verdict=decision.verdict,
        reason=decision.reason,
        details=_details(finding, factor, spec),
    )


def _details(finding: Finding | None, factor: float, spec: CharacteristicSpec) -> dict[str, float | str]:
    """Details in the characteristic's unit: lengths for a length, angles don't mix with them."""
    if not isinstance(finding, Value):
        return {}
    scale = factor if spec.unit == "in" else 1.0
    return {
        name: v if isinstance(v, str) or name in LENGTHLESS or name.endswith(OTHER_UNITS) else float(v) * scale
        for name, v in finding.details.items()
    }


def _uncertainty(spec: CharacteristicSpec, factor: float) -> Uncertainty | None:
    if spec.stated_uncertainty is None:
        return None
    expanded = spec.stated_uncertainty * factor
    return Uncertainty(expanded / 2.0, expanded, 2.0, "stated in the recipe")


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None or not math.isfinite(value) else value * factor


def _floor_percent(share: float) -> str:
    """A share as text that is never rounded up to the one it missed."""
    return f"{math.floor(share * 1000) / 10:g} %"


def _geometrical(spec: CharacteristicSpec) -> bool:
    kind = KINDS.get(spec.kind)
    return kind is not None and kind.geometrical
