"""Rows of what is asked between features: distances, angles, coordinates."""

from __future__ import annotations

from runner.measure.kind import Kind

ROWS: tuple[Kind, ...] = (
    Kind(
        "distance",
        "The distance between {features} is {limits}.",
        (
            "plane",
            "cylinder",
            "circle",
            "arc",
            "cone",
            "sphere",
            "torus",
            "slot",
            "rectangle",
            "line",
            "surface point",
            "edge point",
            "midpoint",
            "intersection",
            "centre",
            "projection",
            "symmetry plane",
            "axis",
            "centre circle",
        ),
        (2, 2),
        False,
        "allowed",
        "ISO 14405-2:2018: a dimension other than a size is ambiguous unless defined; this is the definition",
        "ASME Y14.5-2018, 2.1: directly toleranced dimension; this definition is the agreement",
        "plane to plane: mean of the distances from each one's middle to the other's plane, weighted by the area of "
        "that plane's face; axis to axis: between the axes at their middles; to a plane: along its normal; with a "
        "direction: component of the way between the middles; "
        "nearest, farthest: less or and the radii, of planes the least or greatest over both extents",
        "distance:evaluate",
        ("middles", "nearest", "farthest"),
    ),
    Kind(
        "angle",
        "The angle between {features} is {limits}.",
        (
            "plane",
            "cylinder",
            "cone",
            "line",
            "circle",
            "torus",
            "intersection",
            "projection",
            "symmetry plane",
            "axis",
            "centre circle",
        ),
        (2, 2),
        False,
        "allowed",
        "ISO 14405-3:2016: global angular size by least squares",
        "ASME Y14.5-2018, 2.12: angular dimension; least-squares directions by agreement",
        "directions: angle between the least-squares normals or axes, between a plane and an axis 90 deg less that; "
        "with a direction: of their images projected along it; faces: between the half planes from the vertex towards "
        "the middles of both faces, as a protractor reads it",
        "angle:evaluate",
        ("directions", "faces"),
    ),
    Kind(
        "coordinates",
        "The coordinate of {features} is {limits}, in {datums}.",
        (
            "plane",
            "line",
            "circle",
            "arc",
            "cylinder",
            "cone",
            "sphere",
            "torus",
            "slot",
            "rectangle",
            "surface point",
            "edge point",
            "midpoint",
            "intersection",
            "centre",
            "projection",
            "symmetry plane",
            "axis",
            "centre circle",
        ),
        (1, None),
        False,
        "allowed",
        "ISO 14405-2:2018: a dimension other than a size is ambiguous unless defined; this is the definition",
        "ASME Y14.5-2018, 2.1: directly toleranced dimension; this definition is the agreement",
        "x, y or z, in the model's frame with the part seated on its datums, of a point or centre; of an axis where it "
        "passes the section at the middle of its nominal extent; of a plane where the line along the coordinate "
        "through its nominal middle meets it",
        "coordinates:evaluate",
        ("x", "y", "z"),
    ),
)
