from __future__ import annotations

import io
import struct

import numpy as np
import pytest

from runner.diagnostics import InputError
from runner.formats import stl


def binary(corners: np.ndarray, *, head: bytes = b"exported", count: int | None = None) -> bytes:
    """Records packed one by one; facet normals left zero."""
    out = head.ljust(80, b" ")[:80] + struct.pack("<I", len(corners) if count is None else count)
    return out + b"".join(struct.pack("<12fH", 0, 0, 0, *c.ravel(), 0) for c in corners)


def text(corners: np.ndarray, *, end: str = "\n", number: str = "{!r}") -> bytes:
    lines = ["solid part"]
    for facet in corners:
        lines += ["  facet normal 0 0 0", "    outer loop"]
        lines += ["      vertex " + " ".join(number.format(float(v)) for v in corner) for corner in facet]
        lines += ["    endloop", "  endfacet"]
    return (end.join([*lines, "endsolid part"]) + end).encode()


@pytest.mark.parametrize("head", [b"exported", b"solid part of something", b"solid\0\0", b""])
def test_binary_whatever_the_header_says(head: bytes, tetrahedron: tuple[np.ndarray, np.ndarray]) -> None:
    points, triangles = tetrahedron
    got = stl.read(binary(points[triangles], head=head), "a.stl")
    assert got.triangles is not None and len(got.points) == 4
    assert np.array_equal(got.points[got.triangles], points[triangles])
    assert got.notes == ()


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("number", ["{!r}", "{:.6e}", "{:+.8E}"])
def test_ascii(end: str, number: str, tetrahedron: tuple[np.ndarray, np.ndarray]) -> None:
    points, triangles = tetrahedron
    got = stl.read(text(points[triangles], end=end, number=number), "a.stl")
    assert got.triangles is not None and len(got.points) == 4
    assert np.array_equal(got.points[got.triangles], points[triangles])


def test_ascii_in_capitals_with_two_solids(tetrahedron: tuple[np.ndarray, np.ndarray]) -> None:
    points, triangles = tetrahedron
    data = text(points[triangles[:2]]).upper() + text(points[triangles[2:]])
    got = stl.read(data, "a.stl")
    assert got.triangles is not None
    assert np.array_equal(got.points[got.triangles], points[triangles])


def test_ascii_with_the_word_vertex_in_a_name(tetrahedron: tuple[np.ndarray, np.ndarray]) -> None:
    points, triangles = tetrahedron
    data = text(points[triangles]).replace(b"solid part", b"solid my vertex list, vertex ")
    got = stl.read(data, "a.stl")
    assert got.triangles is not None and np.array_equal(got.points[got.triangles], points[triangles])


def test_plus_and_minus_zero_are_one_vertex() -> None:
    corners = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]], [[-0.0, 0, 0], [0, 1, 0], [-1, 0, 0]]])
    got = stl.read(binary(corners), "a.stl")
    assert len(got.points) == 4


def test_triangles_without_area_are_dropped_and_counted(tetrahedron: tuple[np.ndarray, np.ndarray]) -> None:
    points, triangles = tetrahedron
    corners = np.concatenate([points[triangles], [[points[0], points[0], points[1]]]])
    got = stl.read(binary(corners), "a.stl")
    assert got.triangles is not None and len(got.triangles) == 4
    assert got.notes == ("1 of 5 triangles have two equal corners; dropped",)


