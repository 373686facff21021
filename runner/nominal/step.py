"""STEP file → Nominal, through the CAD kernel. Only this module of the room imports the kernel, and it does so late."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from runner.diagnostics import InputError, MissingLibraryError
from runner.geometry.mesh import CurveKind, EdgeTable, Floats, Ints, Nominal, SurfaceKind
from runner.nominal.assemble import FaceRow, bring_to_order, weld_faces
from runner.nominal.patches import nominal_from_mesh

CHORD_MM = 0.01
ANGLE_RAD = 0.1
RECOGNISE_MM = 1e-4
"""A free-form face within this of a plane, cylinder, cone or sphere is taken as one."""
_RECOGNISE_CURVE_MM = 1e-6
_CURVE_CHORD_MM = 1e-4
_CURVE_ANGLE_RAD = 0.05

_DEBIAN = {"libGL": "libgl1", "libX11": "libx11-6", "libexpat": "libexpat1", "libEGL": "libegl1", "libgomp": "libgomp1"}


def kernel_version() -> str:
    """Version of the CAD kernel binding, for the cache key; no import of the kernel."""
    from importlib.metadata import PackageNotFoundError, version

    for package in ("cadquery-ocp-novtk", "cadquery-ocp"):
        with contextlib.suppress(PackageNotFoundError):
            return f"{package} {version(package)}"
    return "unknown"


def _import_kernel() -> None:
    """Import the kernel binding once, silence it, or say in one sentence what is missing."""
    try:
        import OCP.Message
    except ImportError as error:
        text = str(error)
        for library, package in _DEBIAN.items():
            if library in text:
                raise MissingLibraryError(
                    f"Reading STEP files needs the system library {library}; on Debian: apt-get install {package}"
                ) from error
        raise MissingLibraryError(
            f"Reading STEP files needs the Python package cadquery-ocp-novtk 8.0 ({text}); install it with pip."
        ) from error
    # the kernel reports to the console by itself; its statuses are checked instead
    OCP.Message.Message.DefaultMessenger_s().ChangePrinters().Clear()


def check_text(data: bytes, name: str) -> None:
    """Refuse what can't be a whole STEP file (ISO 10303-21) before the kernel sees it."""
    if not data.strip():
        raise InputError(name, "the file is empty.", advice="Export the STEP file again.")
    head = data[:4096].lstrip(b"\xef\xbb\xbf \t\r\n")
    if not head.startswith(b"ISO-10303-21"):
        raise InputError(
            name,
            'this is not a STEP file: it does not begin with "ISO-10303-21;".',
            place="line 1",
            advice="Give a STEP file (AP203, AP214 or AP242), or a mesh as STL, PLY or OBJ.",
        )
    if b"END-ISO-10303-21" not in data[-4096:]:
        raise InputError(
            name,
            'the file is cut off: "END-ISO-10303-21;" is missing at its end.',
            place=f"byte {len(data)}",
            advice="Copy or export it again.",
        )


@dataclass
class _Topology:
    """What the kernel found in the file."""

    shape: Any
    faces: Any
    notes: list[str] = field(default_factory=list)


def _transfer(path: Path, name: str) -> _Topology:
    from OCP.collections import IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher as ShapeMap
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.STEPControl import STEPControl_Reader
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp

    reader = STEPControl_Reader()
    status = reader.ReadFile(str(path))
    if status != IFSelect_ReturnStatus.IFSelect_RetDone:
        raise InputError(
            name, f"the CAD kernel can't read it (status {status.name}).", advice="Export the STEP file again."
        )
    if reader.TransferRoots() == 0:
        raise InputError(
            name, "it holds no shape that could be read.", advice="Export the solid itself, not only its drawing data."
        )
    units = _length_units(reader)
    shape = reader.OneShape()
    faces = ShapeMap()
    if shape is not None and not shape.IsNull():
        TopExp.MapShapes_s(shape, TopAbs_ShapeEnum.TopAbs_FACE, faces)
    if faces.Extent() == 0:
        raise InputError(name, "it holds no faces.", advice="Export the part as a solid.")
    found = _Topology(shape, faces)
    if units:
        found.notes.append(f"The file's own unit of length is {units}; it was turned into mm.")
    solids = ShapeMap()
    TopExp.MapShapes_s(shape, TopAbs_ShapeEnum.TopAbs_SOLID, solids)
    if solids.Extent() == 0:
        found.notes.append("The model holds surfaces but no solid.")
    elif solids.Extent() > 1:
        found.notes.append(f"The model holds {solids.Extent()} solids; they are taken together as one part.")
    return found


