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
}
"""Kinds of features and what each is."""

KINDS: Mapping[str, Kind] = {
    kind.name: kind for family in (size, relations, form, location, profile, sheet, entered) for kind in family.ROWS
}
