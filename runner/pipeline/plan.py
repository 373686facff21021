"""A recipe bound to its nominal: checked once, reused for every scan."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from runner.align.model import FORMAT as MODEL_FORMAT
from runner.align.model import AlignmentModel, prepare_model
from runner.align.types import AlignSettings
from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import Nominal
from runner.measure.specs import MeasurePlan
from runner.nominal.cache import ArrayCache
from runner.nominal.load import load_index, load_nominal
from runner.pipeline.progress import Progress, silent
from runner.recipe.defaults import resolve
from runner.recipe.fingerprint import fingerprint
from runner.recipe.load import load_recipe
from runner.recipe.schema import Recipe
from runner.recipe.translate import alignment_method, to_align_settings, to_plan


@dataclass(frozen=True, eq=False)
class Plan:
    """Everything that one part number needs, ready to measure."""

    recipe: Recipe
    path: Path
    text: str
    fingerprint: str
    nominal_path: Path
    nominal: Nominal
    index: SurfaceIndex
    measure: MeasurePlan
    align: AlignSettings
    method: str
    """``best fit``, ``datums`` or ``as scanned``."""
    model: AlignmentModel | None
    """None when it was loaded for checking only."""


def load_plan(
    recipe_path: Path, *, cache: ArrayCache | None = None, progress: Progress = silent, with_model: bool = True
) -> Plan:
    """Load a recipe and prepare its nominal (``with_model``: also for the automatic start).

    Raises ``RecipeError`` with every problem of the recipe's text, ``InputError`` for an unusable nominal.
    """
    cache = cache or ArrayCache()
    progress("recipe", 0.0)
    recipe = resolve(load_recipe(recipe_path))
    nominal_path = recipe.nominal_path
    progress("nominal", 0.0)
    nominal = load_nominal(nominal_path, unit=recipe.nominal.unit, cache=cache)
    index = load_index(nominal, cache)
    method, settings = alignment_method(recipe), to_align_settings(recipe)
    if settings.start == "as scanned" and method != "as scanned":
        # the scan lies roughly right already: a start pose like any other, verified and then refined
        settings = replace(settings, start="automatic", start_pose=np.eye(4))
    model = None
    if with_model:
        progress("alignment model", 0.0)
        model = _load_model(nominal, index, recipe.nominal.unit, cache)
    return Plan(
        recipe=recipe,
        path=recipe_path,
        text=recipe.source.text,
        fingerprint=fingerprint(recipe, nominal.sha256),
        nominal_path=nominal_path,
        nominal=nominal,
        index=index,
        measure=to_plan(recipe),
        align=settings,
        method=method,
        model=model,
    )


def _load_model(nominal: Nominal, index: SurfaceIndex, unit: str | None, cache: ArrayCache) -> AlignmentModel:
    """The alignment model, from the cache when this nominal was seen before."""
    key = hashlib.sha256(f"{nominal.sha256} {unit} {nominal.chord_mm} {MODEL_FORMAT}".encode()).hexdigest()
    arrays = cache.get(f"align-{key}", lambda: prepare_model(nominal, index).to_arrays())
    try:
        return AlignmentModel.from_arrays(arrays)
    except (KeyError, ValueError):
        # an entry of another version under the same key: work without the cache rather than stop
        return prepare_model(nominal, index)
