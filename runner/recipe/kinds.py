"""The tables of kinds: what this version measures, what it knows but does not measure, what fits what.

Schema, checks, sentences and the language reference all take their names from here, so that they can't drift apart.
"""

from __future__ import annotations

FEATURE_KINDS = ("plane", "line", "circle", "cylinder", "cone", "sphere", "slot", "surface")
SIZE_FEATURES = ("circle", "cylinder", "sphere", "slot")
"""Features of size: a material condition and a size can be asked of them."""
AXIS_FEATURES = ("line", "circle", "cylinder", "cone", "slot")
EDGE_FEATURES = ("line", "circle", "slot")
"""Features that can be taken from edge points."""
PATTERN_FEATURES = ("circle", "cylinder", "cone", "sphere", "slot")

LATER_FEATURES = ("arc", "torus", "rectangle", "trim edge", "surface point", "edge point", "cross-section", "point")
"""Known to the trade and planned, but not measured by this version."""

CHARACTERISTIC_FEATURES: dict[str, tuple[str, ...]] = {
    "size": (*SIZE_FEATURES, "plane"),
    "distance": FEATURE_KINDS[:-1],
    "angle": ("plane", "line", "circle", "cylinder", "cone"),
    "flatness": ("plane",),
    "roundness": ("circle", "cylinder"),
    "cylindricity": ("cylinder",),
    "parallelism": ("plane", "line", "cylinder", "cone"),
    "perpendicularity": ("plane", "line", "cylinder", "cone"),
    "position": ("circle", "cylinder", "cone", "sphere", "slot", "plane", "line"),
    "profile": ("plane", "cylinder", "cone", "sphere", "surface"),
    "other gauge": (),
}
"""Kind of characteristic: kinds of feature of which it can be asked; size of planes means of two facing ones."""
CHARACTERISTIC_KINDS = tuple(CHARACTERISTIC_FEATURES)

LATER_CHARACTERISTICS = (
    "straightness",
    "angularity",
    "coaxiality",
    "concentricity",
    "symmetry",
    "circular runout",
    "total runout",
    "profile of a line",
    "trim edge",
    "gap",
    "step",
    "coordinates",
    "bend angle",
    "bend radius",
    "countersink",
    "chamfer",
    "depth",
    "thickness",
    "surface points",
    "edge points",
    "statistics",
)
"""Known to the trade and planned, but not measured by this version."""

WITHDRAWN_IN_ASME_2018 = ("coaxiality", "concentricity", "symmetry")

CHARACTERISTIC_ALIASES = {
    "⏥": "flatness",
    "○": "roundness",
    "circularity": "roundness",
    "⌭": "cylindricity",
    "∥": "parallelism",
    "⫽": "parallelism",
    "⟂": "perpendicularity",
    "⊥": "perpendicularity",
    "squareness": "perpendicularity",
    "⌖": "position",
    "⌓": "profile",
    "profile of a surface": "profile",
    "diameter": "size",
    "∠": "angle",
    "⏤": "straightness",
    "runout": "circular runout",
    "↗": "circular runout",
    "⌰": "total runout",
    "◎": "coaxiality",
    "⌯": "symmetry",
    "⌒": "profile of a line",
}
"""Drawing symbols and other trade words, accepted in the place of a kind."""

DATUM_FEATURES = ("plane", "circle", "cylinder", "cone", "sphere", "slot", "line")

STANDARDS: dict[str, tuple[str, ...]] = {
    "ISO GPS": ("1983", "2004", "2012", "2017"),
    "ASME Y14.5": ("1994", "2009", "2018"),
}
"""Governing standard: editions (of ISO 1101 for ISO GPS)."""
