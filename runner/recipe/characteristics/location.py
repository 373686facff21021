"""Location: position, and coaxiality and symmetry of ISO."""

from __future__ import annotations

import re
from typing import Any

from pydantic import Field, model_validator

from runner.recipe.characteristics.options import (
    SIMULTANEOUS_TEXT,
    ZONES_TEXT,
    Across,
    Datumed,
    Material,
    Measured,
    PositionZone,
    Shape,
    Simultaneous,
    Zones,
)
from runner.recipe.frames import Frame
from runner.recipe.limits import LimitsText
from runner.recipe.names import Reference
from runner.recipe.scalars import Direction, Length, Refused, Span
from runner.recipe.text import Text

_ZONE_TEXT = re.compile(r"^(S?[Ø⌀ø∅])?\s*([0-9.]+)\s*(Ⓜ|Ⓛ|\(M\)|\(L\))?$")


class Position(Measured):
    """Position: twice the largest deviation of axis, centre or middle plane from its true position."""

    kind = "position"
    position: Reference = Field(description="The feature, or each of a pattern.")
    zone: PositionZone = Field(
        description='Width or diameter of the tolerance zone, drawing\'s unit; "Ø 0.4 Ⓜ" states shape and material '
        "condition with it. 0 only together with a material condition."
    )
    shape: Shape | None = Field(
        default=None, description="diametral (Ø), spherical (SØ) or two planes. No default; a slot has two planes."
    )
    across: Across | None = Field(
        default=None, description="Which two-plane zone of a slot or rectangle; required there, not allowed elsewhere."
    )
    direction: Direction | None = Field(
        default=None, description="Direction across a zone of two planes, nominal's frame."
    )
    at: Material | None = Field(
        default=None,
        description="maximum material (Ⓜ), least material (Ⓛ), or any size, which is what both standards mean where "
        "the drawing shows no symbol.",
    )
    size_limits: LimitsText | None = Field(
        default=None,
        description="Limits of size for the material condition; by default those of the feature's size characteristic.",
    )
    datums: Frame | None = Field(default=None, description="Datum system, or datums in their order such as [A, B, C].")
    over: Span | None = Field(
        default=None, description="Part of the axis that is judged, from the feature's point, drawing's unit."
    )
    zones: Zones | None = Field(default=None, description=ZONES_TEXT)
    simultaneous: Simultaneous | None = Field(default=None, description=SIMULTANEOUS_TEXT)

    @model_validator(mode="before")
    @classmethod
    def _zone_as_drawn(cls, data: Any) -> Any:
        """Take shape and material condition out of a zone written as on the drawing."""
        if not isinstance(data, dict) or not isinstance(data.get("zone"), str):
            return data
        found = _ZONE_TEXT.match(str(data["zone"]).strip())
        if not found or not (found[1] or found[3]):
            return data
        tidy = {**data, "zone": Text(found[2])}
        for key, symbol in (("shape", found[1]), ("at", found[3])):
            if symbol:
                if key in data:
                    raise Refused(f"{key} is stated twice, by the zone's symbol and by its own key", "each once")
                tidy[key] = Text(symbol)
        return tidy

    @model_validator(mode="after")
    def _zone_above_zero(self) -> Position:
        if self.zone == 0 and self.at in (None, "any size"):
            raise Refused(
                "a zone of 0 without a material condition", "a zone above 0, or at: maximum material", key="zone"
            )
        return self


class Coaxial(Datumed):
    """Base of coaxiality and concentricity; their zone is always diametral."""

    zone: Length = Field(description="Diameter of the tolerance zone, drawing's unit.")


class Coaxiality(Coaxial):
    """Coaxiality (ISO 1101): twice the largest distance of the axis from the datum axis; not in ASME Y14.5."""

    kind = "coaxiality"
    coaxiality: Reference = Field(description="The cylinder, cone or constructed axis.")


class Concentricity(Coaxial):
    """Concentricity (ISO 1101): twice the distance of a circle's centre from the datum's; not in ASME Y14.5-2018."""

    kind = "concentricity"
    concentricity: Reference = Field(description="The circle.")


class Symmetry(Datumed):
    """Symmetry (ISO 1101): twice the largest distance of a middle plane from the datum's; not in ASME Y14.5-2018."""

    kind = "symmetry"
    symmetry: Reference = Field(description="The slot, rectangle or symmetry plane.")
    zone: Length = Field(description="Width of the tolerance zone, drawing's unit.")
    across: Across | None = Field(
        default=None, description="Which size of a slot or rectangle is halved; required there, not allowed elsewhere."
    )
