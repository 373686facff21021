"""The release of a recipe: what exactly is approved, and whether it may be."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from runner.diagnostics import Problem, RecipeError
from runner.ledger.entries import RECIPE, Release
from runner.nominal.cache import ArrayCache
from runner.pipeline.check import check_on_nominal
from runner.pipeline.plan import Plan, load_plan
from runner.pipeline.progress import Progress, silent
from runner.recipe.load import read_recipe


@dataclass(frozen=True, eq=False)
class Releasable:
    """A recipe that is sound on its nominal, with what ``runner check`` still has to say."""

    plan: Plan
    warnings: tuple[Problem, ...]

    def entry(self, *, approved: bool, person: str, reason: str) -> Release:
        """Return the entry that approves this recipe, or withdraws the approval."""
        part, nominal = self.plan.recipe.part, self.plan.nominal
        return Release(
            subject=RECIPE,
            about=self.plan.fingerprint,
            approved=approved,
            reason=reason,
            person=person,
            part_number=part.number,
            part_revision=part.revision,
            recipe_file=self.plan.path.name,
            recipe_text=self.plan.text,
            nominal_file=self.plan.nominal_path.name,
            nominal_sha256=nominal.sha256,
        )


def releasable(path: Path, *, cache: ArrayCache | None = None, progress: Progress = silent) -> Releasable:
    """Load a recipe and check it on its nominal; ``RecipeError`` with every problem when it must not be released."""
    loaded, problems = read_recipe(path)
    if loaded is None:
        raise RecipeError(tuple(problems))
    plan = load_plan(path, cache=cache, progress=progress, with_model=False)
    found = sorted([*problems, *check_on_nominal(plan)])
    if any(problem.severity == "error" for problem in found):
        raise RecipeError(tuple(found))
    return Releasable(plan, tuple(found))
