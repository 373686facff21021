"""Applies the recipe's own way of fitting (regions, minimax, held degrees, reference points) to all scans together."""

from __future__ import annotations

from runner.measure.faults import describe
from runner.measure.scene import Scene
from runner.pipeline.plan import Plan
from runner.pipeline.posed import Posed

ADVICE = "Scan the part again with a clear view of the surfaces and points that the recipe's alignment names."


def refitted(plan: Plan, posed: Posed, scene: Scene) -> tuple[Posed, str, str]:
    """Return the scans after the fit that the recipe asks for; else why it failed and what to do.

    All scans take the same movement: their poses relative to each other stay as each scan alone gave them.
    """
    from runner.measure.refit import refit

    spec = plan.measure.refit
    if spec is None:
        return posed, "", ""
    try:
        found = refit(spec, plan.measure, plan.nominal, plan.index, scene)
    except Exception as error:
        fault = describe(f"alignment by {spec.method}", error)
        return posed, f"alignment by {spec.method}: {fault.text}", "Report this to whoever looks after the program."
    if found.reason or found.fit_from_start is None:
        return posed, f"alignment by {spec.method}: {found.reason or 'no fit was found'}", ADVICE
    evidence = {f"fit: {name}": value for name, value in found.evidence.items()}
    return posed.moved(found.fit_from_start, {"fit: method": spec.method, **evidence}), "", ""
