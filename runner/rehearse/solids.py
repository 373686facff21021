"""A few solids through the CAD kernel, enough for the demo's parts. No other file of this room imports the kernel."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import numpy as np
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakeWire
from OCP.BRepPrimAPI import (
    BRepPrimAPI_MakeBox,
    BRepPrimAPI_MakeCone,
    BRepPrimAPI_MakeCylinder,
    BRepPrimAPI_MakePrism,
)
from OCP.GC import GC_MakeArcOfCircle
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt, gp_Vec
from OCP.Message import Message
from OCP.ShapeUpgrade import ShapeUpgrade_UnifySameDomain
from OCP.STEPControl import STEPControl_StepModelType, STEPControl_Writer

from runner.diagnostics import RunnerError
from runner.records import Vector

Solid = Any
"""A shape of the CAD kernel, which has no types."""


def _point(place: Vector) -> Any:
    return gp_Pnt(*place)


def _frame(origin: Vector, axis: Vector) -> Any:
    return gp_Ax2(gp_Pnt(*origin), gp_Dir(*axis))


def box(low: Vector, high: Vector) -> Solid:
    """Return the box between two corners, mm."""
    return BRepPrimAPI_MakeBox(_point(low), _point(high)).Shape()


def cylinder(origin: Vector, axis: Vector, diameter: float, length: float) -> Solid:
    """Return a cylinder that starts at ``origin`` and runs along ``axis``."""
    return BRepPrimAPI_MakeCylinder(_frame(origin, axis), diameter / 2, length).Shape()


def cone(origin: Vector, axis: Vector, diameter_start: float, diameter_end: float, length: float) -> Solid:
    """Return a frustum that starts at ``origin`` with ``diameter_start`` and runs along ``axis``."""
    return BRepPrimAPI_MakeCone(_frame(origin, axis), diameter_start / 2, diameter_end / 2, length).Shape()


def prism(outline: list[tuple[Vector, ...]], sweep: Vector) -> Solid:
    """Return the solid that a closed flat outline sweeps.

    ``outline`` lists its pieces in order: two points are a straight line, three a circular arc through them.
    """
    wire = BRepBuilderAPI_MakeWire()
    for piece in outline:
        points = [_point(p) for p in piece]
        if len(points) == 2:
            wire.Add(BRepBuilderAPI_MakeEdge(points[0], points[1]).Edge())
        else:
            wire.Add(BRepBuilderAPI_MakeEdge(GC_MakeArcOfCircle(*points).Value()).Edge())
    face = BRepBuilderAPI_MakeFace(wire.Wire()).Face()
    return BRepPrimAPI_MakePrism(face, gp_Vec(*sweep)).Shape()


def slot_tool(centre: Vector, axis: Vector, along: Vector, length: float, width: float, depth: float) -> Solid:
    """Return a round-ended prism around ``centre``, ``depth`` to either side along ``axis``."""
    c, n, u = (np.array(v, dtype=float) for v in (centre, axis, along))
    v = np.cross(n, u)
    start, half, r = c - depth * n, (length - width) / 2, width / 2

    def at(a: float, b: float) -> Vector:
        x, y, z = start + a * u + b * v
        return float(x), float(y), float(z)

    outline: list[tuple[Vector, ...]] = [
        (at(-half, -r), at(half, -r)),
        (at(half, -r), at(half + r, 0.0), at(half, r)),
        (at(half, r), at(-half, r)),
        (at(-half, r), at(-half - r, 0.0), at(-half, -r)),
    ]
    x, y, z = 2 * depth * n
    return prism(outline, (float(x), float(y), float(z)))


def fuse(*solids: Solid) -> Solid:
    """Return the union, with coplanar and coaxial neighbours merged into one face."""
    whole = solids[0]
    for solid in solids[1:]:
        whole = BRepAlgoAPI_Fuse(whole, solid).Shape()
    return tidy(whole)


def cut(solid: Solid, *tools: Solid) -> Solid:
    """Return ``solid`` without the tools."""
    for tool in tools:
        solid = BRepAlgoAPI_Cut(solid, tool).Shape()
    return tidy(solid)


def tidy(solid: Solid) -> Solid:
    """Merge faces that lie on one surface, and edges that lie on one curve."""
    merger = ShapeUpgrade_UnifySameDomain(solid, True, True, False)
    merger.Build()
    return merger.Shape()


def write_step(solid: Solid, path: Path, name: str) -> None:
    """Write a solid as STEP, millimetres. The same solid and name give the same bytes: no time stamp."""
    Message.DefaultMessenger_s().ChangePrinters().Clear()  # else the kernel prints statistics to the console
    writer = STEPControl_Writer()
    stream = io.BytesIO()
    status = writer.Transfer(solid, STEPControl_StepModelType.STEPControl_AsIs)
    if status.name != "IFSelect_RetDone" or writer.WriteStream(stream).name != "IFSelect_RetDone":
        raise RunnerError(f"{path}: the CAD kernel could not write this solid")
    path.write_text(_named(stream.getvalue().decode("ascii"), name), encoding="ascii", newline="\n")


def _named(text: str, name: str) -> str:
    """Put the part's name where the kernel writes its own, and a fixed date."""
    if "'" in name or not name.isascii():
        raise ValueError(f"a part name in a STEP file is plain ASCII without quotes; this is {name!r}")
    header = f"FILE_DESCRIPTION(('{name}'),'2;1');\nFILE_NAME('{name}','2026-01-01T00:00:00',(''),(''),'','','');\n"
    start, end = text.index("FILE_DESCRIPTION"), text.index("FILE_SCHEMA")
    text = text[:start] + header + text[end:]
    return re.sub(r"PRODUCT\('[^']*',\s*'[^']*'", f"PRODUCT('{name}','{name}'", text, count=1)
