"""Mesh files as nominals: what becomes a face, what closes, what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from runner.diagnostics import InputError
from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import SurfaceKind, TriangleMesh
from runner.nominal import meshfile
from runner.nominal.assemble import volume
from runner.nominal.load import load_nominal
from runner.nominal.patches import nominal_from_mesh


def cube(size: float = 10.0) -> tuple[np.ndarray, np.ndarray]:
    v = size * np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=float)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return v, np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))], dtype=np.int32)


def stl(vertices: np.ndarray, triangles: np.ndarray) -> bytes:
    """Binary STL, written here from its description: 80 bytes, count, then 50 bytes a triangle."""
    rows = np.zeros(len(triangles), dtype=[("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    rows["v"] = vertices[triangles]
    return bytes(80) + np.uint32(len(triangles)).tobytes() + rows.tobytes()


def obj(vertices: np.ndarray, triangles: np.ndarray) -> bytes:
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in vertices.tolist()]
    return "\n".join(lines + [f"f {a + 1} {b + 1} {c + 1}" for a, b, c in triangles.tolist()] + [""]).encode()


def ply(vertices: np.ndarray, triangles: np.ndarray) -> bytes:
    head = f"ply\nformat ascii 1.0\nelement vertex {len(vertices)}\nproperty double x\nproperty double y\n"
    head += f"property double z\nelement face {len(triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    body = [" ".join(map(repr, row)) for row in vertices.tolist()]
    return (head + "\n".join(body + [f"3 {a} {b} {c}" for a, b, c in triangles.tolist()] + [""])).encode()


@pytest.mark.parametrize(("ending", "write"), [("stl", stl), ("obj", obj), ("ply", ply), ("STL", stl)])
@pytest.mark.parametrize(("unit", "scale"), [(None, 1.0), ("mm", 1.0), ("in", 25.4), ("m", 1000.0)])
def test_cube(ending, write, unit, scale, tmp_path):
    path = tmp_path / f"cube.{ending}"
    path.write_bytes(write(*cube(8.0)))
    nominal = load_nominal(path, unit=unit)
    assert nominal.source == "mesh" and nominal.closed and nominal.chord_mm == 0 and len(nominal.sha256) == 64
    assert len(nominal.mesh.vertices) == 8 and len(nominal.mesh.triangles) == 12
    assert volume(nominal.mesh) == pytest.approx((8 * scale) ** 3)
    assert list(nominal.faces.kind) == [SurfaceKind.PLANE] * 6
    assert nominal.faces.area == pytest.approx((8 * scale) ** 2)
    outwards = nominal.faces.origin - 4 * scale
    assert np.einsum("ij,ij->i", outwards, nominal.faces.axis) == pytest.approx(4 * scale)
    assert len(nominal.edges) == 0
    closest = SurfaceIndex.build(nominal).closest(np.array([[4.0, 4, -1], [4, 4, 1], [-3, -4, 4]]) * scale)
    assert closest.distance == pytest.approx(np.array([1, -1, 5]) * scale)
    assert list(closest.on_border) == [False, False, True]
    assert nominal.faces.axis[closest.face[0]] == pytest.approx([0, 0, -1])


def test_smooth_patches_stay_together_and_sharp_edges_part():
    """A half pipe of 10 degree steps is one OTHER face, its flat ends are planes."""
    turn = np.deg2rad(np.arange(0, 181, 10))
    ring = 20 * np.column_stack([np.cos(turn), np.sin(turn)])
    n = len(ring)
    v = np.concatenate([np.column_stack([ring, np.full(n, z)]) for z in (0.0, 30.0)])
    triangles = [t for i in range(n - 1) for t in ((i, i + 1, n + i + 1), (i, n + i + 1, n + i))]
    triangles += [(0, n, 2 * n - 1), (0, 2 * n - 1, n - 1)]
    triangles += [t for i in range(1, n - 1) for t in ((0, i + 1, i), (n, n + i, n + i + 1))]
    nominal = nominal_from_mesh(TriangleMesh(v, np.array(triangles, dtype=np.int32)), "0" * 64)
    assert nominal.closed
    assert sorted(nominal.faces.kind) == [SurfaceKind.OTHER] + [SurfaceKind.PLANE] * 3
    assert nominal.faces.kind[nominal.triangle_face[0]] == SurfaceKind.OTHER


def test_inside_out_mesh_is_turned():
    vertices, triangles = cube()
    nominal = nominal_from_mesh(TriangleMesh(vertices, triangles[:, ::-1].copy()), "0" * 64)
    assert volume(nominal.mesh) == pytest.approx(1000)
    assert any("inside out" in note for note in nominal.notes)


def test_open_mesh_has_its_rim_as_edges():
    vertices, triangles = cube()
    nominal = nominal_from_mesh(TriangleMesh(vertices, triangles[2:]), "0" * 64)
    assert not nominal.closed
    assert any("not closed" in note for note in nominal.notes)
    assert len(nominal.edges) == 1
    rim = nominal.edges.points
    assert len(rim) == 5 and (rim[0] == rim[-1]).all() and (rim[:, 0] == 0).all()
    assert nominal.edges.faces[0, 1] == -1


def test_repeated_and_collapsed_triangles_are_dropped():
    vertices, triangles = cube()
    more = np.concatenate([triangles, triangles[:3], np.roll(triangles[3:5], 1, axis=1), [[0, 0, 1], [2, 3, 3]]])
    data = obj(vertices, more)
    nominal = meshfile.read(data, "cube.obj", "0" * 64)
    assert len(nominal.mesh.triangles) == 12 and nominal.closed


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("part.stl", b"", "empty"),
        ("part.stl", stl(*cube())[:300], "part.stl"),
        ("part.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\n", "no triangles"),
        ("part.obj", b"v 0 0 0\nv 1 0 0\nf 1 2 2\n", "part.obj"),
        ("part.ply", b"ply\nformat ascii 1.0\nend_header\n", "part.ply"),
        ("part.xyz", b"0 0 0\n", "Allowed: .step"),
    ],
)
def test_bad_files_are_refused(name, content, words, tmp_path):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(InputError, match=words):
        load_nominal(path)


def test_unknown_unit_missing_file_and_folder(tmp_path):
    path = tmp_path / "cube.stl"
    path.write_bytes(stl(*cube()))
    with pytest.raises(InputError, match="Allowed: mm, cm, m, in"):
        load_nominal(path, unit="furlong")
    with pytest.raises(InputError, match="no such file"):
        load_nominal(tmp_path / "nowhere.stl")
    (tmp_path / "folder.stl").mkdir()
    with pytest.raises(InputError, match="folder"):
        load_nominal(tmp_path / "folder.stl")
