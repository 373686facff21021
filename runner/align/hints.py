"""What is known beforehand of how a part lies: a rough pose, or which of its sides may look away from the table.

A hint shortens the search and proves nothing: whatever it leads to is verified like any other candidate.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.align.candidates import rotation_set
from runner.align.planes import Plane
from runner.align.symmetry import SymmetryTable
from runner.geometry.frames import angle_between, unit
from runner.geometry.mesh import Floats

UP_TILT = np.deg2rad(35.0)
"""A side looks away from the table when its direction is within this of the table's normal. Neighbouring sides of a
block stand 90 degrees apart, so a part that leans on something still has one of them within 35."""
ROUGH_TURN = np.deg2rad(20.0)
"""How far off a rough pose may be and still be pulled in; starts are spread this far round it."""
WHOLE_SEARCH = 250
"""Rotations that a search without a hint correlates (``find_candidates``)."""
_FEWEST_ROTATIONS = 60
"""A search among few sides correlates at least so many rotations. A single side within 35 degrees leaves 9 % of all
rotations, and so about 23 of the whole search's: the rest is margin."""


def starts_around(pose: Floats, centre: Floats) -> tuple[Floats, Floats]:
    """Return rotations (k, 3, 3) and translations (k, 3) spread round a rough pose, itself the first.

    All of them put the same scan point at ``centre``, (3,) mm in the nominal's frame.
    """
    _, rotations = rotation_set()
    trace = np.einsum("kij,ij->k", rotations, pose[:3, :3])
    near = rotations[trace >= 1.0 + 2.0 * np.cos(ROUGH_TURN)]
    turns = np.concatenate([pose[None, :3, :3], near])
    at = pose[:3, :3].T @ (centre - pose[:3, 3])
    return turns, centre - turns @ at


def rotations_with_up(up: tuple[Floats, ...], tables: tuple[Plane, ...]) -> NDArray[np.bool_]:
    """Tell which rotations of the search's set turn one of the allowed sides away from one of the tables."""
    _, rotations = rotation_set()
    allowed = np.zeros(len(rotations), dtype=bool)
    for table in tables:
        away = rotations @ table.normal
        for side in up:
            allowed |= away @ unit(side) >= np.cos(UP_TILT)
    return allowed


def rotations_to_try(allowed: NDArray[np.bool_]) -> int:
    """Return how many rotations a search among the allowed ones correlates."""
    return max(_FEWEST_ROTATIONS, min(WHOLE_SEARCH, int(np.ceil(WHOLE_SEARCH * 1.5 * float(np.mean(allowed))))))


def has_up(pose: Floats, up: tuple[Floats, ...], tables: tuple[Plane, ...], symmetry: SymmetryTable) -> bool:
    """Tell whether one of the allowed sides looks away from one of the tables at a pose, modulo true symmetries."""
    limit = np.cos(UP_TILT)
    for table in tables:
        away = pose[:3, :3] @ table.normal
        for equal in (np.eye(4), *symmetry.exact):
            turned = equal[:3, :3] @ away
            for side in map(unit, up):
                if side @ turned >= limit:
                    return True
                for axis in symmetry.axis:
                    # some turn about the axis brings them as near as their angles to the axis are
                    between = np.arccos(np.clip(side @ axis, -1, 1)) - np.arccos(np.clip(turned @ axis, -1, 1))
                    if np.cos(between) >= limit:
                        return True
    return False


def is_rough(pose: Floats, stated: Floats) -> bool:
    """Tell whether a pose is turned from the stated one by no more than a rough pose may be off."""
    return angle_between(pose[:3, :3], stated[:3, :3]) <= UP_TILT
