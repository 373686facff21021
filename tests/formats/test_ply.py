from __future__ import annotations

import io
import struct
from itertools import permutations

import numpy as np
import pytest

from runner.diagnostics import InputError
from runner.formats import ply

CODES = {"char": "b", "uchar": "B", "short": "h", "ushort": "H", "int": "i", "uint": "I", "float": "f", "double": "d"}


def header(kind: str, *lines: str, end: str = "\n") -> bytes:
    return (end.join(["ply", f"format {kind} 1.0", *lines, "end_header"]) + end).encode()


def binary(order: str, types: list[str], rows: list[list[float]]) -> bytes:
    """Rows packed by struct, ``order`` being < or >."""
    return b"".join(struct.pack(order + "".join(CODES[t] for t in types), *row) for row in rows)


KIND = {"<": "binary_little_endian", ">": "binary_big_endian"}


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("number", ["float", "double", "int", "short", "uchar"])
def test_binary_types(order: str, number: str) -> None:
    rows = [[1, 2, 3], [4, 5, 6], [7, 8, 100]]
    head = header(KIND[order], "element vertex 3", *(f"property {number} {a}" for a in "xyz"))
    got = ply.read(head + binary(order, [number] * 3, rows), "a.ply")
    assert got.points.dtype == np.float64
    assert np.array_equal(got.points, rows)
    assert got.triangles is None and got.normals is None


@pytest.mark.parametrize("order", ["<", ">"])
def test_properties_in_any_order_and_of_mixed_types(order: str) -> None:
    for names in list(permutations(["x", "y", "z", "red"]))[::5]:
        types = {"x": "double", "y": "float", "z": "short", "red": "uchar"}
        values = {"x": 0.1, "y": 0.5, "z": -7, "red": 255}
        head = header(KIND[order], "element vertex 1", *(f"property {types[n]} {n}" for n in names))
        got = ply.read(head + binary(order, [types[n] for n in names], [[values[n] for n in names]]), "a.ply")
        assert got.points.tolist() == [[0.1, 0.5, -7.0]]


def test_normals_are_scaled_and_kept_for_clouds() -> None:
    names = ["nx", "x", "ny", "y", "nz", "z"]
    rows = [[0, 1, 0, 2, 2, 3], [0, 4, 0, 5, 3, 6]]
    got = ply.read(
        header(KIND["<"], "element vertex 2", *(f"property float {n}" for n in names))
        + binary("<", ["float"] * 6, rows),
        "a.ply",
    )
    assert got.points.tolist() == [[1, 2, 3], [4, 5, 6]]
    assert got.normals is not None and got.normals.tolist() == [[0, 0, 1], [0, 0, 1]]
    assert got.normals_signed


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("order", ["<", ">", ""])
def test_faces_with_extra_properties_elements_and_line_ends(
    order: str, end: str, tetrahedron: tuple[np.ndarray, np.ndarray]
) -> None:
    points, triangles = tetrahedron
    lines = [
        "comment a mesh", "obj_info num_cols 512", "element camera 1", "property float focus",
        f"element vertex {len(points)}", "property float x", "property float y", "property float z",
        "property float confidence", f"element face {len(triangles)}", "property uchar flag",
        "property list uchar int vertex_indices", "property float quality",
        "element range_grid 3", "property list uchar int vertex_indices",
    ]  # fmt: skip
    if order:
        body = binary(order, ["float"], [[50.0]])
        body += binary(order, ["float"] * 4, [[*p, 1.0] for p in points])
        body += b"".join(struct.pack(order + "BBiiif", 1, 3, *t, 0.5) for t in triangles)
        body += struct.pack(order + "BBiB", 0, 1, 2, 0)
    else:
        text = ["50", *(" ".join(map(str, [*p, 1])) for p in points)]
        text += [f"1 3 {' '.join(map(str, t))} 0.5" for t in triangles] + ["0", "1 2", "0"]
        body = (end.join(text) + end).encode()
    got = ply.read(header(KIND.get(order, "ascii"), *lines, end=end) + body, "a.ply")
    assert np.array_equal(got.points, points)
    assert np.array_equal(got.triangles, triangles)
    assert got.notes == ()


@pytest.mark.parametrize("order", ["<", ">", ""])
@pytest.mark.parametrize("length", ["char", "uchar", "ushort", "int", "uint"])
def test_polygons_become_fans(order: str, length: str) -> None:
    polygons = [[0, 1, 2, 3], [0, 3, 4], [4, 3, 2, 1, 0]]
    points = [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 0, 1]]
    lines = ["element vertex 5", *(f"property float {a}" for a in "xyz"), "element face 3"]
    lines.append(f"property list {length} uint vertex_index")
    if order:
        body = binary(order, ["float"] * 3, points)
        body += b"".join(struct.pack(f"{order}{CODES[length]}{len(p)}I", len(p), *p) for p in polygons)
    else:
        rows = [" ".join(map(str, p)) for p in points] + [" ".join(map(str, [len(p), *p])) for p in polygons]
        body = "\n".join(rows).encode()
    got = ply.read(header(KIND.get(order, "ascii"), *lines) + body, "a.ply")
    assert got.triangles is not None
    assert got.triangles.tolist() == [[0, 1, 2], [0, 2, 3], [0, 3, 4], [4, 3, 2], [4, 2, 1], [4, 1, 0]]


