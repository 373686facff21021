"""Residuals of points that move with a pose, against distances worked out by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from runner.align.feet import Feet, gaps_at
from runner.geometry.frames import invert, move_points, rigid
from runner.geometry.mesh import FaceTable, SurfaceKind

RADIUS = 10.0
BOUND = 0.2


def pin(kind=SurfaceKind.CYLINDER):
    """One face: a pin along z."""
    return SimpleNamespace(
        faces=FaceTable(
            kind=np.array([int(kind)], dtype=np.int8), origin=np.zeros((1, 3)), axis=np.array([[0.0, 0, 1]]),
            radius=np.array([RADIUS]), minor=np.zeros(1), outward=np.ones(1, dtype=np.int8), area=np.ones(1),
        )
    )  # fmt: skip


def scattered(seed, aside):
    """Points beside the pin in a scan's frame, the pose, their feet before they moved ``aside``, mm, about the axis."""
    rng = np.random.default_rng(seed)
    angle, height, off = rng.uniform(0, 2 * np.pi, 5000), rng.uniform(0, 30, 5000), rng.normal(scale=0.1, size=5000)
    out = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(5000)])
    foot = RADIUS * out + height[:, None] * [0, 0, 1]
    along = np.cross([0, 0, 1], out)
    at = foot + off[:, None] * out + aside * along
    pose = rigid(Rotation.random(random_state=seed).as_matrix(), rng.uniform(-900, 900, 3))
    return move_points(invert(pose), at), pose, Feet(np.zeros(5000, dtype=np.int32), foot, out), at


@pytest.mark.parametrize("aside", [0.0, 0.1, 0.4])
def test_on_a_pin_the_distance_is_that_from_the_axis_less_the_radius(aside):
    points, pose, feet, at = scattered(1, aside)
    found = gaps_at(pin(), True, feet, pose, points, BOUND)
    away = np.hypot(at[:, 0], at[:, 1])
    assert np.allclose(found.moved, at, atol=1e-10)
    assert np.allclose(found.residual, away - RADIUS, atol=1e-10)
    assert np.allclose(found.direction[:, :2], at[:, :2] / away[:, None], atol=1e-10)


@pytest.mark.parametrize(
    ("kind", "exact", "aside"),
    [(SurfaceKind.OTHER, True, 0.4), (SurfaceKind.CYLINDER, False, 0.4), (SurfaceKind.CYLINDER, True, 0.6)],
)
def test_without_a_closed_form_or_far_from_the_foot_it_is_that_from_the_tangent_plane(kind, exact, aside):
    """0.6 mm along a pin of 10 mm radius the tangent plane is 0.018 mm off: more than the two may differ by."""
    points, pose, feet, at = scattered(2, aside)
    found = gaps_at(pin(kind), exact, feet, pose, points, BOUND)
    assert np.allclose(found.residual, np.einsum("ij,ij->i", at - feet.point, feet.normal), atol=1e-10)
    assert np.array_equal(found.direction, feet.normal)


def test_the_loss_is_tukeys():
    """1 - (1 - (r / c)^2)^3 up to c, then 1 (Beaton and Tukey, 1974)."""
    points, pose, feet, at = scattered(3, 0.0)
    found = gaps_at(pin(), True, feet, pose, points, BOUND)
    share = np.abs(np.hypot(at[:, 0], at[:, 1]) - RADIUS) / BOUND
    assert 0.01 < np.mean(share > 1) < 0.1
    assert np.allclose(found.loss, np.where(share < 1, 1 - (1 - share**2) ** 3, 1), atol=1e-9)
    assert np.allclose(found.inside, np.where(share < 1, 1 - share**2, 0), atol=1e-9)
