"""Rows of profiles of surfaces and lines."""

from __future__ import annotations

from runner.measure.kind import Kind

ROWS: tuple[Kind, ...] = (
    Kind(
        "profile",
        "The surface {features} lies within a zone {limits} wide about the nominal, in {datums}.",
        ("surface", "plane", "cylinder", "cone", "sphere"),
        (1, None),
        True,
        "allowed",
        "ISO 1660:2017; ISO 1101:2017, 17.8 (UZ for unequal zones)",
        "ASME Y14.5-2018, 11; Y14.5.1-2019, 6.5",
        "2 x max |deviation - shift of the zone's middle|; worst plus and worst minus are given beside it, also what "
        "noise adds; movements that the datums leave free (all six without datums), or allow at maximum material, are "
        "taken where the zones need least: each region by itself (separate), all as one (combined), or with all "
        "requirements of one word (simultaneous)",
        "profile:evaluate",
    ),
    Kind(
        "profile of a line",
        "In every section of {features} the line lies within a zone {limits} wide about the nominal, in {datums}.",
        ("cross-section", "surface", "plane", "cylinder", "cone", "sphere", "torus"),
        (1, None),
        True,
        "allowed",
        "ISO 1101:2017, 17.7; ISO 1660:2017 (UZ for unequal zones)",
        "ASME Y14.5-2018, 11; Y14.5.1-2019, 6.5",
        "section by section, 2 x max |deviation - shift of the zone's middle|, deviations measured in the section's "
        "plane; movements in that plane which the datums leave free (all three without datums), or allow at maximum "
        "material, are taken for each section where its zone needs least",
        "line_profile:evaluate",
    ),
)
