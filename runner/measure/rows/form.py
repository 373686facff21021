"""Rows of form."""

from __future__ import annotations

from runner.measure.kind import ROUND, Kind

ROWS: tuple[Kind, ...] = (
    Kind(
        "straightness",
        "The lines or the axis of {features} lie within {limits} of straight.",
        ("line", "cylinder", "cone", "plane"),
        (1, None),
        True,
        "none",
        "ISO 1101:2017, 17.2; ISO 12780-1:2011; median line: ISO 17450-3:2016",
        "ASME Y14.5-2018, 8.4.1 (line elements; derived median line)",
        "edge, generators and lines along a direction: least width of two parallel lines, worst line; axis: diameter "
        "of the least cylinder that holds the centres of the sections' least-squares circles",
        "straightness:evaluate",
        ("edge", "axis", "generators", "along"),
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
        (*ROUND, "cone", "sphere"),
        (1, None),
        True,
        "none",
        "ISO 1101:2017, 17.4; ISO 12181-1:2011 (minimum zone reference circles)",
        "ASME Y14.5-2018, 8.4.3 (circularity)",
        "worst section across the axis of the least, over all centres, of max(r) - min(r), what the axis leans within "
        "a section's thickness taken off; sphere: of the whole surface between concentric spheres, which no section "
        "exceeds",
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
)
