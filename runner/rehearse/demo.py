"""Make the demo's scans: build each piece as it was really made, scan it, write the file under its serial."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from runner.formats import ply, stl, text
from runner.geometry.frames import move_points
from runner.geometry.mesh import Nominal, ScanGeometry
from runner.records import Outcome
from runner.rehearse.demo_parts import MastBracket, build_bracket, build_housing
from runner.rehearse.demo_pieces import PIECES, RECIPES, Piece, demo_truth
from runner.rehearse.demo_truth import TrueValue
from runner.rehearse.scanner import scan
from runner.rehearse.truth import PART, ScanTruth

__all__ = ["RECIPES", "DemoScan", "demo_truth", "make_demo"]


@dataclass(frozen=True)
class DemoScan:
    """One scan of the demo and what must become of it."""

    path: Path
    part_number: str
    serial: str
    outcome: Outcome
    because: str
    """What was done to this piece or scan, in words; empty for a plain good one."""
    fails: tuple[str, ...]
    """Ids that must not conform; no others may."""
    truth: dict[str, TrueValue]
    points: int


def make_demo(folder: Path, progress: Callable[[str, float], None] | None = None) -> list[DemoScan]:
    """Write the demo's twelve scans into ``folder``, which is made if need be.

    ``progress`` is called with the name of the scan in work and the share done, 0 to 1. Each file appears under its
    name only when it is complete. The same program writes the same bytes every time.
    """
    folder.mkdir(parents=True, exist_ok=True)
    truth = demo_truth()
    made = []
    with tempfile.TemporaryDirectory(prefix="runner-demo-") as workshop:
        for done, piece in enumerate(PIECES):
            if progress:
                progress(piece.file_name, done / len(PIECES))
            geometry = scan_piece(piece, Path(workshop))
            path = folder / piece.file_name
            if piece.entries:
                # before the scan: whoever takes the scan must find them
                path.with_name(path.name + ".entries.yaml").write_text(piece.entries, encoding="utf-8")
            write_scan(geometry, path)
            made.append(
                DemoScan(
                    path,
                    piece.part_number,
                    piece.serial,
                    piece.outcome,
                    piece.because,
                    piece.fails,
                    truth[piece.serial],
                    len(geometry.points),
                )
            )
    if progress:
        progress("scanned", 1.0)
    return made


def build_piece(piece: Piece, workshop: Path) -> Nominal:
    """Return a piece as it was made, as exact faces; its STEP file is left in ``workshop``."""
    from runner.nominal.step import read

    path = workshop / f"{piece.serial}.step"
    if isinstance(piece.made, MastBracket):
        build_bracket(piece.made, path, piece.serial)
    else:
        build_housing(piece.made, path, piece.serial)
    data = path.read_bytes()
    return read(path, data, hashlib.sha256(data).hexdigest())


def scan_piece(piece: Piece, workshop: Path) -> ScanGeometry:
    """Return the scan of a piece, cut short where the piece's scan was."""
    geometry, truth = scan(build_piece(piece, workshop), piece.scanned)
    return geometry if piece.seen_up_to_x is None else _cut_short(geometry, truth, piece.seen_up_to_x)


def _cut_short(geometry: ScanGeometry, truth: ScanTruth, seen_up_to_x: float) -> ScanGeometry:
    """Drop the points of the part beyond an x of the nominal's frame; for clouds."""
    if geometry.triangles is not None:
        raise ValueError("only a cloud can be cut short here")
    places = move_points(truth.nominal_from_scan, geometry.points)
    keep = (truth.label != PART) | (places[:, 0] <= seen_up_to_x)
    normals = None if geometry.normals is None else geometry.normals[keep]
    return ScanGeometry(geometry.points[keep], None, normals, geometry.normals_signed)


def write_scan(geometry: ScanGeometry, path: Path) -> None:
    """Write a scan by the file name's suffix: .ply (cloud or mesh), .stl (mesh), .xyz (cloud).

    Coordinates keep what such files keep: single precision, or six decimals of a millimetre in text.
    """
    half = path.with_name(path.name + ".part")
    kind = path.suffix.lower()
    if (kind == ".stl" and geometry.triangles is None) or (kind == ".xyz" and geometry.triangles is not None):
        raise ValueError(f"{path.name}: this kind of file can't hold this scan")
    if kind == ".xyz":
        with half.open("w", encoding="ascii", newline="\n") as lines:
            text.write(lines, geometry.points, normals=geometry.normals)
    elif kind in (".ply", ".stl"):
        with half.open("wb") as file:
            if kind == ".ply":
                ply.write(file, geometry.points, triangles=geometry.triangles, normals=geometry.normals, double=False)
            else:
                stl.write(file, geometry.points, np.asarray(geometry.triangles))
    else:
        raise ValueError(f"{path.name}: the demo writes .ply, .stl and .xyz")
    half.replace(path)
