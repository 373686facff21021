"""Damaged files of every format: refused with InputError or read as a valid geometry, in bounded memory.

Memory is bounded by the system's limit on address space while the loop runs; an allocation beyond it is a MemoryError,
which fails the test.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pytest

from runner.diagnostics import InputError
from runner.formats import obj, pcd, ply, ptx, stl, text
from runner.geometry.mesh import ScanGeometry

VARIANTS = 400
ROOM = 300 << 20


@contextmanager
def bounded_memory(room: int = ROOM) -> Iterator[None]:
    """At most ``room`` bytes more than now."""
    resource = pytest.importorskip("resource")
    try:
        with open("/proc/self/statm") as file:  # noqa: PTH123
            used = int(file.read().split()[0]) * resource.getpagesize()
    except OSError:
        pytest.skip("the size of this process is not known here")
    old = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (used + room, old[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, old)


def sheet(count: int = 8) -> tuple[np.ndarray, np.ndarray]:
    """A bent sheet of ``count`` x ``count`` vertices."""
    x, y = np.meshgrid(np.arange(count), np.arange(count), indexing="ij")
    points = np.stack([x, y, 0.1 * x * y], axis=-1).reshape(-1, 3).astype(float)
    index = np.arange(count * count).reshape(count, count)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    triangles = np.concatenate([np.stack(s, axis=-1).reshape(-1, 3) for s in ((a, b, c), (a, c, d))])
    return points, triangles


def examples() -> dict[str, tuple[object, bytes]]:
    points, triangles = sheet()
    rows = "".join(f"{x:.3f} {y:.3f} {z:.3f}\n" for x, y, z in points)
    found: dict[str, tuple[object, bytes]] = {}
    for name, order in (("binary_little_endian", "<"), ("binary_big_endian", ">")):
        head = f"ply\nformat {name} 1.0\ncomment x\nelement vertex {len(points)}\nproperty float x\nproperty float y\n"
        head += f"property double z\nproperty uchar red\nelement face {len(triangles)}\n"
        head += "property list uchar int vertex_indices\nproperty uchar flag\nend_header\n"
        body = b"".join(struct.pack(order + "ffdB", *p, 7) for p in points)
        body += b"".join(struct.pack(order + "B3iB", 3, *t, 1) for t in triangles)
        found[f"ply {order}"] = (ply, head.encode() + body)
    head = (
        f"ply\nformat ascii 1.0\nelement vertex {len(points)}\nproperty float x\nproperty float y\nproperty float z\n"
    )
    head += f"element face {len(triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    found["ply ascii"] = (ply, (head + rows + "".join(f"3 {a} {b} {c}\n" for a, b, c in triangles)).encode())
    file = io.BytesIO()
    stl.write(file, points, triangles)
    found["stl binary"] = (stl, file.getvalue())
    facets = "".join(
        "facet normal 0 0 1\nouter loop\n"
        + "".join("vertex {:.4f} {:.4f} {:.4f}\n".format(*points[v]) for v in t)
        + "endloop\nendfacet\n"
        for t in triangles[:40]
    )
    found["stl ascii"] = (stl, ("solid a\n" + facets + "endsolid a\n").encode())
    lines = "".join(f"v {r}\n" for r in rows.splitlines()) + "vn 0 0 1\n"
    lines += "".join(f"f {a + 1}//1 {b + 1}//1 {c + 1}//1\n" for a, b, c in triangles)
    found["obj"] = (obj, lines.encode())
    found["xyz"] = (text, rows.encode())
    found["csv"] = (text, ("x,y,z,label\n" + "".join(r.replace(" ", ",") + ",a\n" for r in rows.splitlines())).encode())
    found["txt comma"] = (text, rows.replace(".", ",").replace(" ", ";").encode())
    found["pts"] = (text, (f"{len(points)}\n" + "".join(r + " 5 1 2 3\n" for r in rows.splitlines())).encode())
    grid = "8\n8\n0 0 0\n1 0 0\n0 1 0\n0 0 1\n1 0 0 0\n0 1 0 0\n0 0 1 0\n0 0 0 1\n"
    found["ptx"] = (ptx, (grid + "".join(r + " 0.5\n" for r in rows.splitlines())).encode())
    head = "# .PCD v0.7\nVERSION 0.7\nFIELDS x y z normal_x normal_y normal_z\nSIZE 4 4 4 4 4 4\nTYPE F F F F F F\n"
    head += f"COUNT 1 1 1 1 1 1\nWIDTH 8\nHEIGHT 8\nVIEWPOINT 0 0 0 1 0 0 0\nPOINTS {len(points)}\nDATA "
    full = np.hstack([points, np.tile([0.0, 0.0, 1.0], (len(points), 1))]).astype("<f4")
    found["pcd ascii"] = (pcd, (head + "ascii\n" + "".join(r + " 0 0 1\n" for r in rows.splitlines())).encode())
    found["pcd binary"] = (pcd, (head + "binary\n").encode() + full.tobytes())
    plain = np.ascontiguousarray(full.T).tobytes()
    # Runs as they are, and the zeros at the end of each as one long copy where possible.
    packed = b"".join(bytes([31]) + plain[i : i + 32] for i in range(0, 1024, 32))
    packed += bytes([31]) + plain[1024:1056] + bytes([0xE0, 255 - 32, 3]) + b""
    rest = len(plain) - (1056 + 255 - 32 + 9)
    tail = plain[len(plain) - rest :]
    packed += b"".join(bytes([len(tail[i : i + 32]) - 1]) + tail[i : i + 32] for i in range(0, len(tail), 32))
    found["pcd packed"] = (
        pcd,
        (head + "binary_compressed\n").encode() + struct.pack("<II", len(packed), len(plain)) + packed,
    )
    return found


def mutate(data: bytes, rng: np.random.Generator) -> bytes:
    """One to three damages of the kinds that copying, editing and bad exporters do."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 4))):
        if not out:
            break
        at = int(rng.integers(len(out)))
        # Half of the damages hit the header, where the claims are.
        if rng.random() < 0.5:
            at = int(rng.integers(min(len(out), 300)))
        kind = int(rng.integers(8))
        if kind == 0:
            del out[at:]
        elif kind == 1:
            out[at] ^= 1 << int(rng.integers(8))
        elif kind == 2:
            out[at] = int(rng.integers(256))
        elif kind == 3:
            del out[at : at + int(rng.integers(1, 20))]
        elif kind == 4:
            out[at:at] = rng.bytes(int(rng.integers(1, 9)))
        elif kind == 5:
            # A huge or negative number in place of one that is there, in text or in binary.
            digits = [i for i in range(len(out)) if 48 <= out[i] <= 57]
            if digits:
                i = digits[int(rng.integers(len(digits)))]
                huge = (b"999999999999", b"4294967295", b"-1", b"2147483648", b"1e308", b"nan")
                out[i : i + 1] = huge[int(rng.integers(len(huge)))]
        elif kind == 6:
            out[at : at + 4] = struct.pack("<I", int(rng.choice([0, 0x7FFFFFFF, 0xFFFFFFFF, 0x80000000])))[
                : len(out) - at
            ]
        else:
            other = int(rng.integers(len(out)))
            out[at : at + 40] = out[other : other + 40]
    return bytes(out)