def test_welding_against_sorting() -> None:
    """Oracle: numpy's sorting unique; 30,000 triangles drawn from few points, so that every block meets the others."""
    rng = np.random.default_rng(3)
    pool = rng.normal(0, 10, (5000, 3)).astype(np.float32)
    corners = pool[rng.integers(0, len(pool), (30000, 3))]
    got = stl.read(binary(corners.astype(np.float64)), "a.stl")
    distinct = (corners[:, 0] != corners[:, 1]).any(1) & (corners[:, 1] != corners[:, 2]).any(1)
    distinct &= (corners[:, 2] != corners[:, 0]).any(1)
    assert got.triangles is not None
    assert np.array_equal(got.points[got.triangles], corners[distinct].astype(np.float64))
    assert len(got.points) == len(np.unique(corners[distinct].reshape(-1, 3), axis=0))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d[:50], "is too short for an STL file (50 bytes"),
        (lambda d: d[:-1], "f.stl (byte 283): the header announces 4 triangles, 284 bytes, but the file has 283"),
        (lambda d: d[:80] + struct.pack("<I", 4_000_000_000) + d[84:], "announces 4000000000 triangles"),
        (lambda d: d[:80] + struct.pack("<I", 0), "f.stl (byte 80): holds no triangles"),
    ],
)
def test_binary_refusals(change, message: str, tetrahedron: tuple[np.ndarray, np.ndarray]) -> None:
    points, triangles = tetrahedron
    with pytest.raises(InputError) as caught:
        stl.read(change(binary(points[triangles])), "f.stl")
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d[: d.rindex(b"endsolid")], "the solid is not closed by 'endsolid'"),
        (lambda d: d[: d.rindex(b"vertex") + 10], "a vertex must have three numbers"),
        (lambda d: d[: d.rindex(b"vertex") - 3], "a facet does not have three vertices"),
        (lambda d: d.replace(b"2.25", b"2.\f5", 1), "f.stl (line 5): a vertex must have three numbers"),
        (lambda d: d.replace(b"2.25", b"2. 5", 1), "(line 5): a vertex must have three numbers, and nothing else"),
        (lambda d: d.replace(b"2.25", b"2,25", 1), "f.stl (line 5): a vertex must have three numbers"),
        (lambda d: b"solid nothing here at all, but a long enough line to be taken for text, and then some more"
         b"\nendsolid\n", "holds no triangles"),
    ],
)  # fmt: skip
def test_ascii_refusals(change, message: str, tetrahedron: tuple[np.ndarray, np.ndarray]) -> None:
    points, triangles = tetrahedron
    with pytest.raises(InputError) as caught:
        stl.read(change(text(points[triangles])), "f.stl")
    assert message in str(caught.value)


def test_trailing_bytes_are_noted(tetrahedron: tuple[np.ndarray, np.ndarray]) -> None:
    points, triangles = tetrahedron
    got = stl.read(binary(points[triangles]) + b"xx", "f.stl")
    assert got.notes == ("2 bytes after the last triangle ignored (from byte 284)",)


def test_missing_corners() -> None:
    corners = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]], [[np.nan, 0, 0], [0, 1, 0], [-1, 0, 0]]])
    got = stl.read(binary(corners), "a.stl")
    assert got.triangles is not None and got.triangles.tolist() == [[0, 1, 2]]
    assert got.notes[0] == "1 of 5 points without finite coordinates dropped"


def test_write_then_read_here_and_by_an_independent_library(tmp_path, tetrahedron) -> None:
    """Oracle: Open3D's own STL reader."""
    points, triangles = tetrahedron
    file = io.BytesIO()
    stl.write(file, points, triangles)
    got = stl.read(file.getvalue(), "a.stl")
    assert got.triangles is not None
    assert np.array_equal(got.points[got.triangles], points[triangles])
    import open3d

    (tmp_path / "a.stl").write_bytes(file.getvalue())
    mesh = open3d.io.read_triangle_mesh(str(tmp_path / "a.stl"))
    assert np.array_equal(np.asarray(mesh.vertices)[np.asarray(mesh.triangles)], points[triangles])
    mesh.compute_triangle_normals()
    normals = np.frombuffer(file.getvalue()[84:], dtype=np.dtype([("n", "<f4", 3), ("rest", "V38")]))["n"]
    assert np.abs(normals - np.asarray(mesh.triangle_normals)).max() < 1e-6
