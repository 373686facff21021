"""Measure every feature of a plan on one part."""

from __future__ import annotations

from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import Nominal
from runner.measure.found import FoundFeature
from runner.measure.scene import Scene
from runner.measure.specs import FeatureSpec, MeasurePlan
from runner.measure.surface_features import measure_surface_feature


def measure_features(plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex, scene: Scene) -> dict[str, FoundFeature]:
    """Return every feature by name; one that can't be measured carries its reason."""
    return {spec.name: measure_feature(spec, plan, nominal, index, scene) for spec in plan.features}


def measure_feature(
    spec: FeatureSpec, plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex, scene: Scene
) -> FoundFeature:
    """Return one feature as found on the part."""
    if not len(scene.points):
        return FoundFeature(spec, None, reason="not seen: the scan has no points near the nominal")
    if spec.source == "edges":
        from runner.measure.edge_features import measure_edge_feature

        return measure_edge_feature(spec, plan, nominal, index, scene)
    if spec.source == "surface":
        return measure_surface_feature(spec, nominal, scene)
    return FoundFeature(spec, None, reason=f"features from {spec.source!r} are not available")
