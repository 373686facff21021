from __future__ import annotations

import numpy as np
import pytest

from runner.diagnostics import InputError
from runner.formats import obj

VERTICES = "v 0 0 0\nv 1.5 0 0\nv 1.5 2.25 0\nv 0 2.25 0\nv 0 0 3\n"


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize(
    "faces",
    [
        "f 1 2 3 4\nf 1 4 5\n",
        "f 1/1 2/2 3/3 4/4\nf 1/7 4/7 5/7\n",
        "f 1//1 2//1 3//1 4//1\nf 1//2 4//2 5//2\n",
        "f 1/1/1 2/2/1 3/3/1 4/4/1\nf  1/1/2\t4/4/2  5/5/2 \n",
        "f -5 -4 -3 -2\nf -5 -2 -1\n",
        "f -5/-1/-1 -4/-1/-1 -3/-1/-1 -2/-1/-1\nf 1 4 5\n",
        "f 1 2 \\\n3 4\nf 1 4 5 # the last\n",
    ],
)
def test_index_forms(faces: str, end: str) -> None:
    extra = "mtllib a.mtl\no part\ng side\nvt 0 0\nvn 0 0 1\nvn 1 0 0\nusemtl red\ns 1\n"
    got = obj.read(
        ("# made by hand\n" + VERTICES + extra + faces + "l 1 2\np 1\n").replace("\n", end).encode(), "a.obj"
    )
    assert got.points.tolist() == [[0, 0, 0], [1.5, 0, 0], [1.5, 2.25, 0], [0, 2.25, 0], [0, 0, 3]]
    assert got.triangles is not None
    assert got.triangles.tolist() == [[0, 1, 2], [0, 2, 3], [0, 3, 4]]
    assert got.normals is None


def test_negative_indices_count_from_where_they_stand() -> None:
    got = obj.read(b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf -3 -2 -1\nv 5 5 5\nv 6 5 5\nv 5 6 5\nf -3 -2 -1\n", "a.obj")
    assert got.triangles is not None and got.triangles.tolist() == [[0, 1, 2], [3, 4, 5]]


def test_faces_may_come_before_their_vertices() -> None:
    got = obj.read(b"f 1 2 3\nv 0 0 0\nv 1 0 0\nv 0 1 0\n", "a.obj")
    assert got.triangles is not None and got.triangles.tolist() == [[0, 1, 2]]


def test_a_byte_order_mark_costs_no_vertex() -> None:
    assert len(obj.read(b"\xef\xbb\xbfv 1 2 3\nv 4 5 6\n", "a.obj").points) == 2


def test_a_line_that_a_backslash_joins_may_begin_with_anything() -> None:
    assert len(obj.read(b"v 1 2 3\ncurv 0 1 1 \\\n2 3\nv 4 5 6\n", "a.obj").points) == 2


def test_cloud_with_colours_and_normals() -> None:
    got = obj.read(b"v 0 0 0 255 0 0\nvn 0 0 2\nv 1 0 0 255 0 0\nvn 0 0 1\n", "a.obj")
    assert got.points.tolist() == [[0, 0, 0], [1, 0, 0]]
    assert got.triangles is None
    assert got.normals is not None and got.normals.tolist() == [[0, 0, 1], [0, 0, 1]]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ("", "holds no vertices"),
        ("# nothing\n", "holds no vertices"),
        ("v 0 0\n", "f.obj (line 1): a vertex or normal needs three numbers"),
        ("v 0 0 0\nv 0 x 0\n", "f.obj (line 2): something else stands where a number belongs"),
        (VERTICES + "f 1 2\n", "f.obj (line 6): a vertex or normal needs three numbers, a face three corners"),
        (VERTICES + "f 1 2 6\n", "f.obj (line 6): a face refers to a vertex that is not among the 5"),
        (VERTICES + "f 1 2 0\n", "f.obj (line 6): a face refers to a vertex that is not among the 5"),
        (VERTICES + "f 1 2 -6\n", "f.obj (line 6): a face refers to a vertex"),
        (VERTICES + "f 1 2 3.5\n", "f.obj (line 6): a face needs vertex indices such as"),
        (VERTICES + "f 1 2 three\n", "f.obj (line 6): a face needs vertex indices such as"),
        (VERTICES + "f 1 2 99999999999999999999999\n", "f.obj (line 6): a face"),
        (VERTICES + "f 1 1 1\n", "every triangle has two equal corners"),
        (VERTICES + "f 1/1/1/1 2 3\n", "f.obj (line 6): a face needs vertex indices such as"),
        ("w 9 9 9\n" + VERTICES, "f.obj (line 1): no line of an OBJ file begins with 'w'"),
        (VERTICES + "v0 0 0\n", "f.obj (line 6): no line of an OBJ file begins with 'v0'"),
    ],
)
def test_refusals_name_the_line(data: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        obj.read(data.encode(), "f.obj")
    assert message in str(caught.value)


def test_against_an_independent_reader(tmp_path) -> None:
    """Oracle: Open3D's OBJ writer and reader on a torus; its reader goes through single precision."""
    import open3d

    mesh = open3d.geometry.TriangleMesh.create_torus(10.0, 3.0, 20, 12)
    mesh.compute_vertex_normals()
    open3d.io.write_triangle_mesh(str(tmp_path / "a.obj"), mesh)
    theirs = open3d.io.read_triangle_mesh(str(tmp_path / "a.obj"))
    got = obj.read((tmp_path / "a.obj").read_bytes(), "a.obj")
    assert got.triangles is not None
    ours = got.points[got.triangles]
    assert np.abs(ours - np.asarray(theirs.vertices)[np.asarray(theirs.triangles)]).max() < 1e-6
