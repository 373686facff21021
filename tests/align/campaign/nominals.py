"""The nominals of the campaign: which were used for choosing thresholds, and which were kept for validation."""

from __future__ import annotations

import models
import numpy as np
import parts
from parts import box, cut, join, rod

STEP_MODELS = {
    "ctc01": "nist_ctc_01_asme1_ap242-e1.stp",
    "ctc03": "nist_ctc_03_asme1_ap242-e2.stp",
    "ftc06": "nist_ftc_06_asme1_ap242-e2.stp",
}


def ring():
    """Ring with a bolt circle of eight and one key slot, which alone tells the eight turns apart."""
    r = cut(rod(55, 12, (0, 0, 0)), rod(35, 14, (0, 0, -1)))
    for k in range(8):
        a = 2 * np.pi * k / 8
        r = cut(r, rod(3.5, 14, (45 * np.cos(a), 45 * np.sin(a), -1)))
    return cut(r, box(8, 6, 14, (33, -3, -1)))


def manifold():
    """Block with bores in three faces; half a turn about z differs by one 5 mm bore and a shallow step."""
    m = box(130, 60, 40)
    for x in (25, 65, 105):
        m = cut(m, rod(9, 25, (x, 30, 20)))
    m = cut(m, rod(6, 132, (-1, 30, 12), (1, 0, 0)), rod(2.5, 20, (45, 12, 25)))
    return cut(m, box(20, 60.2, 1.5, (110.1, -0.1, 38.6)))


def hub():
    """Hub with five arms and a rim, one arm drilled: a wheel whose turn is told by one hole of 4 mm."""
    h = cut(rod(60, 10, (0, 0, 0)), rod(52, 12, (0, 0, -1)))
    h = join(h, rod(16, 22, (0, 0, -4)))
    for k in range(5):
        a = 2 * np.pi * k / 5
        arm = box(46, 8, 6, (10, -4, 2))
        h = join(h, turned(arm, a))
    h = cut(h, rod(8, 30, (0, 0, -5)))
    return cut(h, rod(2, 12, (35, 0, -1)))


def tray():
    """Tray of 1.2 mm sheet with two unlike flanges, a row of slots and a drain off its middle: chiral."""
    t = join(box(150, 90, 1.2), box(1.2, 90, 25), box(150, 1.2, 14, (0, 88.8, 0)))
    for x in (30, 60, 90):
        t = cut(t, box(6, 40, 3, (x, 20, -1)))
    t = cut(t, rod(7, 4, (125, 60, -1)), rod(2, 4, (135, 20, -1)))
    return cut(t, rod(4, 4, (-1, 30, 15), (1, 0, 0)))


def turned(shape, angle):
    """The solid turned about z."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
    from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt, gp_Trsf

    move = gp_Trsf()
    move.SetRotation(gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), float(angle))
    return BRepBuilderAPI_Transform(shape, move, True).Shape()


def panel():
    """Shallow free-form panel of 1.2 mm, 300 x 200, a few millimetres of crown: nothing but its rim holds its place."""
    nx, ny = 121, 81
    x, y = np.meshgrid(np.linspace(-150, 150, nx), np.linspace(-100, 100, ny), indexing="ij")
    z = 5.0 * np.cos(x / 130.0) * np.cos(y / 105.0) + 0.8 * np.sin(x / 60.0 + 0.4) + 0.6 * np.sin(y / 45.0 - x / 140.0)
    top = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    bottom = top - [0.0, 0.0, 1.2]
    i, j = np.meshgrid(np.arange(nx - 1), np.arange(ny - 1), indexing="ij")
    a = (i * ny + j).ravel()
    quads = np.column_stack([a, a + ny, a + ny + 1, a + 1])
    up = np.vstack([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    n = nx * ny
    rim = np.concatenate(
        [np.arange(nx) * ny, (nx - 1) * ny + np.arange(1, ny), (nx - 2 - np.arange(nx - 1)) * ny + ny - 1]
        + [np.arange(ny - 2, 0, -1)]
    )
    after = np.roll(rim, -1)
    wall = np.vstack([np.column_stack([rim, rim + n, after + n]), np.column_stack([rim, after + n, after])])
    triangles = np.vstack([up, up[:, ::-1] + n, wall]).astype(np.int32)
    face = np.concatenate([np.zeros(len(up)), np.ones(len(up)), np.full(len(wall), 2)]).astype(np.int32)
    return parts.nominal_of(np.vstack([top, bottom]), triangles, face)


TUNED = ("bracket", "block", "bushing", "clip", "ctc01", "ctc03", "ftc06")
"""Parts that some threshold of the alignment was chosen on."""
VALIDATION = ("ring", "panel", "manifold", "hub", "tray")
"""Parts that no threshold was chosen on."""
NAMES = TUNED + VALIDATION
FIRST_SEED = {name: 500_000 + 1000 * k for k, name in enumerate(NAMES)}
"""Validation seeds: a part's scan k has the seed FIRST_SEED + k. Committed before the thresholds were frozen."""


def load(name: str):
    """The nominal by name, or None where its file is not here."""
    if name == "panel":
        return panel()
    made = {"ring": ring, "manifold": manifold, "hub": hub, "tray": tray}
    if name in made:
        return parts.nominal_of(*parts.mesh_of(made[name]()))
    if name in parts.PARTS:
        return parts.build(name)
    shared = models.shared_folder()
    if shared is None or not (shared / "models" / STEP_MODELS[name]).exists():
        return None
    return models.step_nominal(shared / "models" / STEP_MODELS[name])
