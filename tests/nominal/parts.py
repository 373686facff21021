"""Small parts made with the CAD kernel, for tests: each with every kind of surface it is named for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np


def ax2(at, along):
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

    return gp_Ax2(gp_Pnt(*at), gp_Dir(*along))


def plate_with_everything() -> Any:
    """60 x 40 x 20 block: through hole d 12, countersink, spherical pocket, toroidal groove, filleted edge, pin."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
    from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
    from OCP.BRepPrimAPI import (
        BRepPrimAPI_MakeBox,
        BRepPrimAPI_MakeCone,
        BRepPrimAPI_MakeCylinder,
        BRepPrimAPI_MakeSphere,
        BRepPrimAPI_MakeTorus,
    )
    from OCP.gp import gp_Pnt
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    box = BRepPrimAPI_MakeBox(gp_Pnt(0, 0, 0), 60.0, 40.0, 20.0).Shape()
    fillet = BRepFilletAPI_MakeFillet(box)
    fillet.Add(4.0, TopoDS.Edge(TopExp_Explorer(box, TopAbs_ShapeEnum.TopAbs_EDGE).Current()))
    shape = fillet.Shape()
    for tool in (
        BRepPrimAPI_MakeCylinder(ax2((18, 20, -1), (0, 0, 1)), 6.0, 30.0).Shape(),
        BRepPrimAPI_MakeCone(ax2((18, 20, 16), (0, 0, 1)), 5.0, 10.0, 5.0).Shape(),
        BRepPrimAPI_MakeSphere(gp_Pnt(45, 10, 22), 6.0).Shape(),
        BRepPrimAPI_MakeTorus(ax2((44, 28, 20), (0, 0, 1)), 7.0, 1.5).Shape(),
        # a slanted bore: its edges are ellipses, neither lines nor circles
        BRepPrimAPI_MakeCylinder(ax2((30, -5, 3), (0.2, 1, 0.1)), 2.0, 60.0).Shape(),
    ):
        shape = BRepAlgoAPI_Cut(shape, tool).Shape()
    pin = BRepPrimAPI_MakeCylinder(ax2((60, 20, 10), (1, 0, 0)), 5.0, 8.0).Shape()
    return BRepAlgoAPI_Fuse(shape, pin).Shape()


def moved(shape: Any, mirror: bool = False) -> Any:
    """The shape turned and shifted, or mirrored (then its circles and axes become left-handed)."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
    from OCP.gp import gp_Ax1, gp_Ax2, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec

    move = gp_Trsf()
    if mirror:
        move.SetMirror(gp_Ax2(gp_Pnt(3, 2, 1), gp_Dir(1, 2, 3)))
    else:
        turn = gp_Trsf()
        turn.SetRotation(gp_Ax1(gp_Pnt(1, 2, 3), gp_Dir(1, -2, 0.5)), 0.7)
        move.SetTranslation(gp_Vec(100, -50, 30))
        move.Multiply(turn)
    return BRepBuilderAPI_Transform(shape, move, True).Shape()


def as_splines(shape: Any) -> Any:
    """The same shape with every surface and curve written as a B-spline."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_NurbsConvert

    return BRepBuilderAPI_NurbsConvert(shape).Shape()


def compound(*shapes: Any) -> Any:
    from OCP.BRep import BRep_Builder
    from OCP.TopoDS import TopoDS_Compound

    together, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(together)
    for shape in shapes:
        builder.Add(together, shape)
    return together


def write_step(shape: Any, path: Path, unit: str = "MM") -> Path:
    from OCP.Interface import Interface_Static
    from OCP.Message import Message
    from OCP.STEPControl import STEPControl_StepModelType, STEPControl_Writer

    Message.DefaultMessenger_s().ChangePrinters().Clear()
    writer = STEPControl_Writer()
    Interface_Static.SetCVal_s("write.step.unit", unit)
    writer.Transfer(shape, STEPControl_StepModelType.STEPControl_AsIs)
    writer.Write(str(path))
    Interface_Static.SetCVal_s("write.step.unit", "MM")
    return path


def read_shape(path: Path) -> Any:
    from OCP.STEPControl import STEPControl_Reader

    reader = STEPControl_Reader()
    reader.ReadFile(str(path))
    reader.TransferRoots()
    return reader.OneShape()


def kernel_distances(shape: Any, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Unsigned distance to the faces by the kernel's extrema, and whether each point is inside, by its classifier."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
    from OCP.BRepClass3d import BRepClass3d_SolidClassifier
    from OCP.BRepExtrema import BRepExtrema_DistShapeShape
    from OCP.gp import gp_Pnt
    from OCP.TopAbs import TopAbs_ShapeEnum, TopAbs_State
    from OCP.TopExp import TopExp_Explorer

    faces, explorer = [], TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_FACE)
    while explorer.More():
        faces.append(explorer.Current())
        explorer.Next()
    skin = compound(*faces)
    classifier = BRepClass3d_SolidClassifier(TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_SOLID).Current())
    distance, inside = np.empty(len(points)), np.zeros(len(points), dtype=bool)
    for i, point in enumerate(points):
        place = gp_Pnt(*(float(v) for v in point))
        distance[i] = BRepExtrema_DistShapeShape(BRepBuilderAPI_MakeVertex(place).Vertex(), skin).Value()
        classifier.Perform(place, 1e-9)
        inside[i] = classifier.State() == TopAbs_State.TopAbs_IN
    return distance, inside


def hard_points(nominal: Any, count: int, seed: int) -> np.ndarray:
    """A quarter each: near faces, within two chords of borders, near axes and centres, anywhere in the box."""
    rng = np.random.default_rng(seed)
    low, high = nominal.bounds
    quarter = count // 4
    corners = nominal.mesh.vertices[nominal.mesh.triangles]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    chosen = corners[rng.choice(len(area), quarter, p=area / area.sum())]
    near_faces = np.einsum("ik,ikj->ij", rng.dirichlet((1, 1, 1), quarter), chosen) + rng.normal(0, 0.2, (quarter, 3))
    parts = [near_faces, rng.uniform(low - 3, high + 3, (quarter, 3))]
    if len(nominal.edges):
        edge = rng.integers(len(nominal.edges), size=quarter)
        first, last = nominal.edges.offsets[edge], nominal.edges.offsets[edge + 1] - 1
        piece = first + (rng.random(quarter) * (last - first)).astype(int)
        share = rng.random((quarter, 1)) * (rng.random((quarter, 1)) < 0.8)
        on_border = nominal.edges.points[piece] * (1 - share) + nominal.edges.points[piece + 1] * share
        parts.append(on_border + rng.uniform(-0.02, 0.02, (quarter, 3)))
    turned = np.flatnonzero(nominal.faces.kind >= 2)
    face = rng.choice(turned, quarter)
    along = rng.normal(0, 5, (quarter, 1)) * (rng.random((quarter, 1)) < 0.8)
    parts.append(nominal.faces.origin[face] + along * nominal.faces.axis[face] + rng.normal(0, 1e-3, (quarter, 3)))
    return np.concatenate(parts)
