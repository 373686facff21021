"""Characteristics: one model for each kind, so that each knows which keys it may have."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Union

from pydantic import Discriminator, Tag

from runner.recipe.characteristics.details import BendAngle, BendRadius, Chamfer, Countersink, Depth, Thickness
from runner.recipe.characteristics.entered import OtherGauge
from runner.recipe.characteristics.form import Cylindricity, Flatness, Form, Roundness, Straightness
from runner.recipe.characteristics.location import Coaxial, Coaxiality, Concentricity, Position, Symmetry
from runner.recipe.characteristics.options import CharacteristicOptions, Measured, kind_of_key
from runner.recipe.characteristics.orientation import (
    Angularity,
    CircularRunout,
    Orientation,
    Parallelism,
    Perpendicularity,
    Runout,
    TotalRunout,
)
from runner.recipe.characteristics.places import EdgePoints, Gap, PointFile, PointList, Step, SurfacePoints, TrimEdge
from runner.recipe.characteristics.profiles import Profile, ProfileOfALine, ProfileZone, Statistics
from runner.recipe.characteristics.relations import AngleBetween, Coordinates, Distance, Size
from runner.recipe.kinds import CHARACTERISTIC_KINDS
from runner.recipe.names import tag_of

__all__ = [
    "CHARACTERISTIC_MODELS",
    "AngleBetween",
    "AnyCharacteristic",
    "BendAngle",
    "Chamfer",
    "CharacteristicOptions",
    "CircularRunout",
    "Coaxial",
    "Coordinates",
    "Countersink",
    "Distance",
    "Form",
    "Gap",
    "Measured",
    "Orientation",
    "OtherGauge",
    "PointFile",
    "PointList",
    "Position",
    "Profile",
    "ProfileOfALine",
    "ProfileZone",
    "Runout",
    "Size",
    "Statistics",
    "Step",
    "Straightness",
    "Symmetry",
    "TrimEdge",
    "kind_of_key",
]

CHARACTERISTIC_MODELS: dict[str, type[CharacteristicOptions]] = {
    model.kind: model
    for model in (
        Size,
        Distance,
        AngleBetween,
        Coordinates,
        Straightness,
        Flatness,
        Roundness,
        Cylindricity,
        Parallelism,
        Perpendicularity,
        Angularity,
        Position,
        Coaxiality,
        Concentricity,
        Symmetry,
        CircularRunout,
        TotalRunout,
        Profile,
        ProfileOfALine,
        BendAngle,
        BendRadius,
        Thickness,
        Depth,
        Countersink,
        Chamfer,
        TrimEdge,
        Gap,
        Step,
        SurfacePoints,
        EdgePoints,
        Statistics,
        OtherGauge,
    )
}
assert tuple(CHARACTERISTIC_MODELS) == CHARACTERISTIC_KINDS


def _characteristic_tag(value: Any) -> str | None:
    """Return the tag of the first kind among a characteristic's keys."""
    if isinstance(value, CharacteristicOptions):
        return tag_of(value.kind)
    if isinstance(value, dict):
        kinds = [kind for kind in (kind_of_key(str(key)) for key in value) if kind]
        return tag_of(kinds[0]) if kinds else None
    return None


if TYPE_CHECKING:
    AnyCharacteristic = CharacteristicOptions
else:
    AnyCharacteristic = Annotated[
        Union[tuple(Annotated[model, Tag(tag_of(kind))] for kind, model in CHARACTERISTIC_MODELS.items())],  # noqa: UP007
        Discriminator(_characteristic_tag, custom_error_type="no_kind", custom_error_message="no kind"),
    ]
