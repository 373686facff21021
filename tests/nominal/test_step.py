"""What is read from STEP files. Outside source of truth: the CAD kernel's own properties, and closed formulas."""

from __future__ import annotations

import math
import os
import subprocess
import sys

import numpy as np
import pytest

from runner.diagnostics import InputError, MissingLibraryError
from runner.geometry.mesh import CurveKind, SurfaceKind
from runner.geometry.surfaces import project
from runner.nominal import step, step_apart
from runner.nominal.assemble import volume
from runner.nominal.load import load_nominal, nominal_to_arrays


def kinds(nominal):
    return {
        SurfaceKind(k).name: int(n) for k, n in zip(*np.unique(nominal.faces.kind, return_counts=True), strict=True)
    }


def test_faces_of_the_plate(nominals):
    plate = nominals("plate")
    assert kinds(plate) == {"PLANE": 8, "CYLINDER": 4, "CONE": 1, "SPHERE": 1, "TORUS": 1}
    assert plate.closed and plate.source == "step" and plate.chord_mm == step.CHORD_MM
    faces = plate.faces
    # bores and pockets: material outside the radius (-1); fillet and pin: inside (+1)
    for kind, radius, outward in (
        (SurfaceKind.CYLINDER, 6.0, -1),
        (SurfaceKind.CYLINDER, 2.0, -1),
        (SurfaceKind.CYLINDER, 4.0, 1),
        (SurfaceKind.CYLINDER, 5.0, 1),
        (SurfaceKind.SPHERE, 6.0, -1),
        (SurfaceKind.TORUS, 7.0, -1),
    ):
        row = np.flatnonzero((faces.kind == kind) & (np.abs(faces.radius - radius) < 1e-9))
        assert len(row) == 1 and faces.outward[row[0]] == outward, (kind, radius)
    cone = int(np.flatnonzero(faces.kind == SurfaceKind.CONE)[0])
    assert faces.minor[cone] == pytest.approx(math.pi / 4, abs=1e-12)
    assert faces.origin[cone] == pytest.approx([18, 20, 11], abs=1e-9)
    assert faces.axis[cone] == pytest.approx([0, 0, 1], abs=1e-12)
    assert faces.outward[cone] == -1
    torus = int(np.flatnonzero(faces.kind == SurfaceKind.TORUS)[0])
    assert faces.minor[torus] == pytest.approx(1.5, abs=1e-12)
    assert np.isnan(faces.radius[faces.kind == SurfaceKind.PLANE]).all()


def test_plane_normals_point_out_of_the_material(nominals):
    plate = nominals("plate")
    top = np.flatnonzero((plate.faces.kind == SurfaceKind.PLANE) & (np.abs(plate.faces.origin[:, 2] - 20) < 1e-9))
    bottom = np.flatnonzero((plate.faces.kind == SurfaceKind.PLANE) & (np.abs(plate.faces.origin[:, 2]) < 1e-9))
    normals = {tuple(np.round(plate.faces.axis[i], 9)) for i in (*top, *bottom)}
    assert (0.0, 0.0, 1.0) in normals and (0.0, 0.0, -1.0) in normals


@pytest.mark.parametrize(
    "name", ["plate", "plate moved", "plate mirrored", "plate as splines", "sphere", "torus", "cone"]
)
def test_area_and_volume_are_the_kernels(name, nominals, part_files, parts):
    """Source: GProp of the CAD kernel, computed on the exact surfaces; the mesh may be off by chord times area."""
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    nominal = nominals(name)
    shape = parts.read_shape(part_files[name])
    of_surface, of_volume = GProp_GProps(), GProp_GProps()
    BRepGProp.SurfaceProperties_s(shape, of_surface)
    BRepGProp.VolumeProperties_s(shape, of_volume)
    assert nominal.closed
    assert volume(nominal.mesh) == pytest.approx(of_volume.Mass(), abs=0.7 * nominal.chord_mm * of_surface.Mass())
    assert nominal.faces.area.sum() == pytest.approx(of_surface.Mass(), rel=2e-3)


@pytest.mark.parametrize("name", ["plate", "plate moved", "plate mirrored", "frustum"])
def test_mesh_lies_on_the_exact_faces_and_faces_outwards(name, nominals):
    nominal = nominals(name)
    corners = nominal.mesh.vertices[nominal.mesh.triangles]
    for k in range(3):
        _, _, off = project(nominal.faces, nominal.triangle_face, corners[:, k])
        assert np.abs(off).max() < 1e-6
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    _, normal, off = project(nominal.faces, nominal.triangle_face, corners.mean(axis=1))
    thick = np.linalg.norm(cross, axis=1) > 1e-3
    assert (np.einsum("ij,ij->i", cross, normal)[thick] > 0).all()
    assert np.abs(off).max() < 1.5 * nominal.chord_mm


