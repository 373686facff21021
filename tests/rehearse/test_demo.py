"""The demo: its parts, its recipes, its truth against the geometry that the CAD kernel built, and its files."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from runner.formats import ply, stl, text
from runner.geometry.mesh import SurfaceKind
from runner.nominal.step import read
from runner.recipe.load import load_recipe
from runner.records import Outcome, Verdict
from runner.rehearse import demo
from runner.rehearse.demo import build_piece, scan_piece, write_scan
from runner.rehearse.demo_parts import BearingHousing, MastBracket, build_bracket, build_housing
from runner.rehearse.demo_pieces import BRACKET_NUMBER, PIECES, RECIPES, demo_truth
from runner.rehearse.demo_truth import bracket_truth, housing_truth
from runner.rehearse.scanner import scan

FOLDER = Path(__file__).resolve().parents[2] / "recipes"
BRACKETS = [piece for piece in PIECES if piece.part_number == BRACKET_NUMBER]
HOUSINGS = [piece for piece in PIECES if piece.part_number != BRACKET_NUMBER]


@pytest.fixture(scope="module")
def pieces(tmp_path_factory):
    """Every piece as arrays, by serial."""
    folder = tmp_path_factory.mktemp("pieces")
    return {piece.serial: build_piece(piece, folder) for piece in PIECES}


def cylinders(nominal, axis, diameter, outward):
    """Feet on the plane through the origin of the axes of all bores or shafts of a diameter, rounded, unique."""
    faces = nominal.faces
    axis = np.array(axis, float)
    rows = (faces.kind == SurfaceKind.CYLINDER) & (np.abs(faces.radius * 2 - diameter) < 1e-6)
    rows &= (np.abs(np.abs(faces.axis @ axis) - 1) < 1e-9) & (faces.outward == outward)
    feet = faces.origin[rows] - (faces.origin[rows] @ axis)[:, None] * axis
    return np.unique(np.round(feet, 6), axis=0)


def planes(nominal, normal):
    """Sorted distances from the origin of all planes with an outward normal."""
    faces = nominal.faces
    rows = (faces.kind == SurfaceKind.PLANE) & (faces.axis @ np.array(normal, float) > 1 - 1e-9)
    return np.unique(np.round(faces.origin[rows] @ np.array(normal, float), 6))


@pytest.mark.parametrize(
    ("name", "build", "part"),
    [("mast-bracket", build_bracket, MastBracket()), ("bearing-housing", build_housing, BearingHousing())],
)
def test_committed_nominals_are_what_the_builders_build(name, build, part, tmp_path):
    build(part, tmp_path / "built.step")
    built = read(tmp_path / "built.step", (tmp_path / "built.step").read_bytes(), "")
    kept = read(FOLDER / f"{name}.step", (FOLDER / f"{name}.step").read_bytes(), "")
    assert built.closed and kept.closed
    assert np.array_equal(built.faces.kind, kept.faces.kind)
    for column in ("origin", "axis", "radius", "minor"):
        assert getattr(built.faces, column) == pytest.approx(getattr(kept.faces, column), abs=1e-9, nan_ok=True)
    assert not (kept.faces.kind == SurfaceKind.OTHER).any()
    build(part, tmp_path / "again.step")
    assert (tmp_path / "again.step").read_bytes() == (tmp_path / "built.step").read_bytes()


def test_volume_of_the_nominals():
    # by hand: bracket = base + flanges + bends (quarter rings) - holes; length of the neutral fibre times thickness
    p = MastBracket()
    t, outer, inner = p.thickness, p.outer_radius, p.inner_radius
    bend = math.pi / 4 * (outer**2 - inner**2)
    main, end = p.main_span[1] - p.main_span[0], p.end_span[1] - p.end_span[0]
    volume = (p.length - outer) * (p.depth - outer) * t
    volume += main * (bend + (p.main_height - outer) * t) + end * (bend + (p.end_height - outer) * t)
    volume -= t * math.pi / 4 * (p.mast_diameter**2 + 4 * p.base_diameter**2 + 2 * p.flange_diameter**2)
    volume -= t * (math.pi / 4 * p.slot_width**2 + (p.slot_length - p.slot_width) * p.slot_width)
    path = FOLDER / "mast-bracket.step"
    mesh = read(path, path.read_bytes(), "").mesh
    a, b, c = (mesh.vertices[mesh.triangles[:, k]] for k in range(3))
    assert np.einsum("ij,ij->", a, np.cross(b, c)) / 6 == pytest.approx(volume, rel=3e-4)


def test_recipes_load_and_cover_the_truth():
    truth = demo_truth()
    for number, file in RECIPES.items():
        recipe = load_recipe(FOLDER / file)
        assert recipe.part.number == number
        assert recipe.nominal_path.exists()
        for piece in PIECES:
            if piece.part_number == number:
                assert set(truth[piece.serial]) == set(recipe.characteristics)
                assert piece.file_name.startswith(f"{number}_{piece.serial}.")
    kinds = {type(c).__name__ for f in RECIPES.values() for c in load_recipe(FOLDER / f).characteristics.values()}
    assert len(kinds) == 11, kinds


def test_twelve_serials_and_their_outcomes():
    assert len(PIECES) == 12 == len({piece.serial for piece in PIECES})
    for piece in PIECES:
        verdicts = [value.verdict for value in demo_truth()[piece.serial].values()]
        assert (Verdict.DOES_NOT_CONFORM in verdicts) == (piece.outcome is Outcome.REJECT) == bool(piece.fails)
    assert sum(piece.outcome is Outcome.REJECT for piece in PIECES) == 6
    assert [piece.serial for piece in PIECES if piece.seen_up_to_x is not None] == ["B0006"]


@pytest.mark.parametrize("piece", BRACKETS, ids=lambda piece: piece.serial)
def test_bracket_truth_against_the_built_geometry(piece, pieces):
    nominal, part = pieces[piece.serial], piece.made
    truth = demo_truth()[piece.serial]
    heights = planes(nominal, (0, 0, 1))
    assert part.thickness in heights and 0.0 in planes(nominal, (0, 0, -1))
    mast = cylinders(nominal, (0, 0, 1), part.mast_diameter, -1)
    assert mast == pytest.approx(np.array([[42.0, 28.0, 0.0]]))
    base = cylinders(nominal, (0, 0, 1), part.base_diameter, -1)
    assert len(base) == 4
    if piece.outcome is Outcome.HOLD:
        return
    assert truth["2"].value == part.thickness
    ends = cylinders(nominal, (0, 0, 1), part.slot_width, -1)
    assert np.ptp(ends[:, 0]) + part.slot_width == pytest.approx(truth["5"].value, abs=1e-6)
    assert ends[:, 0].mean() - 42.0 == pytest.approx(truth["6"].value, abs=1e-6)
    wanted = np.array([[70, 12], [70, 48], [128, 10], [128, 50]], float)
    off = [2 * np.linalg.norm(base[:, :2] - place, axis=1).min() for place in wanted]
    assert sorted(off) == pytest.approx(sorted(truth["8"].members), abs=1e-5)
    # the main flange's outer side is the plane with the largest y of its normal
    faces = nominal.faces
    normal = faces.axis[np.argmax(np.where(faces.kind == SurfaceKind.PLANE, faces.axis[:, 1] * faces.area, -1))]
    assert 180.0 - np.degrees(np.arccos(-normal[2])) == pytest.approx(truth["9"].value, abs=1e-9)
    holes = cylinders(nominal, normal, part.flange_diameter, -1)
    outer = faces.origin[np.argmax(np.where(faces.kind == SurfaceKind.PLANE, faces.axis[:, 1] * faces.area, -1))]
    centres = holes + ((outer @ normal) - holes @ normal)[:, None] * normal
    off = [2 * np.hypot(c[0] - w, c[2] - 27.0) for c, w in zip(centres, (46.0, 106.0), strict=True)]
    assert off == pytest.approx(truth["13"].members, abs=1e-5)


@pytest.mark.parametrize("piece", HOUSINGS, ids=lambda piece: piece.serial)
def test_housing_truth_against_the_built_geometry(piece, pieces):
    nominal, part, truth = pieces[piece.serial], piece.made, demo_truth()[piece.serial]
    for name, diameter in (("2", part.bore_diameter), ("5", part.seat_diameter)):
        assert cylinders(nominal, (0, 0, 1), diameter, -1) == pytest.approx(np.zeros((1, 3)), abs=1e-6)
        assert truth[name].value == diameter
    assert cylinders(nominal, (0, 0, 1), part.dowel_diameter, -1) == pytest.approx(np.array([[-44.0, 0, 0]]))
    bolts = np.concatenate([cylinders(nominal, (0, 0, 1), d, -1) for d in sorted(set(part.bolt_diameters))])
    wanted = np.array([[43, 33], [-43, 33], [-43, -33], [43, -33]], float)
    off = [2 * np.linalg.norm(bolts[:, :2] - place, axis=1).min() for place in wanted]
    assert off == pytest.approx(truth["12"].members, abs=1e-5)
    assert planes(nominal, (0, -1, 0)).max() == pytest.approx(46.0)
    assert truth["15"].value in planes(nominal, (0, -1, 0))
    assert truth["17"].value in planes(nominal, (0, 0, 1))
    faces = nominal.faces
    top = np.flatnonzero((faces.kind == SurfaceKind.PLANE) & (faces.axis[:, 2] > 0.99) & (faces.origin[:, 2] > 45))
    assert len(top) == 1
    normal, origin = faces.axis[top[0]], faces.origin[top[0]]
    assert origin @ normal / normal[2] == pytest.approx(truth["8"].value, abs=1e-6)  # height on the bore's axis
    rise = 2 * 32.0 * np.hypot(normal[0], normal[1]) / normal[2]
    assert rise == pytest.approx(truth["10"].value, abs=1e-6)


def coarse(serial):
    """One piece of the demo, scanned with few points."""
    piece = next(p for p in PIECES if p.serial == serial)
    return replace(piece, scanned=replace(piece.scanned, stripe_spacing=1.2, point_spacing=1.2))


def test_truth_refuses_what_it_was_not_derived_for():
    with pytest.raises(ValueError):
        bracket_truth(MastBracket(mast_hole=(42.0, 28.5)))
    with pytest.raises(ValueError):
        housing_truth(BearingHousing(dowel=(-44.0, 0.1)))


def test_truth_by_hand():
    # 0.55 mm along x is 1.1 mm of diametral position; 37 mm of straight flange at 1.4 degrees lean by 0.904 mm
    truth = demo_truth()
    assert truth["B0003"]["13"].members == pytest.approx((0.0, 1.1))
    assert truth["B0004"]["10"].value == pytest.approx(0.904, abs=5e-4)
    assert truth["H0004"]["12"].members == pytest.approx((0.0, 0.7, 0.0, 0.0))
    assert truth["H0005"]["12"].verdict is Verdict.CONFORMS  # 0.36 within 0.3 + (9.17 - 9.0)
    assert truth["H0005"]["12"].members[2] == pytest.approx(0.36)
    assert truth["H0006"]["10"].value == pytest.approx(0.1564, abs=1e-4)


def test_a_bad_scan_misses_half_the_part(tmp_path):
    piece = coarse("B0006")
    whole, truth = scan(build_piece(piece, tmp_path), piece.scanned)
    short = scan_piece(piece, tmp_path)
    part = (truth.label == 0).sum()
    assert 0.3 < (part - (len(whole.points) - len(short.points))) / part < 0.7
    assert not (truth.directions[:, 2] > 0).any()  # nothing was looked at from below


@pytest.mark.parametrize("serial", ["B0003", "B0004", "H0003"])
def test_files_hold_the_scan(serial, tmp_path):
    piece = coarse(serial)
    geometry = scan_piece(piece, tmp_path)
    path = tmp_path / piece.file_name
    write_scan(geometry, path)
    reader = {".ply": ply, ".stl": stl, ".xyz": text}[path.suffix]
    back = reader.read(path.read_bytes(), path.name)
    assert (back.triangles is None) == (geometry.triangles is None)
    if path.suffix == ".stl":
        # single precision may let the smallest triangles collapse
        assert len(back.triangles) == pytest.approx(len(geometry.triangles), rel=1e-3)
        assert back.points.min(axis=0) == pytest.approx(geometry.points.min(axis=0), abs=1e-4)
    else:
        assert np.abs(back.points - geometry.points).max() < 1e-4
    assert not list(tmp_path.glob("*.part"))
    with pytest.raises(ValueError):
        write_scan(geometry, tmp_path / "scan.unknown")


def test_make_demo_writes_the_same_bytes_every_time(tmp_path, monkeypatch):
    monkeypatch.setattr(demo, "PIECES", (coarse("B0001"), coarse("H0002")))
    steps = []
    first = demo.make_demo(tmp_path / "a", lambda step, share: steps.append((step, share)))
    second = demo.make_demo(tmp_path / "b")
    assert [s.path.name for s in first] == ["WV-210_B0001.ply", "WV-315_H0002.stl"]
    for one, two in zip(first, second, strict=True):
        assert one.path.read_bytes() == two.path.read_bytes()
        assert one.outcome in Outcome and one.truth and one.points > 10_000
    assert steps[0] == ("WV-210_B0001.ply", 0.0) and steps[-1][1] == 1.0


def test_a_piece_of_the_demo_has_a_few_hundred_thousand_points(tmp_path):
    piece = next(p for p in PIECES if p.serial == "B0002")
    assert 200_000 <= len(scan_piece(piece, tmp_path).points) <= 700_000
