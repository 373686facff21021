"""What people enter."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from runner.recipe.characteristics.options import CharacteristicOptions, References
from runner.recipe.limits import LimitsText
from runner.recipe.scalars import Length, OneOf, Refused, Words


class OtherGauge(CharacteristicOptions):
    """Entered by a person, listed with the rest."""

    kind = "other gauge"
    other_gauge: Words = Field(description='What is gauged, such as "thread M6".')
    kind_: Annotated[
        str,
        OneOf(
            "go/no-go",
            "value",
            "visual",
            what="kind of gauge",
            aliases={"go no-go": "go/no-go", "attribute": "go/no-go"},
        ),
    ] = Field(description="go/no-go, value or visual.")
    limits: LimitsText | None = Field(default=None, description="Limits of an entered value, in its unit.")
    unit: Annotated[str, OneOf("mm", "in", "deg", what="unit of an entered value")] | None = Field(
        default=None,
        description="Unit of an entered value: the drawing's unit (default) or deg. What has another unit (a hardness, "
        "a torque) is entered as go/no-go in this version.",
    )
    gauge: Words | None = Field(default=None, description="The gauge's identity, where it is fixed.")
    uncertainty: Length | None = Field(
        default=None,
        description="Expanded uncertainty (k = 2) of an entered value, in its unit; needed for a guarded decision. The "
        "defaults, which are the scanner's, don't apply.",
    )

    @property
    def angular(self) -> bool:
        """Whether its value is an angle."""
        return self.unit == "deg"

    @property
    def references(self) -> References:
        """Nothing: no feature is measured."""
        return ()

    @model_validator(mode="after")
    def _limits_of_a_value(self) -> OtherGauge:
        if (self.limits is not None) != (self.kind_ == "value"):
            raise Refused(
                "limits belong to an entered value, and a value needs them",
                "kind: value with limits, or another kind without",
            )
        for key in ("unit", "uncertainty"):
            if getattr(self, key) is not None and self.kind_ != "value":
                raise Refused(f"{key} belongs to an entered value", "kind: value with limits", key=key)
        return self
