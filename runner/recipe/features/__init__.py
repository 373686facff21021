"""Features: the nominal elements, how they are found on the scan, patterns of them, and what is constructed of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Union

from pydantic import Discriminator, Tag

from runner.recipe.features.constructed import (
    AxisFeature,
    CentreCircleFeature,
    CentreFeature,
    Constructed,
    IntersectionFeature,
    MidpointFeature,
    ProjectionFeature,
    SymmetryPlaneFeature,
)
from runner.recipe.features.faces import (
    ConeFeature,
    CylinderFeature,
    LineFeature,
    PlaneFeature,
    SphereFeature,
    TorusFeature,
)
from runner.recipe.features.free import (
    CrossSectionFeature,
    EdgePointFeature,
    FacesAt,
    SurfaceFeature,
    SurfacePointFeature,
    TrimEdgeFeature,
)
from runner.recipe.features.holes import ArcFeature, CircleFeature, RectangleFeature, SlotFeature
from runner.recipe.features.options import Feature, FeatureOptions
from runner.recipe.features.patterns import PatternFeature
from runner.recipe.kinds import FEATURE_KINDS
from runner.recipe.names import tag_of
from runner.recipe.text import spaced

__all__ = [
    "FEATURE_MODELS",
    "AnyFeature",
    "Constructed",
    "FacesAt",
    "Feature",
    "FeatureOptions",
    "PatternFeature",
    "PlaneFeature",
]

FEATURE_MODELS: dict[str, type[Feature]] = {
    model.kind: model
    for model in (
        PlaneFeature,
        LineFeature,
        CircleFeature,
        ArcFeature,
        CylinderFeature,
        ConeFeature,
        SphereFeature,
        TorusFeature,
        SlotFeature,
        RectangleFeature,
        SurfaceFeature,
        CrossSectionFeature,
        TrimEdgeFeature,
        SurfacePointFeature,
        EdgePointFeature,
        MidpointFeature,
        IntersectionFeature,
        CentreFeature,
        ProjectionFeature,
        SymmetryPlaneFeature,
        AxisFeature,
        CentreCircleFeature,
        PatternFeature,
    )
}
assert tuple(FEATURE_MODELS) == (*FEATURE_KINDS, "pattern")


def _feature_tag(value: Any) -> str | None:
    """Return the tag of the first kind among a feature's keys."""
    if isinstance(value, Feature):
        return tag_of(value.kind)
    if isinstance(value, dict):
        keys = {spaced(str(key)) for key in value}
        kind = next((kind for kind in ("pattern", *FEATURE_KINDS) if kind in keys), None)
        return tag_of(kind) if kind else None
    return None


if TYPE_CHECKING:
    AnyFeature = Feature
else:
    AnyFeature = Annotated[
        Union[tuple(Annotated[model, Tag(tag_of(kind))] for kind, model in FEATURE_MODELS.items())],  # noqa: UP007
        Discriminator(_feature_tag, custom_error_type="no_kind", custom_error_message="no kind"),
    ]
