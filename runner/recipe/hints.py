"""What a recipe may say of how a part lies in the scan. Hints shorten the search; they prove nothing."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from pydantic import Field, PlainValidator, WithJsonSchema, model_validator

from runner.align.rough import breadth
from runner.recipe.base import Section
from runner.recipe.scalars import Direction, Length, Place, Refused, parse_direction, shown

_SQUARE = 0.5
"""Largest cosine between the stated axes: 30 degrees off square is no rough statement but a mistake."""
_LEAST_BREADTH = 0.02
"""Landmarks reach at least this share of their length off one line, or the turn about it stays open."""


class RoughFrame(Section):
    """Roughly where the nominal's frame lies in the scanner's frame, such as in a fixture."""

    origin: Place = Field(description="Where the nominal's origin lies in the scanner's frame, drawing's unit.")
    x: Direction = Field(description="Where the nominal's +x points in the scanner's frame.")
    y: Direction = Field(description="Where the nominal's +y points there; made square to x.")

    @model_validator(mode="after")
    def _square_enough(self) -> RoughFrame:
        x, y = np.array(self.x), np.array(self.y)
        cosine = float(x @ y / (np.linalg.norm(x) * np.linalg.norm(y)))
        if abs(cosine) > _SQUARE:
            angle = np.rad2deg(np.arccos(np.clip(cosine, -1.0, 1.0)))
            raise Refused(f"x and y are {angle:.0f}° apart", "two directions roughly square to each other", key="y")
        return self


class Landmark(Section):
    """One point of the part that is roughly known in both frames."""

    nominal: Place = Field(description="The point on the nominal, drawing's unit.")
    scan: Place = Field(description="Where it lies in the scanner's frame, drawing's unit.")


def parse_up(value: Any) -> tuple[tuple[float, float, float], ...]:
    """Return one or more directions."""
    allowed = "a list of directions, such as [+z, -x]"
    if not isinstance(value, list | tuple) or not value:
        raise Refused(f"{shown(value) if value != [] else 'an empty list'} where directions belong", allowed)
    return tuple(parse_direction(item) for item in value)


Up = Annotated[
    tuple[tuple[float, float, float], ...], PlainValidator(parse_up), WithJsonSchema({"type": "array", "minItems": 1})
]


class Hints(Section):
    """How the part lies, roughly. Never needed; a hint that the scan contradicts is set aside, and that is told."""

    frame: RoughFrame | None = Field(
        default=None, description="Roughly where the nominal's frame lies, to about 20° and a tenth of the part's size."
    )
    landmarks: list[Landmark] | None = Field(
        default=None, description="Instead of frame: three or more points, not on one line, known in both frames."
    )
    landmark_limit: Length | None = Field(
        default=None,
        description="How far a landmark may lie from its place after the best fit of all, drawing's unit; "
        "default 5 mm.",
    )
    up: Up | None = Field(
        default=None,
        description="Directions of the nominal that may point away from the table, to 35°; used where a table is found "
        "in the scan. Where the scan leaves poses undecided, these directions decide.",
    )

    @model_validator(mode="after")
    def _one_pose(self) -> Hints:
        if self.frame is not None and self.landmarks is not None:
            raise Refused("frame and landmarks both say where the part lies", "frame or landmarks", key="landmarks")
        if self.landmarks is None and self.landmark_limit is not None:
            raise Refused("a landmark limit without landmarks", "landmarks: a list", key="landmark limit")
        if self.frame is None and self.landmarks is None and self.up is None:
            raise Refused("no hint is stated", "frame, landmarks or up")
        if self.landmarks is not None:
            self._spread_enough(self.landmarks)
        return self

    @staticmethod
    def _spread_enough(landmarks: list[Landmark]) -> None:
        if len(landmarks) < 3:
            stated = "one landmark" if len(landmarks) == 1 else f"{len(landmarks)} landmarks"
            raise Refused(f"{stated} where three are needed", "three or more, not on one line", key="landmarks")
        for frame in ("nominal", "scan"):
            points = np.array([getattr(landmark, frame) for landmark in landmarks])
            length = float(np.linalg.norm(np.ptp(points, axis=0)))
            if not breadth(points) > _LEAST_BREADTH * length:
                said = f"the landmarks' {frame} points lie on one line, so that the turn about it stays open"
                raise Refused(said, "three or more points, not on one line", key="landmarks")
