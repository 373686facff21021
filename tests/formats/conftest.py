"""Small shapes with known points, made without the package."""

from __future__ import annotations

import numpy as np
import pytest


@pytest.fixture
def tetrahedron() -> tuple[np.ndarray, np.ndarray]:
    """Vertices (binary fractions, exact in float32) and outward triangles."""
    points = np.array([[0.0, 0.0, 0.0], [1.5, 0.0, 0.0], [0.0, 2.25, 0.0], [0.125, 0.25, 3.0]])
    triangles = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
    return points, triangles


@pytest.fixture
def cloud() -> np.ndarray:
    """200 distinct points with awkward decimals."""
    return np.random.default_rng(7).normal(0.0, 37.3, (200, 3))