def test_edges_lie_on_both_faces_and_seams_are_left_out(nominals):
    plate = nominals("plate")
    edges = plate.edges
    assert (edges.faces[:, 0] != edges.faces[:, 1]).all()
    assert (edges.faces >= 0).all()
    for e in range(len(edges)):
        points = edges.points[edges.offsets[e] : edges.offsets[e + 1]]
        assert len(points) >= 2
        for face in edges.faces[e]:
            _, _, off = project(plate.faces, int(face), points)
            assert np.abs(off).max() < 1e-6
        if edges.kind[e] == CurveKind.CIRCLE:
            from_centre = points - edges.origin[e]
            assert np.abs(from_centre @ edges.axis[e]).max() < 1e-9
            assert np.linalg.norm(from_centre, axis=1) == pytest.approx(edges.radius[e], abs=1e-9)
            if np.allclose(edges.radius[e], 6.0):
                assert (points[0] == points[-1]).all(), "a closed circle repeats its first point"
    # the slanted bore enters and leaves through ellipses
    assert np.count_nonzero(edges.kind == CurveKind.OTHER) == 2
    assert np.count_nonzero(np.isclose(edges.radius, 6.0)) >= 1


def test_angle_between_faces(nominals):
    plate = nominals("plate")
    edges, faces = plate.edges, plate.faces
    fillet = int(np.flatnonzero(np.isclose(faces.radius, 4.0))[0])
    along_fillet = np.any(edges.faces == fillet, axis=1) & (edges.kind == CurveKind.LINE)
    assert along_fillet.sum() == 2
    assert edges.angle[along_fillet] == pytest.approx(0.0, abs=1e-6)
    bore = int(np.flatnonzero(np.isclose(faces.radius, 6.0) & (faces.kind == SurfaceKind.CYLINDER))[0])
    cone = int(np.flatnonzero(faces.kind == SurfaceKind.CONE)[0])
    meeting = np.all(np.sort(edges.faces, axis=1) == sorted((bore, cone)), axis=1)
    assert edges.angle[meeting] == pytest.approx(math.pi / 4, abs=1e-9)
    at_bottom = np.any(edges.faces == bore, axis=1) & ~meeting & (np.abs(edges.origin[:, 2]) < 1e-9)
    assert edges.angle[at_bottom] == pytest.approx(math.pi / 2, abs=1e-9)


def test_inch_file_is_the_same_part_in_mm(nominals):
    mm, inch = nominals("plate"), nominals("plate in inches")
    assert np.abs(np.concatenate(mm.bounds) - np.concatenate(inch.bounds)).max() < 1e-9
    assert kinds(mm) == kinds(inch)
    assert np.sort(inch.faces.radius)[:6] == pytest.approx(np.sort(mm.faces.radius)[:6], abs=1e-9)
    assert any("inch" in note.lower() for note in inch.notes)


def test_splines_that_are_elementary_are_recognised(nominals):
    found = kinds(nominals("plate as splines"))
    assert found == {"PLANE": 8, "CYLINDER": 4, "CONE": 1, "SPHERE": 1, "TORUS": 1}
    splines, exact = nominals("plate as splines").faces, nominals("plate").faces
    assert np.sort(splines.radius)[:6] == pytest.approx(np.sort(exact.radius)[:6], abs=1e-4)
    assert sorted(splines.outward) == sorted(exact.outward)


def test_two_solids_are_noted(parts, read_step, tmp_path):
    plate = parts.plate_with_everything()
    path = parts.write_step(parts.compound(plate, parts.moved(plate)), tmp_path / "two.step")
    nominal = read_step(path)
    assert any("2 solids" in note for note in nominal.notes)
    assert nominal.closed and len(nominal.faces) == 30


def test_open_shell_is_noted_and_keeps_its_rim(parts, read_step, tmp_path):
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp_Explorer

    explorer = TopExp_Explorer(parts.plate_with_everything(), TopAbs_ShapeEnum.TopAbs_FACE)
    nominal = read_step(parts.write_step(explorer.Current(), tmp_path / "face.step"))
    assert not nominal.closed and len(nominal.faces) == 1
    assert (nominal.edges.faces[:, 1] == -1).all()
    assert any("no solid" in note for note in nominal.notes)
    assert np.isnan(nominal.edges.angle).all()


def test_faces_that_get_lost_are_noted(part_files, read_step, tmp_path):
    """A face whose surface is named wrongly is dropped by the kernel without a word."""
    data = part_files["frustum"].read_bytes()
    assert b"CONICAL_SURFACE" in data
    path = tmp_path / "lost.step"
    path.write_bytes(data.replace(b"CONICAL_SURFACE", b"COMICAL_SURFACE"))
    nominal = read_step(path)
    assert not nominal.closed
    assert any("lists 3 faces; only 2" in note for note in nominal.notes)


