"""A plate with one bore, written down by hand as the arrays of a nominal: no CAD kernel, and a very coarse mesh.

Plate 60 x 40 x 10 mm, lower side z = 0, bore of diameter 20 in the middle. The bore's mesh has only 16 chords
(sagitta 0.19 mm), so that any leaning of the scanner on the mesh shows.
"""

import numpy as np

from runner.geometry.mesh import CurveKind, EdgeTable, FaceTable, Nominal, SurfaceKind, TriangleMesh

LENGTH, WIDTH, HEIGHT, RADIUS = 60.0, 40.0, 10.0, 10.0
CHORDS = 16
NAN = np.nan


def plate(chords: int = CHORDS) -> Nominal:
    """Faces: 0 lower, 1 upper, 2 -x, 3 +x, 4 -y, 5 +y, 6 bore."""
    a, b = LENGTH / 2, WIDTH / 2
    turn = 2 * np.pi * np.arange(chords) / chords
    ring = RADIUS * np.column_stack([np.cos(turn), np.sin(turn)])
    corners = np.array([[a, b], [-a, b], [-a, -b], [a, -b]])
    flat = np.concatenate([corners, ring])
    vertices = np.concatenate([np.column_stack([flat, np.full(len(flat), z)]) for z in (0.0, HEIGHT)])
    shift = len(flat)
    triangles, face = [], []

    def add(f, *corner_lists):
        for t in corner_lists:
            triangles.append(t)
            face.append(f)

    sector = chords // 4
    for q in range(4):
        # quarter q lies around corner q; its chords fan to the corner, then one triangle closes to the next corner
        first = 4 + q * sector
        for k in range(sector):
            here, there = first + k, 4 + (q * sector + k + 1) % chords
            add(1, (shift + here, shift + q, shift + there))
            add(0, (here, there, q))
        last, following = 4 + ((q + 1) * sector) % chords, (q + 1) % 4
        add(1, (shift + last, shift + q, shift + following))
        add(0, (last, following, q))
    for k in range(chords):
        here, there = 4 + k, 4 + (k + 1) % chords
        # seen from the axis, the outside of the material
        add(6, (here, there, shift + there)[::-1], (here, shift + there, shift + here)[::-1])
    for f, (p, q) in ((5, (0, 1)), (2, (1, 2)), (4, (2, 3)), (3, (3, 0))):
        add(f, (p, q, shift + q)[::-1][::-1], (p, shift + q, shift + p))
    axis = np.array([[0, 0, -1], [0, 0, 1], [-1, 0, 0], [1, 0, 0], [0, -1, 0], [0, 1, 0], [0, 0, 1]], float)
    origin = np.array([[0, 0, 0], [0, 0, HEIGHT], [-a, 0, 0], [a, 0, 0], [0, -b, 0], [0, b, 0], [0, 0, 0]], float)
    faces = FaceTable(
        kind=np.array([SurfaceKind.PLANE] * 6 + [SurfaceKind.CYLINDER], np.uint8),
        origin=origin,
        axis=axis,
        radius=np.array([NAN] * 6 + [RADIUS]),
        minor=np.full(7, NAN),
        outward=np.array([1] * 6 + [-1], np.int8),
        area=np.ones(7),
    )
    return Nominal(
        mesh=TriangleMesh(vertices, np.array(triangles, np.int32)),
        triangle_face=np.array(face, np.int32),
        faces=faces,
        edges=_edges(vertices, shift, chords),
        closed=True,
        source="step",
        sha256="",
        chord_mm=RADIUS * (1 - np.cos(np.pi / chords)),
    )


def _edges(vertices, shift, chords):
    lines, sides, kinds = [], [], []
    side_of = {(0, 1): 5, (1, 2): 2, (2, 3): 4, (3, 0): 3}
    for level, lid in ((0, 0), (shift, 1)):
        loop = [4 + k + level for k in range(chords)] + [4 + level]
        lines.append(vertices[loop])
        sides.append((lid, 6))
        kinds.append(CurveKind.CIRCLE)
        for (p, q), f in side_of.items():
            lines.append(vertices[[p + level, q + level]])
            sides.append((lid, f))
            kinds.append(CurveKind.LINE)
    for corner, pair in enumerate(((3, 5), (5, 2), (2, 4), (4, 3))):
        lines.append(vertices[[corner, corner + shift]])
        sides.append(pair)
        kinds.append(CurveKind.LINE)
    kinds = np.array(kinds, np.uint8)
    circle = kinds == CurveKind.CIRCLE
    origin = np.array([[0.0, 0.0, line[0, 2]] if c else line[0] for line, c in zip(lines, circle, strict=True)])
    axis = np.array([[0.0, 0.0, 1.0] if c else (line[1] - line[0]) for line, c in zip(lines, circle, strict=True)])
    axis /= np.linalg.norm(axis, axis=1, keepdims=True)
    return EdgeTable(
        points=np.concatenate(lines),
        offsets=np.concatenate([[0], np.cumsum([len(line) for line in lines])]).astype(np.int64),
        faces=np.array(sides, np.int32),
        kind=kinds,
        origin=origin,
        axis=axis,
        radius=np.where(circle, RADIUS, NAN),
        angle=np.full(len(lines), np.pi / 2),
    )
