"""The table of characteristics: what each asks, of which features, by which clause, and the function that evaluates it.

The reference in the documentation and the recipe's list of allowed words are made from this table. Clause numbers are
from memory of the standards, not read from them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from runner.measure.characteristics.common import Context, Finding
    from runner.measure.specs import CharacteristicSpec

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


@dataclass(frozen=True)
class Kind:
    """One kind of characteristic."""

    name: str
    sentence: str
    """What is asked, with ``{features}``, ``{limits}`` and ``{datums}`` to be filled in."""
    features: tuple[str, ...]
    """Kinds of features it may be asked of; empty for none."""
    count: tuple[int, int | None]
    """Fewest and most features."""
    geometrical: bool
    """Whether it is given by a zone (True) or by limits (False)."""
    datums: str
    """``none``, ``allowed`` or ``needed``."""
    iso: str
    asme: str
    formula: str
    where: str
    """``module:function`` that evaluates it."""

    @property
    def evaluate(self) -> Callable[[CharacteristicSpec, Context], list[Finding]]:
        """The function, loaded when first asked for."""
        module, function = self.where.split(":")
        loaded: Callable[[CharacteristicSpec, Context], list[Finding]] = getattr(
            import_module(f"runner.measure.characteristics.{module}"), function
        )
        return loaded


def _table(*kinds: Kind) -> Mapping[str, Kind]:
    return {kind.name: kind for kind in kinds}


ROUND = ("cylinder", "circle")
AXES = ("cylinder", "cone", "line")

KINDS: Mapping[str, Kind] = _table(
    Kind(
        "size",
        "The size of {features} is {limits}.",
        ("cylinder", "circle", "sphere", "slot", "plane"),
        (1, None),
        False,
        "none",
        "ISO 14405-1:2016: two-point size (LP) unless a modifier says GG, GN or GX; every local size has to conform",
        "ASME Y14.5-2018, 5.8 (Rule #1): envelope of perfect form at maximum material, and local size",
        "two-point: r(a) + r(a + 180 deg) in each section of the measured profile, harmonics below the noise left out; "
        "GG: twice the least-squares radius; GN, GX: twice that of the smallest circumscribed or largest inscribed "
        "cylinder of that profile; between two planes: height difference of opposite cell means",
        "size:evaluate",
    ),
    Kind(
        "distance",
        "The distance between {features} is {limits}.",
        ("plane", "cylinder", "circle", "cone", "sphere", "slot", "line"),
        (2, 2),
        False,
        "allowed",
        "ISO 14405-2:2018: a dimension other than a size is ambiguous unless defined; this is the definition",
        "ASME Y14.5-2018, 2.1: directly toleranced dimension; this definition is the agreement",
        "plane to plane: mean of the distances from each one's middle to the other; axis to axis: between the axes at "
        "their middles; to a plane: along its normal; with a direction: component of the way between the middles",
        "distance:evaluate",
    ),
    Kind(
        "angle",
        "The angle between {features} is {limits}.",
        ("plane", "cylinder", "cone", "line", "circle"),
        (2, 2),
        False,
        "none",
        "ISO 14405-3:2016: global angular size by least squares",
        "ASME Y14.5-2018, 2.12: angular dimension; least-squares directions by agreement",
        "angle between the least-squares normals or axes; between a plane and an axis 90 deg less that",
        "angle:evaluate",
    ),
    Kind(
        "flatness",
        "The face {features} lies between two parallel planes {limits} apart.",
        ("plane",),
        (1, None),
        True,
        "none",
        "ISO 1101:2017, 17.3; ISO 12781-1:2011 (minimum zone reference planes)",
        "ASME Y14.5-2018, 8.4.2",
        "least, over all plane directions n, of max(n.p) - min(n.p)",
        "form:flatness",
    ),
    Kind(
        "roundness",
        "Every section of {features} lies between two concentric circles {limits} apart.",
        ROUND,
        (1, None),
        True,
        "none",
        "ISO 1101:2017, 17.4; ISO 12181-1:2011 (minimum zone reference circles)",
        "ASME Y14.5-2018, 8.4.3 (circularity)",
        "worst section of the least, over all centres, of max(r) - min(r)",
        "form:roundness",
    ),
    Kind(
        "cylindricity",
        "The surface of {features} lies between two coaxial cylinders {limits} apart.",
        ("cylinder",),
        (1, None),
        True,
        "none",
        "ISO 1101:2017, 17.5; ISO 12180-1:2011 (minimum zone reference cylinders)",
        "ASME Y14.5-2018, 8.4.4",
        "least, over all axes, of max(r) - min(r)",
        "form:cylindricity",
    ),
    Kind(
        "parallelism",
        "{features} lies within {limits}, parallel to {datums}.",
        ("plane", *AXES),
        (1, None),
        True,
        "needed",
        "ISO 1101:2017, 17.9",
        "ASME Y14.5-2018, 9.4 and 9.5",
        "plane: spread of the face's heights along the direction true to the datum; axis: lean over its extent, as the "
        "diameter of the zone, or across the stated direction; a turn that the datums leave free (about the normal of "
        "A, about the axis of A) is taken where the zone needs least",
        "orientation:evaluate",
    ),
    Kind(
        "perpendicularity",
        "{features} lies within {limits}, perpendicular to {datums}.",
        ("plane", *AXES),
        (1, None),
        True,
        "needed",
        "ISO 1101:2017, 17.10",
        "ASME Y14.5-2018, 9.4 and 9.5",
        "as parallelism, the true direction being perpendicular to the datum",
        "orientation:evaluate",
    ),
    Kind(
        "angularity",
        "{features} lies within {limits}, at its true angle to {datums}.",
        ("plane", *AXES),
        (1, None),
        True,
        "needed",
        "ISO 1101:2017, 17.11",
        "ASME Y14.5-2018, 9.4 and 9.5",
        "as parallelism, the true direction being that of the nominal",
        "orientation:evaluate",
    ),
    Kind(
        "position",
        "The axis, centre or median plane of {features} lies within {limits} of its true place in {datums}.",
        ("cylinder", "circle", "cone", "sphere", "slot", "plane", "line"),
        (1, None),
        True,
        "needed",
        "ISO 1101:2017, 17.12; ISO 5458:2018; ISO 2692:2021 for maximum and least material",
        "ASME Y14.5-2018, 10; Y14.5.1-2019, 6.4",
        "2 x largest deviation over the extent (both ends of a bore); maximum material: the zone grows by the actual "
        "mating size's departure from the maximum material size",
        "position:evaluate",
    ),
    Kind(
        "profile",
        "The surface {features} lies within a zone {limits} wide about the nominal, in {datums}.",
        ("surface", "plane", "cylinder", "cone", "sphere"),
        (1, None),
        True,
        "allowed",
        "ISO 1660:2017; ISO 1101:2017, 17.8 (UZ for unequal zones)",
        "ASME Y14.5-2018, 11; Y14.5.1-2019, 6.5",
        "2 x max |deviation - shift of the zone's middle|; worst plus and worst minus are given beside it; movements "
        "that the datums leave free (all six without datums) are taken where the zone needs least",
        "profile:evaluate",
    ),
    Kind(
        "other gauge",
        "{features} is measured by another gauge and entered by a person.",
        (),
        (0, None),
        False,
        "none",
        "none: recorded as entered",
        "none: recorded as entered",
        "the entered value",
        "entered:evaluate",
    ),
)
