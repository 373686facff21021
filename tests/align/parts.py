"""Four invented parts, built as solids and meshed here; none of them belongs to anybody."""

from __future__ import annotations

import hashlib

import numpy as np

from runner.geometry.mesh import EdgeTable, FaceTable, Nominal, TriangleMesh


def box(x, y, z, at=(0, 0, 0)):
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
    from OCP.gp import gp_Pnt

    return BRepPrimAPI_MakeBox(gp_Pnt(*map(float, at)), float(x), float(y), float(z)).Shape()


def rod(radius, length, at, axis=(0, 0, 1)):
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

    return BRepPrimAPI_MakeCylinder(
        gp_Ax2(gp_Pnt(*map(float, at)), gp_Dir(*map(float, axis))), float(radius), float(length)
    ).Shape()


def join(a, *others):
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Fuse

    for b in others:
        a = BRepAlgoAPI_Fuse(a, b).Shape()
    return a


def cut(a, *others):
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut

    for b in others:
        a = BRepAlgoAPI_Cut(a, b).Shape()
    return a


def bracket():
    """U of 2 mm sheet, 140 x 70 x 45; turning it half round shows nothing but its one 6 mm hole elsewhere."""
    u = cut(box(140, 70, 45), box(136, 72, 44, (2, -1, 2)))
    u = cut(u, rod(8, 4, (40, 35, -1)), rod(8, 4, (100, 35, -1)))
    return cut(u, rod(3, 4, (118, 55, -1)))


def block():
    """Machined block without any symmetry: steps, two bores, a pocket."""
    b = box(110, 70, 35)
    b = cut(b, box(30, 71, 15, (-1, -0.5, 22)), box(50, 20, 12, (45, 42, 25)))
    return cut(b, rod(7, 40, (80, 20, -1)), rod(4, 80, (15, -1, 11), (0, 1, 0)), box(20, 14, 40, (91, 57, -1)))


def bushing():
    """Turned part: flange and collar, every turn about z looks alike."""
    return cut(join(rod(30, 8, (0, 0, 0)), rod(18, 42, (0, 0, 0))), rod(11, 50, (0, 0, -1)), rod(14, 6, (0, 0, 38)))


def clip():
    """Angled sheet of 1.5 mm with a tab, a slot and two holes: chiral."""
    c = join(box(80, 40, 1.5), box(1.5, 40, 30), box(20, 1.5, 18, (50, 38.5, 0)))
    c = cut(c, rod(4, 4, (60, 12, -1)), rod(2.5, 4, (25, 28, -1)), box(18, 6, 4, (20, 8, -1)))
    return cut(c, rod(5, 4, (-1, 26, 18), (1, 0, 0)))


PARTS = {"bracket": bracket, "block": block, "bushing": bushing, "clip": clip}


def mesh_of(shape, chord=0.02, angle=0.15):
    """Vertices, triangles wound outwards, and the face of each triangle."""
    from OCP.BRep import BRep_Tool
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.TopAbs import TopAbs_FACE, TopAbs_REVERSED
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS

    BRepMesh_IncrementalMesh(shape, chord, False, angle, False)
    points, triangles, faces = [], [], []
    explorer = TopExp_Explorer(shape, TopAbs_FACE)
    start = face_number = 0
    while explorer.More():
        face = TopoDS.Face(explorer.Current()) if hasattr(TopoDS, "Face") else TopoDS.Face_s(explorer.Current())
        where = TopLoc_Location()
        mesh = (
            BRep_Tool.Triangulation(face, where)
            if hasattr(BRep_Tool, "Triangulation")
            else BRep_Tool.Triangulation_s(face, where)
        )
        move = where.Transformation()
        for i in range(1, mesh.NbNodes() + 1):
            p = mesh.Node(i).Transformed(move)
            points.append((p.X(), p.Y(), p.Z()))
        for i in range(1, mesh.NbTriangles() + 1):
            t = mesh.Triangle(i)
            a, b, c = t.Value(1) - 1, t.Value(2) - 1, t.Value(3) - 1
            if face.Orientation() == TopAbs_REVERSED:
                b, c = c, b
            triangles.append((a + start, b + start, c + start))
            faces.append(face_number)
        start += mesh.NbNodes()
        face_number += 1
        explorer.Next()
    points, back = np.unique(np.round(np.array(points), 7), axis=0, return_inverse=True)
    triangles = back.reshape(-1)[np.array(triangles)]
    real = (
        (triangles[:, 0] != triangles[:, 1])
        & (triangles[:, 1] != triangles[:, 2])
        & (triangles[:, 0] != triangles[:, 2])
    )
    return points, triangles[real].astype(np.int32), np.array(faces, dtype=np.int32)[real]


def nominal_of(vertices, triangles, face=None) -> Nominal:
    """A mesh nominal (no exact surfaces) from arrays."""
    face = np.zeros(len(triangles), dtype=np.int32) if face is None else face
    n = int(face.max()) + 1
    a, b, c = (vertices[triangles[:, k]] for k in range(3))
    area = np.bincount(face, weights=0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1), minlength=n)
    nan = np.full((n, 3), np.nan)
    table = FaceTable(
        np.zeros(n, np.uint8), nan, nan, np.full(n, np.nan), np.full(n, np.nan), np.ones(n, np.int8), area
    )
    none = np.zeros((0, 3))
    edges = EdgeTable(
        none,
        np.zeros(1, np.int64),
        np.zeros((0, 2), np.int32),
        np.zeros(0, np.uint8),
        none,
        none,
        np.zeros(0),
        np.zeros(0),
    )
    digest = hashlib.sha256(vertices.tobytes() + triangles.tobytes()).hexdigest()
    return Nominal(TriangleMesh(vertices, triangles), face, table, edges, True, "mesh", digest, 0.0)


def build(name: str) -> Nominal:
    return nominal_of(*mesh_of(PARTS[name]()))


def mirrored(nominal: Nominal) -> Nominal:
    """The other hand."""
    vertices = nominal.mesh.vertices * np.array([-1.0, 1.0, 1.0])
    return nominal_of(vertices, np.ascontiguousarray(nominal.mesh.triangles[:, ::-1]), nominal.triangle_face)
