"""The tables of kinds: what this version measures, what it knows but does not measure, what fits what.

Schema, checks, sentences and the language reference all take their names from here, so that they can't drift apart.
"""

from __future__ import annotations

from runner.measure.kinds import KINDS

CONSTRUCTED = ("midpoint", "intersection", "centre", "projection", "symmetry plane", "axis", "centre circle")
"""Kinds made of other features."""
FEATURE_KINDS = (
    *("plane", "line", "circle", "arc", "cylinder", "cone", "sphere", "torus", "slot", "rectangle", "surface"),
    *("cross-section", "trim edge", "surface point", "edge point"),
    *CONSTRUCTED,
)
WIDE_FEATURES = ("slot", "rectangle")
"""Features with two sizes, a width and a length."""
SIZE_FEATURES = ("circle", "cylinder", "sphere", *WIDE_FEATURES)
"""Features of size: a material condition and a size can be asked of them."""
AXIS_FEATURES = ("line", "circle", "arc", "cylinder", "cone", "slot", "rectangle", "axis", "intersection", "projection")
FLAT_FEATURES = ("plane", "symmetry plane")
"""Features whose zone is always one of two planes."""
POINT_FEATURES = ("sphere", "midpoint", "centre", "intersection", "projection", "torus", "surface point", "edge point")
"""Features whose zone may be spherical."""
EDGE_FEATURES = ("circle", "slot", "rectangle")
"""Members of patterns that are taken from edges."""
EDGE_KINDS = ("circle", "arc", "line", "slot", "rectangle", "trim edge", "edge point")
"""Features that are taken from edges where the recipe says nothing else."""
PATTERN_FEATURES = ("circle", "cylinder", "cone", "sphere", "slot", "rectangle")

LATER_FEATURES = ("point",)
"""Known to the trade, but not stated by themselves."""

_ROUND = ("cylinder", "cone", "circle")
_FEATURES: dict[str, tuple[str, ...]] = {
    "size": (*SIZE_FEATURES, "plane"),
    "distance": FEATURE_KINDS[:-1],
    "angle": ("plane", "line", "circle", "cylinder", "cone"),
    "coordinates": FEATURE_KINDS,
    "straightness": ("line", "cylinder", "cone", "plane"),
    "flatness": ("plane",),
    "roundness": ("circle", "cylinder"),
    "cylindricity": ("cylinder",),
    "parallelism": ("plane", "line", "cylinder", "cone"),
    "perpendicularity": ("plane", "line", "cylinder", "cone"),
    "angularity": ("plane", "line", "cylinder", "cone"),
    "position": ("circle", "cylinder", "cone", "sphere", "slot", "plane", "line"),
    "coaxiality": ("cylinder", "cone", "axis"),
    "concentricity": ("circle", "sphere"),
    "symmetry": ("slot", "rectangle", "symmetry plane", "plane"),
    "circular runout": (*_ROUND, "plane"),
    "total runout": ("cylinder", "plane"),
    "profile": ("plane", "cylinder", "cone", "sphere", "surface"),
    "profile of a line": ("cross-section", "surface", "plane", "cylinder", "cone", "sphere"),
    "bend angle": ("plane",),
    "bend radius": ("cylinder",),
    "thickness": ("plane", "surface"),
    "depth": ("plane",),
    "countersink": ("cone", "plane"),
    "chamfer": ("plane",),
    "trim edge": ("trim edge",),
    "gap": ("trim edge", "plane"),
    "step": ("trim edge", "plane"),
    "surface points": ("surface point",),
    "edge points": ("edge point",),
    "statistics": ("surface",),
    "other gauge": (),
}
"""Kind of characteristic: kinds of feature of which it can be asked, until the measuring core has a row for it."""
CHARACTERISTIC_KINDS = tuple(_FEATURES)
CHARACTERISTIC_FEATURES: dict[str, tuple[str, ...]] = {
    kind: KINDS[kind].features if kind in KINDS else features for kind, features in _FEATURES.items()
}
"""Kind of characteristic: kinds of feature of which it can be asked, from the measuring core's own table."""

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

DATUM_FEATURES = (
    *("plane", "circle", "cylinder", "cone", "sphere", "slot", "line", "rectangle", "torus", "arc", "surface point"),
    *CONSTRUCTED,
)

STANDARDS: dict[str, tuple[str, ...]] = {
    "ISO GPS": ("1983", "2004", "2012", "2017"),
    "ASME Y14.5": ("1994", "2009", "2018"),
}
"""Governing standard: editions (of ISO 1101 for ISO GPS)."""
