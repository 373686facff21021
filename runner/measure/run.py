"""A plan and a scene in; measured features, datum systems, results and the deviation map out."""

from __future__ import annotations

from dataclasses import dataclass

from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import Nominal
from runner.measure.characteristics.common import Context, Finding, Missing
from runner.measure.datums import establish
from runner.measure.devmap import DeviationMap, deviation_map
from runner.measure.features import measure_features
from runner.measure.found import FoundFeature
from runner.measure.judge import judge, not_measured_result
from runner.measure.kinds import KINDS
from runner.measure.scene import Scene
from runner.measure.specs import CharacteristicSpec, MeasurePlan
from runner.records import DatumRecord, MeasuredFeature, Result


@dataclass(frozen=True, eq=False)
class Measured:
    """What was measured on one part."""

    features: tuple[MeasuredFeature, ...]
    datum_systems: tuple[DatumRecord, ...]
    results: tuple[Result, ...]
    deviation_map: DeviationMap
    found: dict[str, FoundFeature]
    """The features with their points, for whoever looks closer; not stored."""


def measure(plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex, scene: Scene) -> Measured:
    """Measure one part. Whatever can't be measured says why; nothing raises for a bad scan."""
    features = measure_features(plan, nominal, index, scene)
    specs = {spec.name: spec for spec in plan.features}
    low, high = nominal.bounds
    centre = 0.5 * (low + high)
    systems = {s.name: establish(s, features, specs, centre) for s in plan.datum_systems}
    context = Context(plan, nominal, index, scene, specs, features, systems)
    results = tuple(judge(spec, evaluate(spec, context)) for spec in plan.characteristics)
    return Measured(
        features=tuple(f.record() for f in features.values()),
        datum_systems=tuple(s.record() for s in systems.values()),
        results=results,
        deviation_map=deviation_map(nominal, scene),
        found=features,
    )


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the values of one characteristic, feature by feature."""
    kind = KINDS.get(spec.kind)
    if kind is None:
        return [Missing(spec.id, f"there is no characteristic {spec.kind!r}")]
    if not len(context.scene.points) and spec.kind != "other gauge":
        return [Missing(spec.id, "the scan has no points near the nominal")]
    return kind.evaluate(spec, context)


def not_measured(plan: MeasurePlan, reason: str) -> tuple[Result, ...]:
    """Return every characteristic of a plan as not measured, for one reason."""
    return tuple(not_measured_result(spec, reason) for spec in plan.characteristics)
