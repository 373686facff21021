"""Rows of orientation, location and runout."""

from __future__ import annotations

from runner.measure.kind import AXES, Kind

ROWS: tuple[Kind, ...] = (
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
)
