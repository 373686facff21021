"""Does a sound recipe also fit its nominal? The checks that need geometry."""

from __future__ import annotations

from runner.diagnostics import Problem
from runner.measure.check import Trouble, check_datum_systems, check_features, check_form_noise
from runner.measure.specs import FeatureSpec
from runner.pipeline.plan import Plan


def check_on_nominal(plan: Plan) -> list[Problem]:
    """Return every problem: features off the nominal, values that depend on a free degree, zones within the noise."""
    off_nominal = check_features(plan.measure, plan.nominal, plan.index)
    found = [_problem(plan, "feature", trouble) for trouble in off_nominal]
    for check in (check_datum_systems, check_form_noise):
        found += [_problem(plan, "characteristic", trouble) for trouble in check(plan.measure, plan.nominal)]
    return sorted(found)


def _problem(plan: Plan, what: str, trouble: Trouble) -> Problem:
    """A trouble at the line of the recipe where its object stands; a pattern's member at the pattern's line."""
    name, message = trouble
    items = plan.measure.features if what == "feature" else plan.measure.characteristics
    origin = next((i.origin for i in items if name == (i.name if isinstance(i, FeatureSpec) else i.id)), None)
    line = origin.line if origin is not None else 0
    lines = plan.text.splitlines()
    return Problem(
        file=str(plan.path),
        line=line,
        column=1 if line else 0,
        where=f'{what} "{name}"',
        message=message,
        excerpt=lines[line - 1] if 0 < line <= len(lines) else "",
    )