def test_nothing_is_printed(part_files, read_step, capfd):
    read_step(part_files["sphere"])
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("content", "part_of_message"),
    [
        (b"", "empty"),
        (b"  \n ", "empty"),
        (b"solid x\nendsolid x\n", "not a STEP file"),
        (b"ISO-10303-21;\nHEADER;\nENDSEC;\nDATA;\n#1=CARTESIAN_POINT('',(0.,0.", "cut off"),
        (b"ISO-10303-21;\nHEADER;\nENDSEC;\nDATA;\nENDSEC;\nEND-ISO-10303-21;\n", "test.step"),
        (b"ISO-10303-21;\ngarbage ( ( ( ;;; \xff\xfe\nEND-ISO-10303-21;\n", "test.step"),
    ],
)
def test_bad_files_are_refused(content, part_of_message, tmp_path, capfd):
    path = tmp_path / "test.step"
    path.write_bytes(content)
    with pytest.raises(InputError, match=part_of_message):
        load_nominal(path)
    assert capfd.readouterr() == ("", "")


def test_points_without_a_shape_are_refused(parts, tmp_path):
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
    from OCP.gp import gp_Pnt

    path = parts.write_step(BRepBuilderAPI_MakeVertex(gp_Pnt(1, 2, 3)).Vertex(), tmp_path / "point.step")
    with pytest.raises(InputError, match="holds no"):
        load_nominal(path)


def test_garbled_files_never_crash(part_files, tmp_path):
    """Bytes changed in the middle of a file: read, or refused with a message; never another exception.

    With some of these the kernel is stopped by the system (segmentation fault), which must not reach this process.
    """
    data = part_files["frustum"].read_bytes()
    rng = np.random.default_rng(5)
    refused = []
    for round_ in range(4):
        changed = bytearray(data)
        for place in rng.integers(len(data) // 4, len(data) - 200, size=3):
            changed[place] = int(rng.integers(32, 127))
        path = tmp_path / f"garbled-{round_}.step"
        path.write_bytes(bytes(changed))
        try:
            nominal = load_nominal(path)
        except InputError as error:
            refused.append(str(error))
            continue
        assert np.isfinite(nominal.mesh.vertices).all()
    assert refused
    assert all(text.startswith("garbled-") for text in refused)


def test_a_crash_of_the_kernel_is_a_refusal(monkeypatch):
    """The child is replaced by one that dies at once, as the kernel does on some damaged files."""
    monkeypatch.setattr(step_apart.sys, "executable", "/bin/false" if os.name != "nt" else "where")
    with pytest.raises(InputError, match="the CAD kernel crashed on it"):
        step_apart.read_apart(b"ISO-10303-21;\nEND-ISO-10303-21;\n", "x.step", "0" * 64)


def test_endless_reading_is_given_up(part_files):
    with pytest.raises(InputError, match="did not finish with it"):
        step_apart.read_apart(part_files["frustum"].read_bytes(), "x.step", "0" * 64, seconds=0.01)


def test_child_process_gives_what_this_process_gives(part_files, nominals):
    here, apart = nominals("plate"), load_nominal(part_files["plate"])
    for name, array in nominal_to_arrays(here).items():
        if name != "texts":
            np.testing.assert_array_equal(nominal_to_arrays(apart)[name], array)
    assert apart.notes == here.notes and len(apart.sha256) == 64


def test_missing_system_library_names_the_package(monkeypatch):
    import builtins

    real = builtins.__import__

    def without(name, *arguments, **words):
        if name.startswith("OCP"):
            raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")
        return real(name, *arguments, **words)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(MissingLibraryError, match="apt-get install libgl1"):
        step._import_kernel()


def test_kernel_is_imported_late():
    code = "import sys, runner.nominal.load; sys.exit(any(m == 'OCP' or m.startswith('OCP.') for m in sys.modules))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize(
    ("name", "faces", "size"),
    [
        # source: README of the public models (counts by their publisher's drawings, checked there by eye)
        ("nist_ctc_01_asme1_ap242-e1.stp", {"PLANE": 56, "CYLINDER": 57, "CONE": 4}, (800, 450, 150)),
        ("nist_ctc_03_asme1_ap242-e2.stp", {"PLANE": 62, "CYLINDER": 58}, (303, 485, 163)),
        ("nist_ctc_03_asme1_rc.stp", None, (303, 485, 163)),
        ("nist_ftc_06_asme1_ap242-e2.stp", None, (305, 98, 248)),
    ],
)
def test_public_models(name, faces, size, shared_model, read_step, capfd):
    nominal = read_step(shared_model(name))
    low, high = nominal.bounds
    assert high - low == pytest.approx(size, abs=0.6)
    assert nominal.closed
    found = kinds(nominal)
    assert "OTHER" not in found
    if faces is not None:
        assert found == faces
    assert len(nominal.faces) == {"01": 117, "06": 187}.get(name[9:11], 120 if "e2" in name else 139)
    assert capfd.readouterr() == ("", "")
