"""Measure every feature of a plan on one part."""

from __future__ import annotations

from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import Nominal
from runner.measure.constructed import measure_constructed
from runner.measure.cross_section import measure_cross_section
from runner.measure.found import FoundFeature
from runner.measure.point_features import measure_point_feature
from runner.measure.scene import Scene
from runner.measure.specs import FeatureSpec, MeasurePlan
from runner.measure.surface_features import measure_surface_feature


def measure_features(plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex, scene: Scene) -> dict[str, FoundFeature]:
    """Return every feature by name; one that can't be measured carries its reason."""
    features: dict[str, FoundFeature] = {}
    for spec in plan.features:
        if spec.source == "constructed":
            features[spec.name] = measure_constructed(spec, features)
        else:
            features[spec.name] = measure_feature(spec, plan, nominal, index, scene)
    return features


def measure_feature(
    spec: FeatureSpec, plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex, scene: Scene
) -> FoundFeature:
    """Return one feature as found on the part."""
    if not len(scene.points):
        return FoundFeature(spec, None, reason="not seen: the scan has no points near the nominal")
    if spec.kind == "surface point":
        return measure_point_feature(spec, nominal, scene)
    if spec.kind == "cross-section":
        return measure_cross_section(spec, nominal, index, scene)
    if spec.source == "edges":
        from runner.measure.edge_features import measure_edge_feature

        return measure_edge_feature(spec, plan, nominal, index, scene)
    if spec.source == "surface":
        return measure_surface_feature(spec, nominal, scene)
    return FoundFeature(spec, None, reason=f"features from {spec.source!r} are not available")
