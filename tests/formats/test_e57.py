from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pye57
import pytest

from runner.diagnostics import InputError
from runner.formats import e57
from tests.formats import e57_pages


def write(path: Path, scans: list[dict], *, pose: list[tuple] | None = None) -> bytes:
    """Written by the library's own writer."""
    file = pye57.E57(str(path), mode="w")
    for number, data in enumerate(scans):
        turn, shift = pose[number] if pose else (None, None)
        file.write_scan_raw(data, rotation=turn, translation=shift)
    file.close()
    return path.read_bytes()


@pytest.fixture
def single(cloud: np.ndarray) -> np.ndarray:
    """The writer of the library stores single precision."""
    return cloud.astype(np.float32).astype(np.float64)


def columns(points: np.ndarray, **more: np.ndarray) -> dict[str, np.ndarray]:
    named = zip(("cartesianX", "cartesianY", "cartesianZ"), points.T, strict=True)
    return {n: np.ascontiguousarray(c) for n, c in named} | more


def test_the_librarys_own_file(tmp_path: Path, single: np.ndarray) -> None:
    got = e57.read(write(tmp_path / "a.e57", [columns(single)]), "a.e57")
    assert np.array_equal(got.points, single)


def test_invalid_points_are_dropped(tmp_path: Path, single: np.ndarray) -> None:
    state = np.zeros(200, dtype=np.int8)
    state[:150] = 2
    got = e57.read(write(tmp_path / "a.e57", [columns(single, cartesianInvalidState=state)]), "a.e57")
    assert np.array_equal(got.points, single[150:])
    assert got.notes == ("150 of 200 points are marked invalid in the file; dropped",)


def test_several_scans_with_poses(tmp_path: Path, single: np.ndarray) -> None:
    # A quarter turn about z takes x to y and y to -x.
    half = math.sqrt(0.5)
    pose = [
        (np.array([1.0, 0, 0, 0]), np.zeros(3)),
        (np.array([half, 0, 0, half]), np.array([100.0, 200.0, 300.0])),
    ]
    got = e57.read(write(tmp_path / "a.e57", [columns(single), columns(single[:50])], pose=pose), "a.e57")
    expected = np.stack([100 - single[:50, 1], 200 + single[:50, 0], 300 + single[:50, 2]], axis=1)
    assert np.array_equal(got.points[:200], single)
    assert np.abs(got.points[200:] - expected).max() < 1e-12
    assert got.notes == ("2 scans joined by their stated poses",)


@pytest.mark.parametrize("number", ["scaled", "integer", "double", "spherical"])
def test_kinds_of_coordinates(tmp_path: Path, single: np.ndarray, number: str) -> None:
    """Written node by node through the library's low level."""
    low = pye57.libe57
    file = pye57.E57(str(tmp_path / "a.e57"), mode="w")
    image = file.image_file
    scan, prototype = low.StructureNode(image), low.StructureNode(image)
    values = single.copy()
    names = ("cartesianX", "cartesianY", "cartesianZ")
    if number == "spherical":
        names = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")
        x, y, z = single.T
        values = np.stack([np.linalg.norm(single, axis=1), np.arctan2(y, x), np.arctan2(z, np.hypot(x, y))], axis=1)
    for name in names:
        if number == "scaled":
            node = low.ScaledIntegerNode(image, 0, -(2**20), 2**20, 1e-3, 0.5)
        elif number == "integer":
            node = low.IntegerNode(image, 0, -1000, 1000)
        else:
            node = low.FloatNode(image, 0.0, low.E57_DOUBLE, -1e9, 1e9)
        prototype.set(name, node)
    codecs = low.VectorNode(image, True)
    points = low.CompressedVectorNode(image, prototype, codecs)
    scan.set("points", points)
    file.data3d.append(scan)
    if number == "scaled":
        values = np.round((values - 0.5) / 1e-3) * 1e-3 + 0.5
    elif number == "integer":
        values = np.round(values)
    buffers = low.VectorSourceDestBuffer()
    kept = [np.ascontiguousarray(column) for column in values.T]
    for name, column in zip(names, kept, strict=True):
        buffers.append(low.SourceDestBuffer(image, name, column, len(column), True, True))
    writer = points.writer(buffers)
    writer.write(len(values))
    writer.close()
    file.close()
    got = e57.read((tmp_path / "a.e57").read_bytes(), "a.e57")
    expected = single if number == "spherical" else values
    assert np.abs(got.points - expected).max() < 1e-12 * np.abs(expected).max() * 10


