"""Everything the scanner looks at, and where it looks from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.frames import perpendicular, rotation_from_vector, unit
from runner.geometry.mesh import Floats, Ints, Nominal
from runner.rehearse.settings import ScannerSettings
from runner.rehearse.truth import FIXTURE, PART, TABLE


@dataclass(frozen=True, eq=False)
class View:
    """One pass of the scanner. All unit vectors in the nominal's frame."""

    direction: Floats
    """(3,) the rays travel along it."""
    stripe: Floats
    """(3,) along the laser line."""
    camera: Floats
    """(3,) from the camera to the part."""
    from_above: bool
    """Table and fixtures are in sight."""


@dataclass(frozen=True, eq=False)
class Scene:
    """Triangles of part, table and fixtures. ``body`` says which surface each belongs to, part faces first."""

    triangles: Floats
    """(m, 3, 3)."""
    body: Ints
    """(m,) the nominal's face; then the table, then one number for each block."""
    label: NDArray[np.uint8]
    """(bodies,) PART, TABLE or FIXTURE."""

    def without_table(self) -> Scene:
        """Return only the part."""
        keep = self.label[self.body] == PART
        return Scene(self.triangles[keep], self.body[keep], self.label)


def make_views(settings: ScannerSettings, random: np.random.Generator) -> list[View]:
    """Return the passes of a scan; azimuth, tilt and stripe direction vary with the seed."""
    up = unit(np.array(settings.up))
    start = random.uniform(0.0, 2 * np.pi)
    if settings.mode == "one side":
        tilts, turns = [0.0, 40.0, 40.0], [0.0, start, start + np.pi / 2]
    else:
        ring = settings.views_each_side - 1
        tilts = [0.0] + [(52.0, 36.0)[k % 2] for k in range(ring)]
        turns = [0.0] + [start + 2 * np.pi * k / ring for k in range(ring)]
    views = [_view(up, tilt, turn, settings, random, True) for tilt, turn in zip(tilts, turns, strict=True)]
    if settings.mode == "all round":
        views += [
            _view(-up, tilt, turn + 0.5, settings, random, False) for tilt, turn in zip(tilts, turns, strict=True)
        ]
    return views


def _view(
    up: Floats, tilt_deg: float, turn: float, settings: ScannerSettings, random: np.random.Generator, from_above: bool
) -> View:
    u, v = perpendicular(up)
    # a hand never holds exactly straight down; and a ray exactly along an edge decides nothing
    tilt = np.radians(tilt_deg + random.uniform(1.0, 4.0))
    turn += random.uniform(-0.15, 0.15)
    outward = np.cos(turn) * u + np.sin(turn) * v
    direction = -(np.cos(tilt) * up + np.sin(tilt) * outward)
    first, second = perpendicular(direction)
    heading = random.uniform(0.0, np.pi)
    stripe = np.cos(heading) * first + np.sin(heading) * second
    side = 1.0 if random.uniform() < 0.5 else -1.0
    camera = rotation_from_vector(stripe * side * np.radians(settings.camera_angle)) @ direction
    return View(direction, stripe, camera, from_above)


def make_scene(nominal: Nominal, settings: ScannerSettings, random: np.random.Generator) -> Scene:
    """Return the part, the table it rests on, and blocks that touch it or stand beside it."""
    part = nominal.mesh.vertices[nominal.mesh.triangles]
    faces = len(nominal.faces)
    triangles, body, labels = [part], [nominal.triangle_face.astype(np.int32)], [np.full(faces, PART, np.uint8)]
    up = unit(np.array(settings.up))
    u, v = perpendicular(up)
    frame = np.stack([u, v, up])
    low, high = (part.reshape(-1, 3) @ frame.T).min(axis=0), (part.reshape(-1, 3) @ frame.T).max(axis=0)
    count = faces
    if settings.table:
        a, b = low[:2] - settings.table_margin, high[:2] + settings.table_margin
        corners = np.array([[a[0], a[1]], [b[0], a[1]], [b[0], b[1]], [a[0], b[1]]])
        square = np.column_stack([corners, np.full(4, low[2] - settings.table_gap)]) @ frame
        triangles.append(square[[[0, 1, 2], [0, 2, 3]]])
        body.append(np.full(2, count, np.int32))
        labels.append(np.array([TABLE], np.uint8))
        count += 1
    vertices = part.reshape(-1, 3)
    for _ in range(settings.fixtures):
        turn = random.uniform(0.0, 2 * np.pi)
        away = np.cos(turn) * u + np.sin(turn) * v
        depth, across, height = settings.fixture_size
        # only what is low can touch a low block; where a flange leans out above it, the block is let in a little
        reachable = vertices[vertices @ up <= low[2] + height]
        contact = reachable[np.argmax(reachable @ away)]
        base = contact + (low[2] - settings.table_gap - contact @ up) * up + settings.fixture_gap * away
        triangles.append(_block(base, away, np.cross(up, away), up, depth, across, height + settings.table_gap))
        body.append(np.full(12, count, np.int32))
        labels.append(np.array([FIXTURE], np.uint8))
        count += 1
    return Scene(np.concatenate(triangles), np.concatenate(body), np.concatenate(labels))


def _block(base: Floats, out: Floats, side: Floats, up: Floats, depth: float, across: float, height: float) -> Floats:
    """Return the 12 triangles of a block whose inner face touches ``base``, wound anticlockwise from outside."""
    corners = np.array(
        [
            base + i * depth * out + (j - 0.5) * across * side + k * height * up
            for k in (0, 1)
            for j in (0, 1)
            for i in (0, 1)
        ]
    )
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    return np.array([corners[[q[a], q[b], q[c]]] for q in quads for a, b, c in ((0, 1, 2), (0, 2, 3))])
