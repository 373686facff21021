from __future__ import annotations

import hashlib
import os
import struct
from pathlib import Path

import numpy as np
import pytest

from runner.diagnostics import InputError
from runner.scan import read as module
from runner.scan.read import read_scan, sniff

XYZ = b"1.0 2.0 3.0\n4.0 5.0 6.0\n7.0 8.0 9.5\n"
OBJ = b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n"
PLY = b"ply\nformat ascii 1.0\nelement vertex 1\n"
PLY += b"property float x\nproperty float y\nproperty float z\nend_header\n1 2 3\n"
STL_TEXT = b"solid a\nfacet normal 0 0 1\nouter loop\n"
STL_TEXT += b"vertex 0 0 0\nvertex 1 0 0\nvertex 0 1 0\nendloop\nendfacet\nendsolid a\n"
STL_BINARY = b"made".ljust(80) + struct.pack("<I12fH", 1, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0)
PCD = b"VERSION 0.7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nWIDTH 1\nHEIGHT 1\nPOINTS 1\nDATA ascii\n1 2 3\n"
PTX = b"1\n1\n0 0 0\n1 0 0\n0 1 0\n0 0 1\n1 0 0 0\n0 1 0 0\n0 0 1 0\n0 0 0 1\n1 2 3 0.5\n"


def put(folder: Path, name: str, data: bytes) -> Path:
    (folder / name).write_bytes(data)
    return folder / name


def test_record_of_the_file(tmp_path: Path) -> None:
    path = put(tmp_path, "VH-104_0007.xyz", XYZ)
    scan = read_scan(path)
    assert scan.file.name == "VH-104_0007.xyz"
    assert scan.file.sha256 == hashlib.sha256(XYZ).hexdigest()
    assert (scan.file.size_bytes, scan.file.points, scan.file.triangles, scan.file.unit) == (len(XYZ), 3, 0, "mm")
    assert scan.geometry.points.tolist() == [[1, 2, 3], [4, 5, 6], [7, 8, 9.5]]


@pytest.mark.parametrize(("unit", "factor"), [("mm", 1.0), ("m", 1000.0), ("in", 25.4)])
def test_units(tmp_path: Path, unit: str, factor: float) -> None:
    """1 in = 25.4 mm exactly (ISO 80000-3)."""
    scan = read_scan(put(tmp_path, "a.xyz", XYZ), unit=unit)  # type: ignore[arg-type]
    assert np.allclose(scan.geometry.points[2], np.array([7, 8, 9.5]) * factor, rtol=1e-15)
    assert scan.file.unit == unit
    with pytest.raises(ValueError, match="none of mm, m, in"):
        read_scan(tmp_path / "a.xyz", unit="cm")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "data", "points", "triangles"),
    [
        ("a.ply", PLY, 1, 0), ("a.PLY", PLY, 1, 0), ("a.stl", STL_TEXT, 3, 1), ("a.STL", STL_BINARY, 3, 1),
        ("a.obj", OBJ, 3, 1), ("a.pcd", PCD, 1, 0), ("a.ptx", PTX, 1, 0), ("a.xyz", XYZ, 3, 0), ("a.asc", XYZ, 3, 0),
        ("a.txt", XYZ, 3, 0), ("a.csv", XYZ.replace(b" ", b","), 3, 0), ("a.pts", b"3\n" + XYZ, 3, 0),
    ],
)  # fmt: skip
def test_formats_by_name(tmp_path: Path, name: str, data: bytes, points: int, triangles: int) -> None:
    scan = read_scan(put(tmp_path, name, data))
    assert (scan.file.points, scan.file.triangles) == (points, triangles)
    assert scan.geometry.notes == ()


@pytest.mark.parametrize(
    ("name", "data", "found"),
    [
        ("a.stl", PLY, "PLY"),
        ("a.txt", OBJ, "OBJ"),
        ("a.ply", STL_TEXT, "STL"),
        ("a.xyz", PCD, "PCD"),
        ("a.txt", PTX, "PTX"),
    ],
)
def test_content_wins_over_name_with_a_note(tmp_path: Path, name: str, data: bytes, found: str) -> None:
    scan = read_scan(put(tmp_path, name, data))
    assert scan.geometry.notes[0] == f"named {name[1:]} but its content is {found}; read as such"


def test_unknown_ending_is_read_when_its_content_is_known(tmp_path: Path) -> None:
    assert read_scan(put(tmp_path, "a.scan", PLY)).file.points == 1
    with pytest.raises(InputError, match=r"is of no known scan format\. Known endings: \.ply"):
        read_scan(put(tmp_path, "a.docx", b"PK\3\4 and so on"))


def test_sniffing_nothing() -> None:
    assert sniff(b"") == "" and sniff(XYZ) == "" and sniff(STL_BINARY) == ""


def test_what_is_no_regular_file(tmp_path: Path) -> None:
    put(tmp_path, "a.xyz", XYZ)
    (tmp_path / "link.xyz").symlink_to(tmp_path / "a.xyz")
    with pytest.raises(InputError, match="is a symbolic link"):
        read_scan(tmp_path / "link.xyz")
    with pytest.raises(InputError, match="is a folder"):
        read_scan(tmp_path)
    with pytest.raises(InputError, match="there is no such file"):
        read_scan(tmp_path / "none.xyz")
    with pytest.raises(InputError, match=r"is empty \(0 bytes\)"):
        read_scan(put(tmp_path, "b.xyz", b""))
    with pytest.raises(InputError, match="is no file name"):
        read_scan(tmp_path / "a\0.xyz")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.xyz")
        with pytest.raises(InputError, match="is a device or a pipe"):
            read_scan(tmp_path / "pipe.xyz")
    if Path("/dev/zero").exists():
        with pytest.raises(InputError, match="is a device or a pipe"):
            read_scan("/dev/zero")


def test_too_large(tmp_path: Path) -> None:
    path = put(tmp_path, "a.xyz", XYZ)
    assert read_scan(path, max_bytes=len(XYZ)).file.points == 3
    with pytest.raises(InputError, match=f"has {len(XYZ)} bytes; {len(XYZ) - 1} are allowed"):
        read_scan(path, max_bytes=len(XYZ) - 1)


def test_changed_while_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = put(tmp_path, "a.xyz", XYZ)
    parse = module._parse

    def slow(where: Path, content):  # type: ignore[no-untyped-def]
        found = parse(where, content)
        with path.open("ab") as file:
            file.write(b"1 1 1\n")
        return found

    monkeypatch.setattr(module, "_parse", slow)
    with pytest.raises(InputError, match="changed while it was read"):
        read_scan(path)


def test_nothing_stays_open_after_a_refusal(tmp_path: Path) -> None:
    descriptors = Path("/proc/self/fd")
    if not descriptors.exists():
        pytest.skip("open files can't be listed here")
    path = put(tmp_path, "a.xyz", XYZ + b"1 2\n")
    before = len(list(descriptors.iterdir()))
    kept = []
    for _ in range(5):
        with pytest.raises(InputError) as caught:
            read_scan(path)
        kept.append(caught.value)
    assert len(list(descriptors.iterdir())) == before
    assert str(path) in str(kept[0]) and kept[0].place == "line 4"