def test_damaged_cut_off_and_foreign(tmp_path: Path, single: np.ndarray) -> None:
    data = bytearray(write(tmp_path / "a.e57", [columns(single)]))
    with pytest.raises(InputError, match="does not begin with 'ASTM-E57'"):
        e57.read(b"nothing", "f.e57")
    with pytest.raises(InputError, match=r"byte 16\): the header announces"):
        e57.read(bytes(data[:-1024]), "f.e57")
    data[2000] ^= 0xFF
    with pytest.raises(InputError, match=r"byte 1024\): the E57 library reports: checksum mismatch"):
        e57.read(bytes(data), "f.e57")


HEAD = b'<?xml version="1.0" encoding="UTF-8"?>'
DEEP = b"<a>" * 5000 + b"</a>" * 5000


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            lambda xml: xml.replace(HEAD, HEAD + b'<!DOCTYPE e57Root SYSTEM "http://127.0.0.1:9/x">'),
            "holds '<!DOCTYPE'",
        ),
        (lambda xml: xml.replace(HEAD, b'<!DOCTYPE e57Root [<!ENTITY a "aa">]>'), "holds '<!DOCTYPE'"),
        (lambda xml: xml.replace(b"<guid ", b'<guid p:schemaLocation="a http://127.0.0.1:9/x" ', 1), "schemaLocation"),
        (lambda xml: xml.replace(b"<guid ", b'<guid p:noNamespaceSchemaLocation="x" ', 1), "SchemaLocation"),
        (lambda xml: xml.decode().replace("UTF-8", "UTF-16").encode("utf-16"), "is not UTF-8"),
        (lambda xml: xml.replace(b"UTF-8", b"IBM037"), "is not UTF-8"),
        (lambda xml: xml.replace(b"</e57Root>", DEEP + b"</e57Root>"), "nested deeper than 64 levels"),
    ],
)
def test_xml_that_refers_elsewhere_or_has_no_bottom_is_not_given_to_the_library(
    tmp_path: Path, single: np.ndarray, change, message: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, xml = e57_pages.take_apart(e57_pages.example(tmp_path / "a.e57", single))
    assert len(e57.read(e57_pages.put_together(before, xml), "a.e57").points) == len(single)
    monkeypatch.setattr(e57, "_run", lambda *_: pytest.fail("the library was asked"))
    with pytest.raises(InputError, match=r"f\.e57 \(byte \d+\): its XML section .*" + message):
        e57.read(e57_pages.put_together(before, change(xml)), "f.e57")


@pytest.mark.parametrize(("at", "value"), [(24, 10**9), (24, 1021), (32, 0), (32, 2**63), (40, 512)])
def test_a_header_that_lies_about_its_xml(tmp_path: Path, single: np.ndarray, at: int, value: int) -> None:
    data = bytearray(e57_pages.example(tmp_path / "a.e57", single))
    data[at : at + 8] = value.to_bytes(8, "little")
    with pytest.raises(InputError, match=rf"f\.e57 \(byte {24 if at == 32 else at}\): its (XML|pages)"):
        e57.read(bytes(data), "f.e57")


def test_a_child_that_dies_or_hangs_costs_one_refusal(
    tmp_path: Path, single: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = write(tmp_path / "a.e57", [columns(single)])
    for script, message in (
        ("import os, signal; os.kill(os.getpid(), signal.SIGABRT)", "the E57 library gave up on it"),
        ("while True: pass", "could not be read within 0 s"),
    ):
        child = tmp_path / "child.py"
        child.write_text(script)
        monkeypatch.setattr(e57, "_CHILD", child)
        monkeypatch.setattr(e57, "_BASE_SECONDS", 0.4)
        with pytest.raises(InputError, match=message):
            e57.read(data, "f.e57")