def _length_units(reader: Any) -> str:
    """Names of the file's units of length where they aren't all millimetres; empty otherwise."""
    from OCP.collections import Sequence_TCollection_AsciiString as Names

    lengths, angles, solid_angles = Names(), Names(), Names()
    reader.FileUnits(lengths, angles, solid_angles)
    found = sorted({lengths.Value(i).ToCString() for i in range(1, lengths.Length() + 1)})
    return "" if all(unit.lower() in ("millimetre", "millimeter", "mm") for unit in found) else ", ".join(found)


def _triangulate(found: _Topology, name: str) -> None:
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.BRepTools import BRepTools

    if not any(_has_surface(face) for face in _faces(found)):
        return
    BRepTools.Clean_s(found.shape)
    mesher = BRepMesh_IncrementalMesh(found.shape, CHORD_MM, False, ANGLE_RAD, False)
    if not mesher.IsDone():
        raise InputError(
            name, "the CAD kernel could not mesh it.", advice="Repair the model in CAD and export it again."
        )


def _faces(found: _Topology) -> Iterator[Any]:
    from OCP.TopoDS import TopoDS

    for i in range(1, found.faces.Extent() + 1):
        yield TopoDS.Face(found.faces.FindKey(i))


def _has_surface(face: Any) -> bool:
    from OCP.BRep import BRep_Tool

    surface = BRep_Tool.Surface_s(face)
    return surface is not None


def _triangles(face: Any) -> tuple[Floats, Ints] | None:
    """Nodes (n, 3) at their place in the model and triangles (m, 3) wound anticlockwise from outside."""
    from OCP.BRep import BRep_Tool
    from OCP.TopAbs import TopAbs_Orientation
    from OCP.TopLoc import TopLoc_Location

    location = TopLoc_Location()
    mesh = BRep_Tool.Triangulation_s(face, location)
    if mesh is None or mesh.NbTriangles() == 0:
        return None
    nodes = np.empty((mesh.NbNodes(), 3))
    for i in range(len(nodes)):
        p = mesh.Node(i + 1)
        nodes[i] = p.X(), p.Y(), p.Z()
    triangles = np.empty((mesh.NbTriangles(), 3), dtype=np.int32)
    for i in range(len(triangles)):
        t = mesh.Triangle(i + 1)
        triangles[i] = t.Value(1), t.Value(2), t.Value(3)
    triangles -= 1
    flip = face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED
    if not location.IsIdentity():
        move = location.Transformation()
        matrix = np.array([[move.Value(r, c) for c in range(1, 5)] for r in range(1, 4)])
        nodes = nodes @ matrix[:, :3].T + matrix[:, 3]
        flip ^= bool(np.linalg.det(matrix[:, :3]) < 0)
    return nodes, triangles[:, ::-1].copy() if flip else triangles


def _xyz(thing: Any) -> Floats:
    return np.array([thing.X(), thing.Y(), thing.Z()])


def _surface(face: Any) -> FaceRow:
    """The face's exact surface; ``outward`` and the sense of plane and cone axes are settled later, from the mesh."""
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.GeomAbs import GeomAbs_SurfaceType as Type

    if not _has_surface(face):
        return FaceRow(SurfaceKind.OTHER)
    surface = BRepAdaptor_Surface(face, False)
    kind = surface.GetType()
    if kind == Type.GeomAbs_Plane:
        return _plane(surface.Plane())
    if kind == Type.GeomAbs_Cylinder:
        return _cylinder(surface.Cylinder())
    if kind == Type.GeomAbs_Cone:
        return _cone(surface.Cone())
    if kind == Type.GeomAbs_Sphere:
        return _sphere(surface.Sphere())
    if kind == Type.GeomAbs_Torus:
        torus = surface.Torus()
        centre, axis = _xyz(torus.Location()), _xyz(torus.Axis().Direction())
        return FaceRow(SurfaceKind.TORUS, centre, axis, torus.MajorRadius(), torus.MinorRadius())
    return _recognised(face)


