"""A pose as six absolute numbers, so that degrees that are held stay exactly as they were.

The rotation vector is about the nominal frame's origin, the translation is where the origin goes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from runner.geometry.frames import rigid, rotation_from_vector
from runner.geometry.mesh import Floats
from runner.measure.twists import NAMES

OPEN = 1e-5
"""Share of the best-held degree below which a degree counts as not held."""


def pose(numbers: Floats) -> Floats:
    """Return the movement (4, 4) of six numbers: rotation vector, rad, and translation, mm."""
    return rigid(rotation_from_vector(numbers[:3]), numbers[3:])


def rows_at(numbers: Floats, points: Floats, directions: Floats) -> Floats:
    """Return how far moved points (n, 3) go along directions (n, 3) per unit of each of the six numbers, (n, 6)."""
    turn = numbers[:3]
    angle = float(np.linalg.norm(turn))
    x, y, z = turn
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    if angle < 1e-4:
        left = np.eye(3) + cross / 2.0 + cross @ cross / 6.0
    else:
        left = np.eye(3) + (1 - np.cos(angle)) / angle**2 * cross + (angle - np.sin(angle)) / angle**3 * cross @ cross
    return np.hstack([np.cross(points - numbers[3:], directions) @ left, directions])


def columns_left(held: Sequence[str]) -> NDArray[np.int64]:
    """Return the columns (k,) of the six numbers that may change; ValueError for an unknown degree."""
    unknown = [name for name in held if name not in NAMES]
    if unknown:
        raise ValueError(f"there is no degree of freedom {unknown[0]!r}; there are {' '.join(NAMES)}")
    return np.array([k for k, name in enumerate(NAMES) if name not in held], dtype=np.int64)


def not_held(rows: Floats, columns: NDArray[np.int64], half: float) -> str:
    """Return the degrees that rows (n, 6) leave open among ``columns``, in words; empty when all are held.

    ``half`` is the size of the part, mm, by which turns are compared with shifts.
    """
    if not len(columns):
        return ""
    scale = np.where(columns < 3, half, 1.0)
    # many rows are first made few: the full matrices of a million rows would be huge
    few = np.linalg.qr(rows[:, columns] / scale, mode="r")
    _, values, vectors = np.linalg.svd(few, full_matrices=True)
    full = np.zeros(len(columns))
    full[: len(values)] = values
    open_ = vectors[full < OPEN * max(float(full.max(initial=0.0)), 1e-12)]
    if not len(open_):
        return ""
    # a turn about an axis off the origin shifts the origin too: what turns is named by its turn
    turns = open_[:, columns < 3]
    named = [
        NAMES[c] for c, size in zip(columns[columns < 3], np.linalg.norm(turns, axis=0), strict=True) if size > 0.1
    ]
    shifts = [NAMES[c] for c, size in zip(columns, _still(open_, columns), strict=True) if c >= 3 and size > 0.1]
    return ", ".join(shifts + named)


def _still(open_: Floats, columns: NDArray[np.int64]) -> Floats:
    """How much (k,) of each number the open movements have that turn nothing."""
    turns = open_[:, columns < 3]
    if not turns.shape[1]:
        return np.asarray(np.linalg.norm(open_, axis=0))
    _, values, vectors = np.linalg.svd(turns.T, full_matrices=True)
    rank = int(np.sum(values > 1e-6))
    return np.asarray(np.linalg.norm(vectors[rank:] @ open_, axis=0))
