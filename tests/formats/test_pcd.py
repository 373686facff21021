from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.diagnostics import InputError
from runner.formats import pcd
from runner.formats.lzf import decompress

PACK = {"F4": "f", "F8": "d", "I1": "b", "I2": "h", "I4": "i", "U1": "B", "U2": "H", "U4": "I", "U8": "Q"}
ROWS = [(1.5, 2.5, 3.5), (-4.25, 5.0, 6.0), (7.0, 8.0, 9.125)]


def literal_lzf(data: bytes) -> bytes:
    """The simplest legal stream: runs of up to 32 bytes as they are (length minus one, then the bytes)."""
    return b"".join(bytes([len(data[i : i + 32]) - 1]) + data[i : i + 32] for i in range(0, len(data), 32))


def file(
    kind: str,
    rows: list[tuple[float, ...]],
    fields: str = "x y z",
    types: str = "F4 F4 F4",
    counts: list[int] | None = None,
    *,
    end: str = "\n",
    **change: object,
) -> bytes:
    """A PCD file; ``change`` replaces header values."""
    codes = types.split()
    counts = counts or [1] * len(codes)
    values = {
        "VERSION": "0.7", "FIELDS": fields, "SIZE": " ".join(c[1:] for c in codes),
        "TYPE": " ".join(c[0] for c in codes),
        "COUNT": " ".join(map(str, counts)), "WIDTH": len(rows), "HEIGHT": 1, "VIEWPOINT": "0 0 0 1 0 0 0",
        "POINTS": len(rows), "DATA": kind, **change,
    }  # fmt: skip
    head = "# .PCD v0.7 - Point Cloud Data file format" + end
    head += "".join(f"{key} {value}{end}" for key, value in values.items() if value is not None)
    each = [code for code, n in zip(codes, counts, strict=True) for _ in range(n)]
    if kind == "ascii":
        body = end.join(" ".join(map(str, row)) for row in rows).encode() + end.encode()
    elif kind == "binary":
        body = b"".join(struct.pack("<" + "".join(PACK[c] for c in each), *row) for row in rows)
    else:
        plain = b""
        column = 0
        for code, n in zip(codes, counts, strict=True):
            plain += b"".join(struct.pack(f"<{n}{PACK[code]}", *row[column : column + n]) for row in rows)
            column += n
        packed = literal_lzf(plain)
        body = struct.pack("<II", len(packed), len(plain)) + packed
    return head.encode() + body


@pytest.mark.parametrize("kind", ["ascii", "binary", "binary_compressed"])
@pytest.mark.parametrize("number", ["F4", "F8"])
def test_three_kinds(kind: str, number: str) -> None:
    got = pcd.read(file(kind, ROWS, types=f"{number} {number} {number}"), "a.pcd")
    assert np.array_equal(got.points, ROWS)
    assert got.normals is None and got.triangles is None and got.notes == ()


@pytest.mark.parametrize("kind", ["ascii", "binary", "binary_compressed"])
def test_extra_fields_counts_and_normals(kind: str) -> None:
    rows = [
        (7, 1, 2, 3, 3.5, 0, 1.5, 0, 2.5, -2, 9),
        (8, 4, 5, 6, 6.5, 0, 4.5, 0, 5.5, -1, 9),
    ]
    fields = "label histogram z normal_x x normal_y y normal_z rgb"
    types = "U2 I4 F8 F4 F4 F4 F4 F4 U4"
    got = pcd.read(file(kind, rows, fields, types, [1, 3, 1, 1, 1, 1, 1, 1, 1]), "a.pcd")
    assert got.points.tolist() == [[1.5, 2.5, 3.5], [4.5, 5.5, 6.5]]
    assert got.normals is not None and got.normals.tolist() == [[0, 0, -1], [0, 0, -1]]


def test_padding_fields_line_ends_and_old_header() -> None:
    got = pcd.read(
        file("ascii", [(1, 2, 3, 0)], "x y z _", "F4 F4 F4 U1", end="\r\n", COUNT=None, VIEWPOINT=None), "a.pcd"
    )
    assert got.points.tolist() == [[1, 2, 3]]
    got = pcd.read(file("binary", [(1, 0, 2, 0, 3)], "x _ y _ z", "F4 U1 F4 U1 F4"), "a.pcd")
    assert got.points.tolist() == [[1, 2, 3]]
    got = pcd.read(file("binary", ROWS, POINTS=None), "a.pcd")
    assert len(got.points) == 3


def test_organised_cloud_may_be_mostly_empty() -> None:
    nan = float("nan")
    rows = [(nan, nan, nan)] * 7 + [ROWS[0]]
    got = pcd.read(file("binary", rows, WIDTH=4, HEIGHT=2), "a.pcd")
    assert got.points.tolist() == [list(ROWS[0])]
    assert got.notes == ("7 of 8 points without finite coordinates dropped",)
    with pytest.raises(InputError, match="no point has finite coordinates"):
        pcd.read(file("ascii", [(nan, nan, nan)]), "a.pcd")


