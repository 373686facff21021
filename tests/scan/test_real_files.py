"""Scans made by others, read from ../shared/real (mixed licences: never copied into the project)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from runner.diagnostics import InputError
from runner.scan.read import read_scan

REAL = Path(__file__).resolve().parents[3] / "shared" / "real"
pytestmark = pytest.mark.skipif(not REAL.is_dir(), reason="the real scans are not beside this project")

FILES = {
    # file: points, triangles, unit; numbers from the README beside the files unless a remark says otherwise
    "range_views/bun000.ply": (40256, 0, "m"),
    "range_views/bun045.ply": (40097, 0, "m"),
    "range_views/bun_zipper_res2.ply": (8171 - 25, 16301, "m"),  # 25 vertices belong to no triangle
    "part_on_table/tee_x0y24.pcd": (65205, 0, "m"),
    "part_on_table/tee_x4y24_45.pcd": (77393, 0, "m"),
    "part_on_table/tee_nominal.ply": (32, 64, "m"),
    "part_on_table/tube_corner.pcd": (3266, 0, "m"),
    "part_on_table/tube_corner_nominal.ply": (2909 - 3, 5816, "m"),  # 3 vertices belong to no triangle
    "occluded/model.pcd": (5092, 0, "m"),
    "occluded/scene.pcd": (289541, 0, "m"),
    "fits/metal_block_on_plate.xyz": (74983, 0, "m"),
    "fits/box_corner.ply": (46370, 0, "m"),
    "fits/ct_ball.stl": (7142, 14280, "mm"),
    "cleanup/room_duplicates.pcd": (112586, 0, "m"),
    "cleanup/objects_on_table.pcd": (23239, 0, "m"),
    "cleanup/tube_on_plate_a.pcd": (40282, 0, "m"),
    "cleanup/tube_on_plate_b.pcd": (40056, 0, "m"),
    "odd/bunnyInt32.e57": (30571, 0, "m"),
    "odd/tiny_spherical.e57": (180, 0, "m"),
    "odd/autzen_count_line.pts": (10, 0, "m"),
    "odd/aerial_colour.ptx": (1065, 0, "m"),
    "odd/header_crlf.txt": (10, 0, "m"),
    "odd/header_mixed_separators.csv": (5000, 0, "m"),
    "odd/large_coordinates_crlf.txt": (8000, 0, "m"),
    "odd/angle_block_binary_solid.STL": (398, 704, "in"),  # vertices counted after welding
    "odd/bunny_normals_ascii.pcd": (397, 0, "m"),
}
REFUSED = {"odd/corrupt_crc.e57": "checksum mismatch"}
NO_SCANS = {"range_views/bun.conf", "README.md", "truth.yaml"}


def test_every_file_is_listed() -> None:
    there = {str(p.relative_to(REAL)) for p in REAL.rglob("*") if p.is_file() and p.parent.name != "licences"}
    assert there == set(FILES) | set(REFUSED) | NO_SCANS


@pytest.mark.parametrize("name", list(FILES))
def test_counts(name: str) -> None:
    points, triangles, unit = FILES[name]
    scan = read_scan(REAL / name, unit=unit)  # type: ignore[arg-type]
    assert (scan.file.points, scan.file.triangles) == (points, triangles)
    assert np.isfinite(scan.geometry.points).all()


@pytest.mark.parametrize("name", list(REFUSED))
def test_refusals(name: str) -> None:
    with pytest.raises(InputError, match=REFUSED[name]):
        read_scan(REAL / name)


@pytest.mark.parametrize("name", [n for n in FILES if n.endswith((".pcd", ".ply", ".stl", ".STL", ".xyz"))])
def test_coordinates_against_an_independent_reader(name: str) -> None:
    """Oracle: Open3D's readers (STL is not welded there; XYZ and PLY go through double)."""
    import open3d

    ours = read_scan(REAL / name, unit="mm").geometry
    if ours.triangles is None:
        theirs = np.asarray(open3d.io.read_point_cloud(str(REAL / name)).points)
        assert np.array_equal(ours.points, theirs[np.isfinite(theirs).all(axis=1)])
    else:
        mesh = open3d.io.read_triangle_mesh(str(REAL / name))
        corners = np.asarray(mesh.vertices)[np.asarray(mesh.triangles)]
        assert np.array_equal(ours.points[ours.triangles], corners)


@pytest.mark.parametrize("name", ["odd/header_crlf.txt", "odd/autzen_count_line.pts", "odd/large_coordinates_crlf.txt"])
def test_text_against_numpy(name: str) -> None:
    """Oracle: numpy.loadtxt with the layout told."""
    told = {
        "skiprows": 0 if "large" in name else 1,
        "delimiter": "," if "crlf.txt" in name and "head" in name else None,
    }
    expected = np.loadtxt(REAL / name, **told)[:, :3]  # type: ignore[arg-type]
    assert np.array_equal(read_scan(REAL / name).geometry.points, expected)


def test_large_coordinates_keep_their_millimetres() -> None:
    scan = read_scan(REAL / "odd/large_coordinates_crlf.txt", unit="m")
    assert np.abs(scan.geometry.points[0] - (660111607.0, 230844123.0, 122003.0)).max() < 1e-6


def test_e57_is_in_metres_whatever_the_recipe_says() -> None:
    """ASTM E2807: lengths are metres."""
    scan = read_scan(REAL / "odd/bunnyInt32.e57", unit="mm")
    assert scan.file.unit == "m" and scan.geometry.notes[0].startswith("E57 holds metres")
    assert np.array_equal(scan.geometry.points, read_scan(REAL / "odd/bunnyInt32.e57", unit="m").geometry.points)


def test_normals_and_repeated_points_are_seen() -> None:
    assert read_scan(REAL / "odd/bunny_normals_ascii.pcd").geometry.normals is not None
    assert read_scan(REAL / "odd/header_mixed_separators.csv").geometry.normals is not None
    notes = read_scan(REAL / "cleanup/room_duplicates.pcd").geometry.notes
    assert any("50 % of the points repeat" in note for note in notes)
