"""Does a sound recipe also fit its nominal? The checks that need geometry."""

from __future__ import annotations

from runner.diagnostics import Problem
from runner.measure.check import Trouble, check_datum_systems, check_features, check_form_noise
from runner.measure.specs import FeatureSpec
from runner.pipeline.plan import Plan

LOST = ("could not be meshed", "of them could be read")
"""Notes of the nominal that say that faces are missing."""
OPEN = ("no solid", "don't close", "not closed")
"""Notes that say that inside and outside are not defined everywhere."""


def check_on_nominal(plan: Plan) -> list[Problem]:
    """Return every problem: features, free degrees, zones within the noise, and what reading the nominal had to say."""
    off_nominal = check_features(plan.measure, plan.nominal, plan.index)
    found = [_problem(plan, "feature", trouble) for trouble in off_nominal]
    for check in (check_datum_systems, check_form_noise):
        found += [_problem(plan, "characteristic", trouble) for trouble in check(plan.measure, plan.nominal)]
    return sorted(found + _notes(plan))


def _notes(plan: Plan) -> list[Problem]:
    """What reading the nominal had to say: lost faces and a solid that does not close are errors, the rest warnings.

    A mesh nominal may be an open skin; a STEP nominal that is not a closed solid has lost something.
    """
    lines = plan.text.splitlines()
    line = next((k + 1 for k, text in enumerate(lines) if text.startswith("nominal")), 0)
    found = []
    for note in plan.nominal.notes:
        lost = any(words in note for words in LOST) or (plan.nominal.source == "step" and any(w in note for w in OPEN))
        found.append(
            Problem(
                file=str(plan.path),
                line=line,
                column=1 if line else 0,
                where=f"nominal {plan.nominal_path.name}",
                message=note[:1].lower() + note[1:],
                suggestion="export the model again as one closed solid" if lost else "",
                excerpt=lines[line - 1] if line else "",
                severity="error" if lost else "warning",
            )
        )
    return found


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