def test_viewpoint_is_noted() -> None:
    got = pcd.read(file("binary", ROWS, VIEWPOINT="1 2 3 1 0 0 0"), "a.pcd")
    assert got.notes == ("the file states a viewpoint; the points are taken as they are",)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "the header has no line DATA"),
        (b"VERSION 0.7\nHELLO\n", "f.pcd (line 2): unknown header word 'HELLO'"),
        (file("binary", ROWS, SIZE=None), "has no line SIZE"),
        (file("binary", ROWS, SIZE="4 4"), "f.pcd (line 4): SIZE must give a whole number for each of the 3 fields"),
        (file("binary", ROWS, TYPE="F F"), "f.pcd (line 5): TYPE has 2 entries for 3 fields"),
        (file("binary", ROWS, TYPE="F F Q"), "there is no type Q of 4 bytes"),
        (file("binary", ROWS, SIZE="4 4 3"), "there is no type F of 3 bytes"),
        (file("binary", ROWS, "x y w"), "f.pcd (line 3): there must be one field z"),
        (file("binary", ROWS, WIDTH="many"), "f.pcd (line 7): WIDTH must be one whole number"),
        (file("binary", ROWS, WIDTH=7), "WIDTH times HEIGHT is 7, but POINTS is 3"),
        (file("binary", ROWS, WIDTH=None, POINTS=None), "gives neither POINTS nor WIDTH"),
        (file("binary", ROWS, HEIGHT=None, POINTS=None), "gives neither POINTS nor WIDTH and HEIGHT"),
        (file("binary", [], WIDTH=0, POINTS=0), "holds no points"),
        (file("binary", ROWS, DATA="zip"), "unknown kind of DATA 'zip'"),
        (file("binary", ROWS, WIDTH=10**14, POINTS=10**14), f"announces {10**14} points"),
        (file("ascii", ROWS, WIDTH=10**14, POINTS=10**14), f"announces {10**14} points"),
        (file("binary_compressed", ROWS, WIDTH=10**8, POINTS=10**8), "points take 1200000000 bytes, but the block"),
        (file("binary", ROWS)[:-1], "36 bytes, but only 35 follow"),
        (file("binary_compressed", ROWS)[:-1], "38 compressed bytes are announced for 36"),
        (file("ascii", ROWS)[:-7], "f.pcd (line 14): point 2 of 3 does not have 3 values"),
        (file("ascii", ROWS).replace(b"-4.25", b"-4,25"), "f.pcd (line 13): something else stands"),
    ],
)
def test_refusals_name_the_place(data: bytes, message: str) -> None:
    with pytest.raises(InputError) as caught:
        pcd.read(data, "f.pcd")
    assert message in str(caught.value)


def test_compressed_claims_are_bounded() -> None:
    """Three bytes of LZF give at most 264: a block that announces more is refused before it is allocated."""
    head = file("binary_compressed", [], WIDTH=10**8, POINTS=10**8)[:-8]
    data = head + struct.pack("<II", 10, 12 * 10**8) + bytes(10)
    with pytest.raises(InputError, match="10 compressed bytes are announced for 1200000000"):
        pcd.read(data, "f.pcd")


def lzf(data: bytes) -> bytes:
    """A plain greedy compressor of the published stream format, for tests: literals, short and long copies."""
    out = bytearray()
    pending = bytearray()

    def flush() -> None:
        for i in range(0, len(pending), 32):
            run = pending[i : i + 32]
            out.append(len(run) - 1)
            out.extend(run)
        pending.clear()

    i = 0
    while i < len(data):
        best, back = 0, 0
        for b in range(1, min(i, 60) + 1):
            n = 0
            while n < 264 and i + n < len(data) and data[i + n] == data[i + n - b]:
                n += 1
            if n > best:
                best, back = n, b
        if best >= 3:
            flush()
            n, b = best - 2, back - 1
            if n < 7:
                out += bytes([(n << 5) | (b >> 8), b & 255])
            else:
                out += bytes([(7 << 5) | (b >> 8), n - 7, b & 255])
            i += best
        else:
            pending.append(data[i])
            i += 1
    flush()
    return bytes(out)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.binary(min_size=1, max_size=5), st.integers(1, 200)), max_size=20))
def test_lzf_comes_back(parts: list[tuple[bytes, int]]) -> None:
    plain = b"".join(piece * times for piece, times in parts)
    target = np.zeros(len(plain), dtype=np.uint8)
    _, filled, state = decompress(np.frombuffer(lzf(plain), dtype=np.uint8), target)
    assert state == 0 and filled == len(plain) and target.tobytes() == plain


def test_lzf_copy_from_before_the_beginning() -> None:
    assert decompress(np.array([0x20, 5, 0], dtype=np.uint8), np.zeros(9, dtype=np.uint8))[2] == 3
    assert decompress(np.array([5, 1, 2], dtype=np.uint8), np.zeros(9, dtype=np.uint8))[2] == 1
    assert decompress(np.array([1, 1, 2], dtype=np.uint8), np.zeros(1, dtype=np.uint8))[2] == 2


def test_against_an_independent_library(tmp_path) -> None:
    """Oracle: Open3D writes all three kinds."""
    import open3d

    rng = np.random.default_rng(5)
    points = np.round(rng.normal(0, 50, (500, 3)), 2).astype(np.float32).astype(np.float64)
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points))
    normals = points / np.linalg.norm(points, axis=1)[:, None]
    cloud.normals = open3d.utility.Vector3dVector(normals)
    for ascii_file, compressed in ((True, False), (False, False), (False, True)):
        path = tmp_path / "a.pcd"
        open3d.io.write_point_cloud(str(path), cloud, write_ascii=ascii_file, compressed=compressed)
        got = pcd.read(path.read_bytes(), "a.pcd")
        assert np.abs(got.points - points).max() <= (1e-5 if ascii_file else 0.0)
        assert got.normals is not None and np.abs(got.normals - normals).max() < 1e-5
