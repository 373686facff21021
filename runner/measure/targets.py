"""Datum targets: the places at which a fixture would touch the part (ISO 5459:2011, 7.4.3; ASME Y14.5-2018, 7.24).

The targets lie in the frame that they define, so they are looked for again each time the frame has moved, until it
stands. A point is the surface on its line, a line or an area the outermost of its places. Clauses from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from runner.geometry.frames import perpendicular, unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Plane, vector
from runner.measure.association import touch
from runner.measure.contact import Face
from runner.measure.datum_rows import Constraint
from runner.measure.datum_seat import Seated, felt_rows, solve
from runner.measure.element import array
from runner.measure.probe import probe
from runner.measure.scene import Scene
from runner.measure.specs import DatumSpec, TargetSpec
from runner.measure.twists import felt_space, null_space, rows_of_points, with_least_turn

RINGS = 3
LINE_PLACES = 15
LEAST_SHARE = 0.5
"""Of a line's or an area's places must have been seen."""


def target_rows(targets: Sequence[TargetSpec], centre: Floats) -> Floats:
    """Return the rows (n, 6) that targets set: each holds the part along its normal, whatever its kind."""
    places = [array(t.at) if t.end is None else 0.5 * (array(t.at) + array(t.end)) for t in targets]
    return rows_of_points(np.array(places), np.array([unit(array(t.normal)) for t in targets]), centre)


def places_of(target: TargetSpec) -> Floats:
    """Return the places (k, 3) of a target at which the surface is looked for."""
    at = array(target.at)
    if target.kind == "line" and target.end is not None:
        share = np.linspace(0.0, 1.0, LINE_PLACES)[:, None]
        return np.asarray(at + share * (array(target.end) - at))
    if target.kind == "area" and target.diameter > 0.0:
        u, v = perpendicular(unit(array(target.normal)))
        rings = [at[None]]
        for ring in range(1, RINGS + 1):
            angle = np.linspace(0.0, 2.0 * np.pi, 6 * ring, endpoint=False)[:, None]
            radius = 0.5 * target.diameter * ring / RINGS
            rings.append(at + radius * (np.cos(angle) * u + np.sin(angle) * v))
        return np.vstack(rings)
    return at[None]


def seat_on_targets(
    datum: DatumSpec, scene: Scene | None, frame: Floats, move: Floats, free: Floats, centre: Floats
) -> Seated | str:
    """Move the part so that its targets touch, using only the movements ``free``; or why it can't be.

    ``frame`` (4, 4) is where the targets are looked for, ``move`` (4, 4) the part after the higher datums.
    """
    if scene is None or not len(scene.points):
        return "datum targets need the points of the scan"
    faces: list[Face] = []
    for target in datum.targets:
        normal = unit(array(target.normal))
        found, refused = [], ""
        wanted = places_of(target)
        for place in wanted:
            got = probe(scene, frame, place, normal, target.search)
            if isinstance(got, str):
                refused = refused or got
            else:
                found.append(got.point)
        if len(found) < max(1.0, LEAST_SHARE * len(wanted)):
            share = "" if len(wanted) == 1 else f" at {len(wanted) - len(found)} of its {len(wanted)} places"
            return f"target {target.name}: {refused}{share}"
        faces.append(Face(np.array(found), Plane(target.at, vector(normal)), 1))
    rows = target_rows(datum.targets, centre)

    def outermost(now: Floats) -> Constraint:
        heights, points, normals = [], [], []
        for face in faces:
            level = face.heights(now)
            worst = int(np.argmax(level))
            heights.append(float(level[worst]))
            points.append(_moved(now, face.points[worst]))
            normals.append(array(face.wanted.normal))  # type: ignore[union-attr]
        return Constraint(rows_of_points(np.array(points), np.array(normals), centre), -np.array(heights))

    used = felt_rows(rows, free)
    basis = with_least_turn(felt_space(rows, free), null_space(rows, free))
    move = solve(outermost, move, free, centre)
    note = f"datum {datum.label}: on {len(faces)} targets"
    if len(faces) > basis.shape[1] or any(len(f.points) > 1 for f in faces):
        seated = touch(faces, move, basis, centre)
        if isinstance(seated, str):
            return seated
        move = seated
        if len(faces) > basis.shape[1]:
            gap = max(-float(f.heights(move).max()) for f in faces)
            note += f", more than the {basis.shape[1]} that are needed: one stands {gap:.4f} mm off"
    return Seated(move, used, (), (note,))


def _moved(move: Floats, point: Floats) -> Floats:
    return np.asarray(move[:3, :3] @ point + move[:3, 3])