def _plane(plane: Any) -> FaceRow:
    return FaceRow(SurfaceKind.PLANE, _xyz(plane.Location()), _xyz(plane.Axis().Direction()))


def _cylinder(cylinder: Any) -> FaceRow:
    axis = cylinder.Axis()
    return FaceRow(SurfaceKind.CYLINDER, _xyz(axis.Location()), _xyz(axis.Direction()), cylinder.Radius())


def _cone(cone: Any) -> FaceRow:
    return FaceRow(SurfaceKind.CONE, _xyz(cone.Apex()), _xyz(cone.Axis().Direction()), np.nan, abs(cone.SemiAngle()))


def _sphere(sphere: Any) -> FaceRow:
    axis = sphere.Position().Direction()
    return FaceRow(SurfaceKind.SPHERE, _xyz(sphere.Location()), _xyz(axis), sphere.Radius())


def _recognised(face: Any) -> FaceRow:
    """Elementary surface that a free-form face really is, or OTHER; the assembly checks it against the mesh."""
    from OCP.gp import gp_Cone, gp_Cylinder, gp_Pln, gp_Sphere
    from OCP.ShapeAnalysis import ShapeAnalysis_CanonicalRecognition

    search = ShapeAnalysis_CanonicalRecognition(face)
    for test, element, make in (
        (search.IsPlane, gp_Pln(), _plane),
        (search.IsCylinder, gp_Cylinder(), _cylinder),
        (search.IsCone, gp_Cone(), _cone),
        (search.IsSphere, gp_Sphere(), _sphere),
    ):
        with contextlib.suppress(Exception):  # the kernel raises its own errors on surfaces that it can't sample
            if test(RECOGNISE_MM, element):
                row = make(element)
                row.recognised = True
                return row
    with contextlib.suppress(Exception):
        return _recognised_torus(face)
    return FaceRow(SurfaceKind.OTHER)


def _recognised_torus(face: Any) -> FaceRow:
    """Torus that a free-form face really is, or OTHER; the kernel's own recognition leaves this one out.

    On a torus one principal curvature is 1 / tube radius everywhere; that far along the normals lies the ring.
    """
    from OCP.BRep import BRep_Tool
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.GeomLProp import GeomLProp_SLProps

    nothing = FaceRow(SurfaceKind.OTHER)
    surface = BRepAdaptor_Surface(face, True)
    geometry = BRep_Tool.Surface_s(face)
    shares = np.linspace(0.1, 0.9, 6)
    points, normals, curvatures = [], [], []
    for u in surface.FirstUParameter() + shares * (surface.LastUParameter() - surface.FirstUParameter()):
        for v in surface.FirstVParameter() + shares * (surface.LastVParameter() - surface.FirstVParameter()):
            local = GeomLProp_SLProps(geometry, u, v, 2, 1e-9)
            if not (local.IsNormalDefined() and local.IsCurvatureDefined()):
                return nothing
            points.append(_xyz(local.Value()))
            normals.append(_xyz(local.Normal()))
            curvatures.append((local.MinCurvature(), local.MaxCurvature()))
    for curvature in np.array(curvatures).T:
        mean = float(curvature.mean())
        if abs(mean) < 1e-6 or np.abs(1.0 / curvature - 1.0 / mean).max() > 10 * RECOGNISE_MM:
            continue
        ring = np.array(points) + np.array(normals) / mean
        middle = ring.mean(axis=0)
        directions = np.linalg.svd(ring - middle)[2]
        flat = (ring - middle) @ directions[:2].T
        # circle through the points: x^2 + y^2 = 2 a x + 2 b y + c
        design = np.column_stack([2 * flat, np.ones(len(flat))])
        (a, b, c), *_ = np.linalg.lstsq(design, (flat**2).sum(axis=1), rcond=None)
        radius = float(np.sqrt(c + a * a + b * b))
        if np.abs(np.hypot(flat[:, 0] - a, flat[:, 1] - b) - radius).max() > 10 * RECOGNISE_MM:
            continue
        centre = middle + np.array([a, b]) @ directions[:2]
        return FaceRow(SurfaceKind.TORUS, centre, directions[2], radius, abs(1.0 / mean), recognised=True)
    return nothing


