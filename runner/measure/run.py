"""A plan and a scene in; measured features, datum systems, results and the deviation map out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import Floats, Nominal
from runner.measure.characteristics.common import Context, Finding, Missing
from runner.measure.datums import Established, establish
from runner.measure.devmap import DeviationMap, deviation_map, places
from runner.measure.faults import Fault, Faults, describe
from runner.measure.features import measure_features
from runner.measure.found import FoundFeature
from runner.measure.judge import judge, not_measured_result
from runner.measure.kinds import KINDS
from runner.measure.scene import Scene
from runner.measure.specs import CharacteristicSpec, DatumSystemSpec, FeatureSpec, MeasurePlan
from runner.records import DatumRecord, MeasuredFeature, Result

NOISE_COUNTED = "of the points judged; what the datums scatter stays in the value and is not in the interval"


@dataclass(frozen=True, eq=False)
class Measured:
    """What was measured on one part."""

    features: tuple[MeasuredFeature, ...]
    datum_systems: tuple[DatumRecord, ...]
    results: tuple[Result, ...]
    deviation_map: DeviationMap
    found: dict[str, FoundFeature]
    """The features with their points, for whoever looks closer; not stored."""
    faults: tuple[Fault, ...] = ()
    """Faults of the program; what they concern is ``not measured``, and the part must be held."""


def measure(plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex, scene: Scene) -> Measured:
    """Measure one part. Whatever can't be measured says why; nothing raises for a bad scan.

    Nor does a fault of the program in one feature, datum system or characteristic take the others with it.
    """
    faults = Faults()
    features = _features(plan, nominal, index, scene, faults)
    specs = {spec.name: spec for spec in plan.features}
    low, high = nominal.bounds
    centre = 0.5 * (low + high)
    systems = {s.name: _system(s, features, specs, centre, plan.standard, scene, faults) for s in plan.datum_systems}
    context = Context(plan, nominal, index, scene, specs, features, systems)
    results = tuple(_result(spec, context, faults) for spec in plan.characteristics)
    return Measured(
        features=tuple(f.record() for f in features.values()),
        datum_systems=tuple(s.record() for s in systems.values()),
        results=results,
        deviation_map=faults.guarded(
            "deviation map", lambda: deviation_map(nominal, scene), lambda reason: places(nominal)
        ),
        found=features,
        faults=faults.found,
    )


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the values of one characteristic, feature by feature."""
    kind = KINDS.get(spec.kind)
    if kind is None:
        return [Missing(spec.id, f"there is no characteristic {spec.kind!r}")]
    if not len(context.scene.points) and spec.kind != "other gauge":
        return [Missing(spec.id, "the scan has no points near the nominal")]
    found = kind.evaluate(spec, context)
    return [_with_what_is_counted(one) for one in found] if spec.datum_system or spec.reference else found


def _with_what_is_counted(one: Finding) -> Finding:
    """Say beside an interval for noise that the datums' own is not in it: known-truth studies missed up to 4 of 5."""
    if isinstance(one, Missing) or "corrected, at least" not in one.details:
        return one
    return replace(one, details=dict(one.details) | {"noise counted": NOISE_COUNTED})


def not_measured(plan: MeasurePlan, reason: str) -> tuple[Result, ...]:
    """Return every characteristic of a plan as not measured, for one reason."""
    return tuple(not_measured_result(spec, reason) for spec in plan.characteristics)


def _result(spec: CharacteristicSpec, context: Context, faults: Faults) -> Result:
    """Evaluate and judge one characteristic."""
    return faults.guarded(
        f"characteristic {spec.id}",
        lambda: judge(spec, evaluate(spec, context)),
        lambda reason: not_measured_result(spec, reason),
    )


def _system(
    spec: DatumSystemSpec,
    features: dict[str, FoundFeature],
    specs: dict[str, FeatureSpec],
    centre: Floats,
    standard: str,
    scene: Scene,
    faults: Faults,
) -> Established:
    """Establish one datum system."""
    return faults.guarded(
        f"datum system {spec.name}",
        lambda: establish(spec, features, specs, centre, standard=standard, scene=scene),
        lambda reason: Established(
            spec.name, None, np.eye(6), centre, reason=reason, datums=tuple(d.label for d in spec.datums)
        ),
    )


def _features(
    plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex, scene: Scene, faults: Faults
) -> dict[str, FoundFeature]:
    """Measure the features together, and one by one, each with what it is made of, after a fault in any of them."""
    try:
        return measure_features(plan, nominal, index, scene)
    except Exception as error:
        first = describe("features", error)
    by_name = {spec.name: spec for spec in plan.features}
    found: dict[str, FoundFeature] = {}
    for spec in plan.features:

        def alone(spec: FeatureSpec = spec) -> FoundFeature:
            needed = _with_parents(spec, by_name)
            some = replace(plan, features=tuple(s for s in plan.features if s.name in needed))
            return measure_features(some, nominal, index, scene)[spec.name]

        def failed(reason: str, spec: FeatureSpec = spec) -> FoundFeature:
            return FoundFeature(spec, None, reason=reason)

        found[spec.name] = faults.guarded(f"feature {spec.name}", alone, failed)
    if not faults.found:
        # it did not come again: a fault all the same
        faults.add(first)
    return found


def _with_parents(spec: FeatureSpec, by_name: dict[str, FeatureSpec]) -> set[str]:
    """Names of a feature and of everything that it is constructed from."""
    needed: set[str] = set()
    waiting = [spec.name]
    while waiting:
        name = waiting.pop()
        if name not in needed:
            needed.add(name)
            waiting += by_name[name].parents if name in by_name else ()
    return needed
