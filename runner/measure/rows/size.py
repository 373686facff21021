"""Rows of sizes."""

from __future__ import annotations

from runner.measure.kind import Kind

ROWS: tuple[Kind, ...] = (
    Kind(
        "size",
        "The size of {features} is {limits}.",
        ("cylinder", "circle", "arc", "sphere", "slot", "rectangle", "plane"),
        (1, None),
        False,
        "none",
        "ISO 14405-1:2016: two-point size (LP) unless a modifier says GG, GN or GX; every local size has to conform",
        "ASME Y14.5-2018, 5.8 (Rule #1): envelope of perfect form at maximum material, and local size",
        "two-point: r(a) + r(a + 180 deg) in each section of the measured profile, harmonics below the noise left out; "
        "GG: twice the least-squares radius; GN, GX: twice that of the smallest circumscribed or largest inscribed "
        "cylinder of that profile; slot, rectangle, sphere: between means over opposite cells, and the parallel planes "
        "or the sphere touching those; arc: GG; between two planes: height difference of opposite cell means, and the "
        "planes touching the means from within (GX, envelope of a groove) or around them (GN, envelope of a rib)",
        "size:evaluate",
    ),
)