def _edge_curve(edge: Any) -> tuple[int, Floats, Floats, Floats, float] | None:
    """Kind, points (k, 3), origin, axis and radius of an edge; None for one that can't be sampled."""
    from OCP.BRepAdaptor import BRepAdaptor_Curve
    from OCP.GCPnts import GCPnts_TangentialDeflection
    from OCP.GeomAbs import GeomAbs_CurveType as Type

    nothing = np.full(3, np.nan)
    curve = BRepAdaptor_Curve(edge)
    start, end = curve.FirstParameter(), curve.LastParameter()
    if not (np.isfinite(start) and np.isfinite(end) and end > start and end - start < 1e9):
        return None
    kind = curve.GetType()
    line = circle = None
    if kind == Type.GeomAbs_Line:
        line = curve.Line()
    elif kind == Type.GeomAbs_Circle:
        circle = curve.Circle()
    else:
        line, circle = _recognised_curve(edge)
    if line is not None:
        ends = np.array([_xyz(curve.Value(start)), _xyz(curve.Value(end))])
        return CurveKind.LINE, ends, ends[0], _xyz(line.Direction()), np.nan
    if circle is not None:
        centre, axis, radius = _xyz(circle.Location()), _xyz(circle.Axis().Direction()), circle.Radius()
        closed = curve.Value(start).Distance(curve.Value(end)) < 1e-7
        sweep = end - start if kind == Type.GeomAbs_Circle else 2 * np.pi
        step = min(ANGLE_RAD, 2.0 * float(np.arccos(max(0.0, 1.0 - CHORD_MM / radius))) if radius > CHORD_MM else 1.0)
        count = max(4 if closed else 2, int(np.ceil(sweep / step)))
        points = np.array([_xyz(curve.Value(t)) for t in np.linspace(start, end, count + 1)])
        if closed:
            points[-1] = points[0]
        return CurveKind.CIRCLE, points, centre, axis, radius
    sampled = GCPnts_TangentialDeflection(curve, start, end, _CURVE_ANGLE_RAD, _CURVE_CHORD_MM, 5, 1e-9, 1e-5)
    points = np.array([_xyz(sampled.Value(i)) for i in range(1, sampled.NbPoints() + 1)])
    if len(points) < 2:
        return None
    if np.linalg.norm(points[0] - points[-1]) < 1e-7:
        points[-1] = points[0]
    return CurveKind.OTHER, points, nothing, nothing, np.nan


def _recognised_curve(edge: Any) -> tuple[Any, Any]:
    from OCP.gp import gp_Circ, gp_Lin
    from OCP.ShapeAnalysis import ShapeAnalysis_CanonicalRecognition

    with contextlib.suppress(Exception):  # as in _recognised
        search = ShapeAnalysis_CanonicalRecognition(edge)
        line, circle = gp_Lin(), gp_Circ()
        if search.IsLine(_RECOGNISE_CURVE_MM, line):
            return line, None
        if search.IsCircle(_RECOGNISE_CURVE_MM, circle):
            return None, circle
    return None, None


def _normal_at_middle(edge: Any, face: Any) -> Floats:
    """Outward unit normal of the face at the middle of one of its edges; NaN where the surface has none."""
    from OCP.BRepAdaptor import BRepAdaptor_Curve2d, BRepAdaptor_Surface
    from OCP.gp import gp_Pnt, gp_Vec
    from OCP.TopAbs import TopAbs_Orientation

    on_face = BRepAdaptor_Curve2d(edge, face)
    place = on_face.Value(0.5 * (on_face.FirstParameter() + on_face.LastParameter()))
    surface = BRepAdaptor_Surface(face, False)
    point, du, dv = gp_Pnt(), gp_Vec(), gp_Vec()
    surface.D1(place.X(), place.Y(), point, du, dv)
    normal = np.cross(_xyz(du), _xyz(dv))
    length = float(np.linalg.norm(normal))
    if length < 1e-12:
        return np.full(3, np.nan)
    flip = face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED
    return normal / length * (-1.0 if flip else 1.0)