def check(got: ScanGeometry) -> None:
    """What every reader promises."""
    assert got.points.dtype == np.float64 and got.points.ndim == 2 and got.points.shape[1] == 3
    assert len(got.points) > 0 and np.isfinite(got.points).all()
    assert np.isfinite((got.points**2).sum())
    if got.triangles is not None:
        assert got.triangles.dtype == np.int32 and len(got.triangles) > 0
        assert got.triangles.min() >= 0 and got.triangles.max() < len(got.points)
        assert len(np.unique(got.triangles)) == len(got.points)
    if got.normals is not None:
        assert got.normals.shape == got.points.shape
        assert np.abs(np.linalg.norm(got.normals, axis=1) - 1.0).max() < 1e-6


@pytest.mark.parametrize("name", list(examples()))
def test_damaged_files(name: str) -> None:
    reader, data = examples()[name]
    whole = reader.read(data, name)  # type: ignore[attr-defined]
    check(whole)
    assert len(whole.points) == {"stl ascii": 53, "ptx": 63}.get(name, 64)
    rng = np.random.default_rng(sum(name.encode()))
    refused = 0
    with bounded_memory():
        for number in range(VARIANTS):
            damaged = mutate(data, rng)
            try:
                got = reader.read(damaged, name)  # type: ignore[attr-defined]
            except InputError as error:
                assert str(error).startswith(name)
                refused += 1
                continue
            except BaseException as error:
                raise AssertionError(f"variant {number}: {type(error).__name__}: {error}") from error
            check(got)
            assert len(got.points) <= 8 * len(damaged)
    assert refused > VARIANTS // 5, "the damages hardly damage anything"


TEXTS = [name for name in examples() if name in ("obj", "xyz", "csv", "txt comma", "pts", "ptx") or "ascii" in name]


@pytest.mark.parametrize("name", TEXTS)
@pytest.mark.parametrize("size", [1, 2, 60])
def test_a_hole_of_zero_bytes(name: str, size: int) -> None:
    """As a broken copy leaves it: wherever it begins and ends in the body of a text, it is refused."""
    reader, data = examples()[name]
    for place in range(400 if "ascii" in name else 0, len(data) - size - 2, 7):
        with pytest.raises(InputError):
            reader.read(data[:place] + bytes(size) + data[place + size :], name)  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", list(examples()))
def test_every_length(name: str) -> None:
    """Cut off after every few bytes: a format that states its length, or its end, is refused.

    In text the last number itself may be cut where nothing tells; so the last bytes are left out there.
    """
    reader, data = examples()[name]
    endless = name in ("xyz", "csv", "txt comma", "obj")
    last = len(data) - (20 if name in ("ply ascii", "pts", "ptx", "pcd ascii", "stl ascii") else 0)
    for length in range(0, len(data), max(1, len(data) // 400)):
        try:
            got = reader.read(data[:length], name)  # type: ignore[attr-defined]
        except InputError:
            continue
        check(got)
        assert endless or length >= last, f"read though cut off after {length} of {len(data)} bytes"
