"""The independent sampler does what it says."""

import ast
from pathlib import Path

import numpy as np
import pytest

from tests.independent_sampler import sample


def test_it_imports_nothing_of_the_runner():
    tree = ast.parse((Path(__file__).parent / "independent_sampler.py").read_text(encoding="utf-8"))
    imported = {name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names}
    assert imported == {"numpy"}
    assert not [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]


@pytest.mark.parametrize(
    ("kind", "size", "residual"),
    [
        ("plane", (30, 20), lambda p: p[:, 2]),
        ("disc with hole", (20, 6), lambda p: p[:, 2]),
        ("sphere", (12,), lambda p: np.linalg.norm(p, axis=1) - 12),
        ("cylinder", (10, 25), lambda p: np.hypot(p[:, 0], p[:, 1]) - 10),
        (
            "cone",
            (10, np.radians(20), 15),
            lambda p: (np.hypot(p[:, 0], p[:, 1]) - 10 - p[:, 2] * np.tan(np.radians(20))) * np.cos(np.radians(20)),
        ),
    ],
)
def test_points_scatter_about_the_surface_by_sigma(kind, size, residual):
    points = sample(kind, 40_000, np.random.default_rng(1), size, sigma=0.02)
    off = residual(points)
    assert off.std() == pytest.approx(0.02, rel=0.03)
    assert abs(off.mean()) < 5 * 0.02 / np.sqrt(len(points)) + 1e-6
    assert np.abs(residual(sample(kind, 1000, np.random.default_rng(1), size, sigma=0.0))).max() < 1e-12


def test_edges_fade():
    full = sample("plane", 40_000, np.random.default_rng(2), (30, 20), sigma=0.0)
    faded = sample("plane", 40_000, np.random.default_rng(2), (30, 20), sigma=0.0, edge_fade=2.0)
    near = [(10 - np.abs(p[:, 1]) < 1.0).sum() for p in (full, faded)]
    assert 0.1 < near[1] / near[0] < 0.35  # smoothstep from 0 to 0.5 over the first half: mean 0.1875
    assert ((10 - np.abs(full[:, 1]) > 2) & (15 - np.abs(full[:, 0]) > 2)).sum() == (
        (10 - np.abs(faded[:, 1]) > 2) & (15 - np.abs(faded[:, 0]) > 2)
    ).sum()