def test_strips_restart_at_minus_one() -> None:
    strip = [0, 1, 2, 3, -1, 0, 2, 4]
    lines = ["element vertex 5", *(f"property float {a}" for a in "xyz"), "element tristrips 1"]
    lines.append("property list int int vertex_indices")
    body = binary("<", ["float"] * 3, [[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0], [0, 0, 1]])
    got = ply.read(header(KIND["<"], *lines) + body + struct.pack("<i8i", 8, *strip), "a.ply")
    assert got.triangles is not None
    assert got.triangles.tolist() == [[0, 1, 2], [2, 1, 3], [0, 2, 4]]


@pytest.mark.parametrize("order", ["<", ">"])
def test_list_property_of_a_vertex(order: str) -> None:
    lines = ["element vertex 2", "property list uchar float history", *(f"property double {a}" for a in "xyz")]
    body = struct.pack(order + "B2f3d", 2, 9, 9, 1, 2, 3) + struct.pack(order + "B3d", 0, 4, 5, 6)
    got = ply.read(header(KIND[order], *lines) + body, "a.ply")
    assert got.points.tolist() == [[1, 2, 3], [4, 5, 6]]


def test_equal_vertices_of_a_mesh_are_joined_and_loose_ones_dropped() -> None:
    # Two triangles with corners of their own along a common edge, and a vertex that no face uses.
    points = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [9, 9, 9]]
    lines = ["element vertex 7", *(f"property float {a}" for a in "xyz"), "element face 2"]
    lines.append("property list uchar int vertex_indices")
    body = binary("<", ["float"] * 3, points) + struct.pack("<B3iB3i", 3, 0, 1, 2, 3, 3, 4, 5)
    got = ply.read(header(KIND["<"], *lines) + body, "a.ply")
    assert got.points.tolist() == [[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0]]
    assert got.triangles is not None and got.triangles.tolist() == [[0, 1, 2], [1, 3, 2]]
    assert got.notes == ("2 vertices with equal coordinates joined", "1 vertices belong to no triangle; dropped")


def test_ascii_keeps_every_digit(cloud: np.ndarray) -> None:
    lines = ["element vertex 200", *(f"property double {a}" for a in "xyz")]
    body = "\n".join(" ".join(repr(float(v)) for v in p) for p in cloud).encode()
    got = ply.read(header("ascii", *lines) + body, "a.ply")
    assert np.array_equal(got.points, cloud)


def test_trailing_bytes_are_noted() -> None:
    data = header(KIND["<"], "element vertex 1", *(f"property float {a}" for a in "xyz")) + struct.pack("<3f", 1, 2, 3)
    got = ply.read(data + b"rubbish", "a.ply")
    assert got.notes == (f"7 bytes after the end of the data ignored (from byte {len(data)})",)


def test_single_precision_far_away_is_noted() -> None:
    rows = [[660111.6 + i * 0.01, 230844.1, 122.0] for i in range(50)]
    data = header(KIND["<"], "element vertex 50", *(f"property float {a}" for a in "xyz"))
    got = ply.read(data + binary("<", ["float"] * 3, rows), "a.ply")
    assert "single precision far from the origin: they move in steps of 0.0625" in got.notes[-1]