def _edges(found: _Topology) -> EdgeTable:
    from OCP.BRep import BRep_Tool
    from OCP.collections import (
        IndexedDataMap_TopoDS_Shape_List_TopoDS_Shape_TopTools_ShapeMapHasher as Ancestors,
    )
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp
    from OCP.TopoDS import TopoDS

    ancestors = Ancestors()
    TopExp.MapShapesAndAncestors_s(found.shape, TopAbs_ShapeEnum.TopAbs_EDGE, TopAbs_ShapeEnum.TopAbs_FACE, ancestors)
    points, counts, faces, kinds, origins, axes, radii, angles = [], [], [], [], [], [], [], []
    crowded = unsampled = 0
    for i in range(1, ancestors.Extent() + 1):
        edge = TopoDS.Edge(ancestors.FindKey(i))
        around: list[int] = []
        for shape in ancestors.FindFromIndex(i):
            number = found.faces.FindIndex(shape) - 1
            if number not in around:
                around.append(number)
        if BRep_Tool.Degenerated_s(edge) or not around:
            continue
        if len(around) == 1 and BRep_Tool.IsClosed_s(edge, TopoDS.Face(found.faces.FindKey(around[0] + 1))):
            continue  # a seam
        curve = _edge_curve(edge)
        if curve is None:
            unsampled += 1
            continue
        crowded += len(around) > 2
        kind, polyline, origin, axis, radius = curve
        angle = np.nan
        if len(around) >= 2:
            one, two = (_normal_at_middle(edge, TopoDS.Face(found.faces.FindKey(f + 1))) for f in around[:2])
            angle = float(np.arctan2(np.linalg.norm(np.cross(one, two)), one @ two))
        points.append(polyline)
        counts.append(len(polyline))
        faces.append((around[0], around[1] if len(around) > 1 else -1))
        kinds.append(int(kind))
        origins.append(origin)
        axes.append(axis)
        radii.append(radius)
        angles.append(angle)
    if crowded:
        found.notes.append(f"{crowded} edges are shared by more than two faces.")
    if unsampled:
        found.notes.append(f"{unsampled} edges could not be sampled and are left out.")
    none = np.zeros((0, 3))
    return EdgeTable(
        points=np.concatenate(points) if points else none,
        offsets=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        faces=np.array(faces, dtype=np.int32).reshape(-1, 2),
        kind=np.array(kinds, dtype=np.uint8),
        origin=np.array(origins).reshape(-1, 3),
        axis=np.array(axes).reshape(-1, 3),
        radius=np.array(radii, dtype=np.float64),
        angle=np.array(angles, dtype=np.float64),
    )


def read(path: Path, data: bytes, sha256: str, name: str = "") -> Nominal:
    """Read a STEP file in this process. Damaged files may crash the kernel; ``runner.nominal.step_apart`` guards.

    Parameters
    ----------
    path
        The file; the kernel reads it itself.
    data
        Its bytes, for the checks that come first.
    sha256
        Of the bytes.
    name
        What to call the file in messages; empty: its own name.

    Raises
    ------
    InputError
        Empty, cut off, not STEP, unreadable, without faces.
    MissingLibraryError
        The kernel can't be loaded; names what to install.
    """
    name = name or path.name
    check_text(data, name)
    _import_kernel()
    found = _transfer(path, name)
    listed = len(re.findall(rb"=\s*ADVANCED_FACE\s*\(", data))
    if listed > found.faces.Extent():
        found.notes.append(f"The file lists {listed} faces; only {found.faces.Extent()} of them could be read.")
    _triangulate(found, name)
    rows: list[FaceRow] = []
    meshes: list[tuple[Floats, Ints] | None] = []
    for face in _faces(found):
        rows.append(_surface(face))
        meshes.append(_triangles(face))
    if all(not _has_surface(face) for face in _faces(found)):
        return _tessellated(meshes, sha256)
    return bring_to_order(rows, meshes, _edges(found), found.notes, sha256, name, CHORD_MM)


def _tessellated(meshes: Sequence[tuple[Floats, Ints] | None], sha256: str) -> Nominal:
    """Nominal of a file that holds triangles only."""
    mesh, _ = weld_faces(meshes)
    note = "The STEP file holds triangles only, no exact surfaces; it is used as a mesh."
    return nominal_from_mesh(mesh, sha256, notes=(note,))
