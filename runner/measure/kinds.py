"""The table of characteristics: what each asks, of which features, by which clause, and the function that evaluates it.

The reference in the documentation and the recipe's list of allowed words are made from this table. Clause numbers are
from memory of the standards, not read from them.
"""

from __future__ import annotations

from collections.abc import Mapping

from runner.measure.kind import Kind
from runner.measure.rows import entered, form, location, profile, relations, sheet, size

FEATURE_KINDS: Mapping[str, str] = {
    "plane": "a flat face, from surface points",
    "line": "a straight edge, from edge points",
    "circle": "a hole's or disc's edge, or the section of a wall",
    "cylinder": "a bore or shaft, from surface points",
    "cone": "a conical face, from surface points",
    "sphere": "a spherical face, from surface points",
    "slot": "an elongated hole with round or square ends, from its walls or its edge",
    "surface": "a free region of the nominal",
    "surface point": "where the scanned surface meets a line through a place of the nominal",
    "cross-section": "where a plane cuts the surface",
    "arc": "part of a circle's edge, or of the section of a wall, over a stated turn",
    "torus": "a ring-shaped face, from surface points",
    "rectangle": "a rectangular opening with square or rounded corners, from its edge or its walls",
    "trim edge": "a free edge of sheet, from edge points",
    "edge point": "one place of a free edge of sheet",
    "midpoint": "constructed: midway between two points, axes or planes",
    "intersection": "constructed: where planes and axes meet",
    "centre": "constructed: the centre of a round or elongated feature or of several",
    "projection": "constructed: a point or axis projected onto a plane or axis",
    "symmetry plane": "constructed: the plane midway between two facing planes",
    "axis": "constructed: through two centres, or of a cylinder or cone",
    "centre circle": "constructed: the circle through the centres of several features",
}
"""Kinds of features and what each is."""

KINDS: Mapping[str, Kind] = {
    kind.name: kind for family in (size, relations, form, location, profile, sheet, entered) for kind in family.ROWS
}