XYZ = [f"property float {a}" for a in "xyz"]
GOOD = struct.pack("<3f", 1, 2, 3)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"plx\n", "f.ply (byte 0): does not begin with 'ply'"),
        (b"ply\nformat ascii 1.0\nelement vertex 3\n", "f.ply (line 4): the header is not closed by 'end_header'"),
        (header("binary", "element vertex 1", *XYZ), "f.ply (line 2): unknown format"),
        (header("ascii", "element vertex -1", *XYZ), "f.ply (line 3): an element needs a name and a count"),
        (header("ascii", "element vertex 1 " + XYZ[0]), "f.ply (line 3): an element needs a name and a count, and"),
        (header("ascii", "element vertex 1", *XYZ, "element face 2"), "f.ply (line 7): the element 'face' has 2 rows"),
        (header("ascii", "property float x"), "f.ply (line 3): a property stands before the first element"),
        (header("ascii", "element vertex 1", "property real x"), "f.ply (line 4): unknown property 'real x'"),
        (header("ascii", "element vertex 1", *XYZ[:2]) + b"1 2\n", "f.ply (line 3): the vertices have no property 'z'"),
        (header("ascii", "element face 0", "property list uchar int vertex_indices"), "has no element 'vertex'"),
        (header(KIND["<"], "element vertex 0", *XYZ), "holds no points"),
        (header(KIND["<"], "element vertex 999999999999", *XYZ) + GOOD, "announces 999999999999 of element 'vertex'"),
        (header("ascii", "element vertex 999999999999", *XYZ) + b"1 2 3\n", "announces 999999999999"),
        (header(KIND["<"], "element vertex 1", *XYZ) + GOOD[:-1], "at least 12 bytes, but only 11 are left"),
        (header("ascii", "element vertex 2", *XYZ) + b"1 2 3\n4.00 5\n", "(line 9): a vertex line must have 3 numbers"),
        (header("ascii", "element vertex 2", *XYZ) + b"1 2 3\n4 5 6 7\n", "f.ply (line 9): a vertex line must have 3"),
        (header("ascii", "element vertex 2", *XYZ) + b"1 2 3\n4 b 6\n", "f.ply (line 9): is not a number"),
        (header(KIND["<"], "element vertex 1", *XYZ) + struct.pack("<3f", 1, 2, float("nan")), "no point has finite"),
        (
            header(KIND["<"], "element vertex 1", *XYZ, "element face 1", "property list uchar int vertex_indices")
            + GOOD
            + struct.pack("<B3i", 3, 0, 0, 1),
            "a face refers to vertex 1, but there are 1",
        ),
        (
            header(KIND["<"], "element vertex 1", *XYZ, "element face 1", "property list uchar int vertex_indices")
            + GOOD
            + struct.pack("<B3i", 200, 0, 0, 0),
            "row 0 of 1 of element 'face' is cut off",
        ),
        (
            header(KIND["<"], "element vertex 1", *XYZ, "element face 1", "property list char int vertex_indices")
            + GOOD
            + struct.pack("<b3i", -3, 0, 0, 0),
            "has a list of negative length",
        ),
        (
            header("ascii", "element vertex 1", *XYZ, "element face 1", "property list char int vertex_indices")
            + b"1 2 3\n3 0 0\n",
            "f.ply (line 11): row 0 of 1 of element 'face' has too few values",
        ),
    ],
)  # fmt: skip
def test_refusals_name_the_place(data: bytes, message: str) -> None:
    with pytest.raises(InputError) as caught:
        ply.read(data, "f.ply")
    assert message in str(caught.value)


def test_missing_points_are_dropped_up_to_half() -> None:
    nan = float("nan")
    head = header(KIND["<"], "element vertex 4", *XYZ)
    good = ply.read(head + binary("<", ["float"] * 3, [[1, 1, 1], [nan, 0, 0], [2, 2, 2], [0, float("inf"), 0]]), "f")
    assert good.points.tolist() == [[1, 1, 1], [2, 2, 2]]
    assert good.notes == ("2 of 4 points without finite coordinates dropped",)
    with pytest.raises(InputError, match=r"first at point 1\): 3 of 4 points have no finite coordinates"):
        ply.read(head + binary("<", ["float"] * 3, [[1, 1, 1], [nan] * 3, [nan] * 3, [nan] * 3]), "f")


def test_signalling_nan_is_a_missing_point(recwarn: pytest.WarningsRecorder) -> None:
    body = GOOD + struct.pack("<I", 0x7F800001) + GOOD[4:]
    got = ply.read(header(KIND["<"], "element vertex 2", *XYZ) + body, "f")
    assert got.points.tolist() == [[1, 2, 3]] and len(recwarn) == 0


def test_repeated_points_are_kept_and_noted(cloud: np.ndarray) -> None:
    doubled = np.repeat(cloud, 2, axis=0)
    file = io.BytesIO()
    ply.write(file, doubled)
    got = ply.read(file.getvalue(), "f")
    assert np.array_equal(got.points, doubled)
    assert got.notes == ("about 50 % of the points repeat another point exactly; kept",)


@pytest.mark.parametrize("double", [True, False])
def test_write_then_read(double: bool, tetrahedron: tuple[np.ndarray, np.ndarray], cloud: np.ndarray) -> None:
    points, triangles = tetrahedron
    file = io.BytesIO()
    ply.write(file, points, triangles=triangles, double=double, comment="two\nlines")
    mesh = ply.read(file.getvalue(), "f")
    assert np.array_equal(mesh.points, points) and np.array_equal(mesh.triangles, triangles)
    normals = cloud / np.linalg.norm(cloud, axis=1)[:, None]
    file = io.BytesIO()
    ply.write(file, cloud, normals=normals, double=double)
    back = ply.read(file.getvalue(), "f")
    assert np.array_equal(back.points, cloud if double else cloud.astype(np.float32).astype(np.float64))
    assert back.normals is not None and np.abs(back.normals - normals).max() < 1e-7


def test_written_file_is_read_alike_by_an_independent_library(tmp_path, tetrahedron) -> None:
    """Oracle: Open3D's own PLY reader."""
    import open3d

    points, triangles = tetrahedron
    with (tmp_path / "a.ply").open("wb") as file:
        ply.write(file, points, triangles=triangles)
    mesh = open3d.io.read_triangle_mesh(str(tmp_path / "a.ply"))
    assert np.array_equal(np.asarray(mesh.vertices), points)
    assert np.array_equal(np.asarray(mesh.triangles), triangles)
    for ascii_file in (True, False):
        open3d.io.write_triangle_mesh(str(tmp_path / "b.ply"), mesh, write_ascii=ascii_file)
        got = ply.read((tmp_path / "b.ply").read_bytes(), "b.ply")
        assert np.array_equal(got.points, points) and np.array_equal(got.triangles, triangles)
