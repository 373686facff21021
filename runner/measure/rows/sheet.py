"""Rows of what is asked of edges, sheet and machined details, and of lists of points."""

from __future__ import annotations

from runner.measure.kind import Kind

ROWS: tuple[Kind, ...] = (
    Kind(
        "bend angle",
        "The bend between {features} is {limits}.",
        ("plane",),
        (2, 2),
        False,
        "none",
        "ISO 14405-3:2016: angular size between two planes by least squares; that the bent angle is given and not the "
        "included one is said on the drawing",
        "ASME Y14.5-2018, 2.12: angular dimension; least-squares planes by agreement",
        "bend: 180 deg less the angle that the flanges include at their vertex, 0 for flat sheet; included: that "
        "angle; faces on one side of the sheet enclose 180 deg less the angle of their normals, faces on both sides "
        "that angle",
        "bend:evaluate",
        ("bend", "included"),
    ),
    Kind(
        "bend radius",
        "The bend radius of {features} is {limits}.",
        ("cylinder", "arc"),
        (1, None),
        False,
        "none",
        "ISO 14405-2:2018: a radius is no size, so the definition has to be stated; this is the global least-squares "
        "radius (as GG of ISO 14405-1:2016)",
        "ASME Y14.5-2018: a radius holds between two tangent arcs; the least-squares radius by agreement",
        "radius of the least-squares cylinder inside or outside the bend; not measured from less than 20 deg of turn",
        "bend_radius:evaluate",
    ),
    Kind(
        "thickness",
        "The thickness between {features} is {limits} everywhere.",
        ("plane", "cylinder", "cone", "sphere", "surface"),
        (2, 2),
        False,
        "none",
        "ISO 14405-1:2016: two-point size (LP), every local size has to conform",
        "ASME Y14.5-2018, 5.8 (Rule #1): local size; the envelope does not apply to stock sheet unless asked",
        "flat faces: height difference of opposite cell means along their common normal; others: nominal thickness "
        "plus the mean deviations of both sides at each place; scatter that noise explains is taken off; envelope: "
        "thinnest pair of parallel planes that holds both sides",
        "thickness:evaluate",
    ),
    Kind(
        "depth",
        "The depth from the first to the second of {features} is {limits}.",
        ("plane", "sphere", "surface point", "midpoint", "intersection", "centre", "projection"),
        (2, 2),
        False,
        "none",
        "ISO 14405-2:2018: a dimension other than a size is ambiguous unless defined; this is the definition",
        "ASME Y14.5-2018, 2.1: directly toleranced dimension; this definition is the agreement",
        "distance of the bottom's middle (of a round bottom the deepest point) from the least-squares plane of the "
        "face that it opens in, along that plane's normal; least and greatest over the bottom are given beside it",
        "depth:evaluate",
    ),
    Kind(
        "countersink",
        "The countersink of {features} is {limits}.",
        ("cone", "plane", "cylinder", "circle"),
        (2, 3),
        False,
        "none",
        "ISO 14405-2:2018 for diameter and depth, ISO 14405-3:2016 for the angle, by least squares",
        "ASME Y14.5-2018: countersink given by its diameter at the face and its included angle; least-squares elements "
        "by agreement",
        "diameter: 2 h tan(angle / 2), h from the apex to the face along the axis; depth: (diameter - hole) / "
        "(2 tan(angle / 2)), of the measured hole where it is named, else of the cone's nominal small end; angle: "
        "twice the half angle of the least-squares cone",
        "countersink:evaluate",
        ("diameter", "depth", "angle"),
    ),
    Kind(
        "chamfer",
        "The chamfer {features} is {limits}.",
        ("plane", "cone", "cylinder", "circle"),
        (3, 3),
        False,
        "none",
        "ISO 14405-2:2018: leg, width and angle are no sizes; this is the definition (edges of undefined shape, "
        "ISO 13715:2017, are not measured by it)",
        "ASME Y14.5-2018: chamfer by two lengths or a length and an angle; least-squares elements by agreement",
        "in sections square to the virtual edge of both faces: leg from the edge to the bevel along the first face, "
        "width between the bevel's lines with both faces, angle between first face and bevel; legs and widths at both "
        "ends and the middle of the bevel have to conform; a cone between plane and cylinder by its half section",
        "chamfer:evaluate",
        ("leg", "width", "angle"),
    ),
    Kind(
        "surface points",
        "At each point of the list the surface deviates by {limits}, in {datums}.",
        ("surface point",),
        (0, None),
        False,
        "allowed",
        "none for single points: the drawing's list is the agreement (ISO 1660:2017 asks the whole surface)",
        "none for single points: the drawing's list is the agreement (ASME Y14.5-2018, 11 asks the whole surface)",
        "displacement of the surface from the stated place along the stated direction: straight fit of the points' "
        "displacements from nominal within three point spacings of the line, read on the line",
        "surface_points:evaluate",
    ),
    Kind(
        "statistics",
        "The deviations of {features} keep {limits}, in {datums}.",
        ("surface", "plane", "cylinder", "cone", "sphere", "torus"),
        (1, None),
        False,
        "allowed",
        "none: by agreement",
        "none: by agreement",
        "over the seen surface, each place counted alike: mean; rms about nominal; standard deviation about the mean; "
        "95 %: span from the 2.5 % to the 97.5 % quantile; share within: share of |deviation| up to the band",
        "statistics:evaluate",
        ("mean", "rms", "standard deviation", "95 %", "share within"),
    ),
    Kind(
        "trim edge",
        "The free edge {features} deviates by {limits}, in {datums}; + is too much material.",
        ("trim edge",),
        (1, None),
        False,
        "allowed",
        "ISO 1660:2017 asks a line profile for the same; limits on the deviation are the drawing's agreement",
        "ASME Y14.5-2018, 11 asks a line profile for the same; limits on the deviation are the drawing's agreement",
        "at each place of the edge, across it in the sheet's tangent plane: from the nominal edge to the outermost of "
        "the material down to 0.3 mm below the surface: its first points less the gap expected from those further in, "
        "or by the wall where it was seen; every place is judged; worst plus and worst minus are given",
        "trim_edge:evaluate",
    ),
    Kind(
        "gap",
        "The gap between {features} is {limits}.",
        ("trim edge", "plane"),
        (2, 2),
        False,
        "none",
        "ISO 14405-2:2018: a dimension other than a size is ambiguous unless defined; this is the definition",
        "ASME Y14.5-2018, 2.1: directly toleranced dimension; this definition is the agreement",
        "at each place of the first edge, outwards in its tangent plane and square to it: to the second edge (straight "
        "between its places) or to the plane; every place is judged",
        "gap:gap",
    ),
    Kind(
        "step",
        "The step across the gap between {features} is {limits}.",
        ("trim edge", "plane"),
        (2, 2),
        False,
        "none",
        "ISO 14405-2:2018: a dimension other than a size is ambiguous unless defined; this is the definition",
        "ASME Y14.5-2018, 2.1: directly toleranced dimension; this definition is the agreement",
        "at each place of the first edge: height of the sheet at the second edge (or of the plane) over the sheet at "
        "the first, along the first's normal; every place is judged",
        "gap:step",
    ),
    Kind(
        "edge points",
        "At each point of the list the edge deviates by {limits}, in {datums}.",
        ("edge point",),
        (0, None),
        False,
        "allowed",
        "none for single points: the drawing's list is the agreement",
        "none for single points: the drawing's list is the agreement",
        "place of the edge about the point, as for a trim edge, along the stated direction; + is too much material",
        "edge_points:evaluate",
    ),
)
