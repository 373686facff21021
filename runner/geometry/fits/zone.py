"""What a minimum-zone, inscribed or circumscribed association gives back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

from runner.records import Vector

S = TypeVar("S")


@dataclass(frozen=True)
class Zone(Generic[S]):
    """A minimax association, mm.

    For a minimum zone ``shape`` is the element in the middle of the zone and ``width`` the zone's full width (for
    round elements the difference of radii). For an inscribed or circumscribed element ``shape`` is that element and
    ``width`` the largest distance of a point from it.
    """

    shape: S
    width: float
    contacts: tuple[Vector, ...]
    """Points that hold it."""
    imbalance: float
    """How far the contact forces are from balance (dimensionless); 0 proves a local optimum."""
    proof: str
    """``global`` where no better answer exists, ``local`` where only none nearby does."""
    points: int
