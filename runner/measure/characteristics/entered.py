"""Results of other gauges: listed with the rest, entered by a person."""

from __future__ import annotations

from runner.measure.characteristics.common import Context, Finding, Missing
from runner.measure.specs import CharacteristicSpec


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return that a person has to enter it: nothing on a scan can stand in for it."""
    gauge = spec.entered.get("gauge") or spec.entered.get("kind") or "another gauge"
    return [Missing(spec.id, f"to be entered from another gauge: {gauge}")]
