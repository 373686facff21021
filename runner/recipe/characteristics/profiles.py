"""Profiles, and statistics of deviations."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from runner.recipe.characteristics.options import SIMULTANEOUS_TEXT, ZONES_TEXT, Datumed, Measured, Simultaneous, Zones
from runner.recipe.frames import Frame
from runner.recipe.limits import SignedLimitsText
from runner.recipe.names import Reference
from runner.recipe.scalars import Direction, Length, LengthOrZero, Number, OneOf, Refused
from runner.recipe.sections import JudgeRule


class ProfileZone(Measured):
    """Base of the profiles."""

    zone: Length = Field(description="Width of the tolerance zone, drawing's unit.")
    unequal: Number | None = Field(
        default=None,
        description="Shift of the zone's middle out of the material, drawing's unit (UZ of ISO 1660); default 0.",
    )
    outside: LengthOrZero | None = Field(
        default=None, description="Share of the zone outside the material, drawing's unit (Ⓤ of ASME Y14.5)."
    )
    datums: Frame | None = Field(
        default=None, description="Datum system; without it the profile is judged where its zone needs least."
    )
    judge: JudgeRule | None = Field(
        default=None, description="Which zone is judged; default as in defaults, else all points."
    )
    reach: Length | None = Field(
        default=None,
        description="How far from nominal points are still judged, drawing's unit; default five zones, at least 1 mm.",
    )

    @model_validator(mode="after")
    def _disposed_once(self) -> ProfileZone:
        if self.unequal is not None and self.outside is not None:
            raise Refused("unequal and outside state the same thing twice", "one of unequal and outside")
        if self.outside is not None and self.outside > self.zone:
            raise Refused(f"{self.outside:g} outside of a zone of {self.zone:g}", "at most the zone itself")
        if self.unequal is not None and abs(self.unequal) > self.zone / 2:
            raise Refused(
                f"a shift of {self.unequal:g} takes a zone of {self.zone:g} off the nominal",
                f"a shift from {-self.zone / 2:g} to {self.zone / 2:g}",
            )
        return self


class Profile(ProfileZone):
    """Profile of a surface: twice the largest |deviation| for an equally disposed zone."""

    kind = "profile"
    profile: Reference = Field(description="The feature or surface.")
    zones: Zones | None = Field(default=None, description=ZONES_TEXT)
    simultaneous: Simultaneous | None = Field(default=None, description=SIMULTANEOUS_TEXT)


class ProfileOfALine(ProfileZone):
    """Profile of a line: section by section, twice the largest |deviation| in the section's plane."""

    kind = "profile of a line"
    profile_of_a_line: Reference = Field(description="The cross-section, or a face cut in sections.")
    direction: Direction | None = Field(
        default=None, description="Direction across the sections of a face, nominal's frame; required there."
    )
    step: Length | None = Field(
        default=None, description="Distance between sections of a face, drawing's unit; by default chosen."
    )


STATISTICS = ("mean", "rms", "standard deviation", "95 %", "share within")


class Statistics(Datumed):
    """One statistic of the deviations of a surface, by agreement; no standard asks it."""

    kind = "statistics"
    statistics: Reference = Field(description="The surface.")
    of: Annotated[str, OneOf(*STATISTICS, what="statistic", aliases={"RMS": "rms"})] = Field(
        description="mean, rms, standard deviation, 95 % (span of the middle 95 %) or share within (of a band)."
    )
    within: Length | None = Field(
        default=None, description="share within only: the largest |deviation| inside the band, drawing's unit."
    )
    limits: SignedLimitsText = Field(
        description="Limits of the statistic, drawing's unit; of a share from 0 to 1, such as min 0.95."
    )

    @model_validator(mode="after")
    def _band_where_it_counts(self) -> Statistics:
        if (self.within is not None) != (self.of == "share within"):
            raise Refused("within and of: share within belong together", "of: share within, within: a length")
        return self
