"""The alignment that the recipe asks for after the first one: a best fit of its own, or reference points."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import Floats, Nominal
from runner.measure.found import FoundFeature
from runner.measure.refit_fit import fit, regions_of
from runner.measure.refit_points import pin
from runner.measure.refit_pose import pose
from runner.measure.scene import Scene
from runner.measure.specs import MeasurePlan, RefitSpec


@dataclass(frozen=True, eq=False)
class Refit:
    """The movement of the part after the first alignment."""

    fit_from_start: Floats | None
    """(4, 4); None when there is none."""
    evidence: Mapping[str, float | str] = field(default_factory=dict)
    """What the fit reached, mm, and how: for the record."""
    reason: str = ""


def refit(spec: RefitSpec, plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex, scene: Scene) -> Refit:
    """Return the movement (4, 4) that brings the part, aligned as ``scene`` has it, to where the recipe wants it."""
    if not len(scene.points):
        return Refit(None, reason="the scan has no points near the nominal")
    if spec.method == "best fit":
        return _best_fit(spec, plan, nominal, index, scene)
    if spec.method == "reference points":
        return _reference_points(spec, plan, nominal, index, scene)
    return Refit(None, reason=f"there is no alignment {spec.method!r}")


def _best_fit(spec: RefitSpec, plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex, scene: Scene) -> Refit:
    regions = regions_of(spec, plan, nominal, max(scene.spacing, 1e-3))
    if isinstance(regions, str):
        return Refit(None, reason=regions)
    got = fit(spec, regions, nominal, index, scene)
    if isinstance(got, str):
        return Refit(None, reason=got)
    evidence: dict[str, float | str] = {
        "objective": spec.objective,
        "points": float(got.points),
        "largest weighted deviation" if spec.objective == "minimax" else "rms by area": got.value,
        "rounds": float(got.rounds),
        "last step": got.last_step,
    }
    if spec.held:
        evidence["held"] = " ".join(spec.held)
    return Refit(pose(got.numbers), evidence | _moved(got.numbers))


def _reference_points(spec: RefitSpec, plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex, scene: Scene) -> Refit:
    got = pin(spec, _features(spec, plan, nominal, index, scene), nominal, index, scene)
    if isinstance(got, str):
        return Refit(None, reason=got)
    evidence: dict[str, float | str] = {"rounds": float(got.rounds), "last step": got.last_step}
    evidence |= {f"residual {name}": value for name, value in got.residuals.items()}
    return Refit(pose(got.numbers), evidence | _moved(got.numbers))


def _moved(numbers: Floats) -> dict[str, float | str]:
    """How far the part was moved from the first alignment."""
    return {
        "turned, deg": float(np.degrees(np.linalg.norm(numbers[:3]))),
        "moved at the origin": float(np.linalg.norm(numbers[3:])),
    }


def _features(
    spec: RefitSpec, plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex, scene: Scene
) -> dict[str, FoundFeature]:
    """The features whose centres are asked for, with all that they are made of."""
    from runner.measure.features import measure_features

    by_name = {f.name: f for f in plan.features}
    wanted = [p.feature for p in spec.points if p.feature is not None]
    needed: set[str] = set()
    while wanted:
        name = wanted.pop()
        if name in by_name and name not in needed:
            needed.add(name)
            wanted.extend(by_name[name].parents)
    if not needed:
        return {}
    part = replace(plan, features=tuple(f for f in plan.features if f.name in needed))
    return measure_features(part, nominal, index, scene)
