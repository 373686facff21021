"""Rows of what is asked between features: distances, angles, coordinates."""

from __future__ import annotations

from runner.measure.kind import Kind

ROWS: tuple[Kind, ...] = (
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
)
