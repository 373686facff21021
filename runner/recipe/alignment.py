"""How a scan is brought into the nominal's frame."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, PlainValidator, WithJsonSchema, model_validator

from runner.recipe.base import Section
from runner.recipe.hints import Hints
from runner.recipe.names import Group
from runner.recipe.scalars import (
    Direction,
    Length,
    Name,
    OneOf,
    Place,
    Refused,
    Words,
    parse_direction,
    parse_name,
    shown,
    word_parser,
)


class WeightedFeatures(Section):
    """Features whose points pull the fit with a weight."""

    features: Group = Field(description="Features or patterns.")
    weight: Length | None = Field(default=None, description="Weight of each of their points, above 0; default 1.")

    @property
    def names(self) -> tuple[str, ...]:
        """The features' names."""
        return self.features if isinstance(self.features, tuple) else (self.features,)


def parse_fit_target(value: Any) -> str | tuple[WeightedFeatures, ...]:
    """Return what the fit uses: all surfaces, or features with their weights."""
    if isinstance(value, list | tuple):
        if not value:
            raise Refused("an empty list where features belong", "all surfaces, or a list of features")
        plain = tuple(parse_name(item) for item in value if not isinstance(item, dict | WeightedFeatures))
        weighted = tuple(WeightedFeatures.model_validate(i) for i in value if isinstance(i, dict | WeightedFeatures))
        own = (WeightedFeatures.model_validate({"features": list(plain), "weight": 1}),) if plain else ()
        return (*own, *weighted)
    return word_parser(("all surfaces",), {"all": "all surfaces"}, "fit target")(value)


def parse_fixes(value: Any) -> tuple[tuple[float, float, float], ...]:
    """Return one to three directions."""
    allowed = "a list of one to three directions, such as [+z] or [+x, +y]"
    if not isinstance(value, list | tuple) or not 1 <= len(value) <= 3:
        raise Refused(f"{shown(value)} where directions belong", allowed)
    return tuple(parse_direction(item) for item in value)


_TARGET_SCHEMA: dict[str, Any] = {
    "anyOf": [
        {"enum": ["all surfaces", "all"]},
        {"type": "array", "items": {"anyOf": [{"type": "string"}, {"model": "WeightedFeatures"}]}, "minItems": 1},
    ]
}
DEGREES = ("x", "y", "z", "rx", "ry", "rz")
_HELD_SCHEMA: dict[str, Any] = {"type": "array", "items": {"enum": list(DEGREES)}}


def parse_held(value: Any) -> tuple[str, ...]:
    """Return the degrees of freedom that a fit leaves alone."""
    allowed = "a list of " + ", ".join(DEGREES)
    if not isinstance(value, list | tuple):
        raise Refused(f"{shown(value)} where degrees of freedom belong", allowed)
    names = [word_parser(DEGREES, {}, "degree of freedom")(item) for item in value]
    if len(set(names)) == len(DEGREES):
        raise Refused("with all six degrees held nothing is fitted", "at most five, or method: as scanned")
    return tuple(name for name in DEGREES if name in names)


class Fit(Section):
    """How the best fit is made. For the fit only, never for judging."""

    to: Annotated[Any, PlainValidator(parse_fit_target), WithJsonSchema(_TARGET_SCHEMA)] | None = Field(
        default=None,
        description="What is fitted: all surfaces (default), a list of features, or of {features: [...], weight: 2}.",
    )
    by: Annotated[str, OneOf("least squares", "minimax", what="way of fitting")] | None = Field(
        default=None, description="least squares (default), or minimax: the largest distance made least."
    )
    hold: Annotated[tuple[str, ...], PlainValidator(parse_held), WithJsonSchema(_HELD_SCHEMA)] | None = Field(
        default=None,
        description="Degrees that stay as the start gave them: x, y, z (translations) and rx, ry, rz (rotations) of "
        "the nominal's frame; default none.",
    )
    ignore_beyond: Length | None = Field(
        default=None,
        description="Points farther than this from nominal don't pull the fit, drawing's unit; default 1 mm.",
    )


Fixes = Annotated[
    tuple[tuple[float, float, float], ...],
    PlainValidator(parse_fixes),
    WithJsonSchema({"type": "array", "minItems": 1, "maxItems": 3}),
]


class ReferencePointEntry(Section):
    """A point of the part that fixes directions."""

    at: Place = Field(description="The point on the nominal, drawing's unit.")
    fixes: Fixes = Field(description="One to three directions that it fixes, such as [+z] or [+x, +y].")
    feature: Name | None = Field(default=None, description="The feature whose centre it is; default the surface there.")
    normal: Direction | None = Field(
        default=None, description="Surface point: direction out of the material; default the nominal's own."
    )
    search: Length | None = Field(default=None, description="How far it is sought, drawing's unit; default 1 mm.")

    @model_validator(mode="after")
    def _one_sort(self) -> ReferencePointEntry:
        if self.feature is not None and self.normal is not None:
            raise Refused("a feature's centre has no normal", "feature or normal", key="normal")
        return self


class Alignment(Section):
    """How a scan is brought into the nominal's frame, and which frame is used where no datum system is named."""

    start: Annotated[str, OneOf("automatic", "as scanned", what="start")] | None = Field(
        default=None,
        description="automatic: from any pose (default); as scanned: the scan already lies in the nominal's frame.",
    )
    method: (
        Annotated[str, OneOf("best fit", "datums", "reference points", "as scanned", what="alignment method")] | None
    ) = Field(
        default=None,
        description="best fit to all surfaces (default); datums: best fit, then the datum system named by "
        "alignment: datums; reference points: best fit, then the named points; as scanned: no fit at all.",
    )
    datums: Words | None = Field(default=None, description="The datum system for method datums.")
    fit: Fit | None = Field(default=None, description="How the best fit is made.")
    reference_points: dict[Name, ReferencePointEntry] | None = Field(
        default=None, description="The points of method reference points, by name."
    )
    expected_form_error: Length | None = Field(
        default=None,
        description="How far a surface of a real part may be off and the scan must still be recognised, drawing's "
        "unit; default 1 mm.",
    )
    keep_within: Length | None = Field(
        default=None,
        description="Clean-up keeps every point nearer than this to nominal, drawing's unit; default 5 mm.",
    )
    symmetry: Annotated[str, OneOf("open", "held", what="symmetry rule")] | None = Field(
        default=None,
        description="Whether a turn about an axis of true symmetry may be left open (default) or must be found.",
    )
    hints: Hints | None = Field(default=None, description="How the part lies, roughly, to shorten the search.")
