"""Closed-form projection, against the implicit equations and against SciPy's minimiser on the parametric surface."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from runner.geometry.frames import perpendicular, unit
from runner.geometry.mesh import FaceTable, SurfaceKind
from runner.geometry.surfaces import meet_rays, project

ROUND = [SurfaceKind.CYLINDER, SurfaceKind.CONE, SurfaceKind.SPHERE, SurfaceKind.TORUS]
KINDS = [SurfaceKind.PLANE, *ROUND]


def face(kind, origin=(0, 0, 0), axis=(0, 0, 1), radius=5.0, minor=1.5, outward=1) -> FaceTable:
    return FaceTable(
        kind=np.array([int(kind)], dtype=np.uint8),
        origin=np.array([origin], dtype=float),
        axis=unit(np.array([axis], dtype=float)),
        radius=np.array([radius], dtype=float),
        minor=np.array([0.6 if kind == SurfaceKind.CONE else minor], dtype=float),
        outward=np.array([outward], dtype=np.int8),
        area=np.array([1.0]),
    )


def on_surface(table: FaceTable, u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points and natural unit normals by the parametric equations; u an angle, v a length or an angle."""
    o, a = table.origin[0], table.axis[0]
    x, y = perpendicular(a)
    e = np.cos(u)[:, None] * x + np.sin(u)[:, None] * y
    kind, r, m = int(table.kind[0]), table.radius[0], table.minor[0]
    if kind == SurfaceKind.PLANE:
        return o + u[:, None] * x + v[:, None] * y, np.broadcast_to(a, (len(u), 3))
    if kind == SurfaceKind.CYLINDER:
        return o + r * e + v[:, None] * a, e
    if kind == SurfaceKind.CONE:
        along = np.abs(v) + 0.5
        return (
            o + along[:, None] * (np.cos(m) * a + np.sin(m) * e),
            np.cos(m) * e - np.sin(m) * a,
        )
    n = np.cos(v)[:, None] * e + np.sin(v)[:, None] * a
    if kind == SurfaceKind.SPHERE:
        return o + r * n, n
    return o + r * e + m * n, n


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("outward", [1, -1])
@pytest.mark.parametrize("shift", [0.0, 1e4])
def test_offset_points_come_back(kind, outward, shift):
    """A point moved along the normal by less than the radius of curvature has its start as foot."""
    table = face(kind, origin=(shift, 2, -3), axis=(1, 2, -0.5), outward=1 if kind == SurfaceKind.PLANE else outward)
    rng = np.random.default_rng(1)
    u, v = rng.uniform(-3, 3, 500), rng.uniform(-1.5, 1.5, 500)
    start, normal = on_surface(table, u, v)
    # a cone is as curved as its distance from the apex, 0.5 mm at least
    limit = 0.25 if kind == SurfaceKind.CONE else 1.4
    step = rng.uniform(-limit, limit, 500)
    foot, out, distance = project(table, 0, start + step[:, None] * normal)
    side = float(table.outward[0])
    tolerance = 1e-11 if shift == 0 else 2e-9
    assert np.abs(foot - start).max() < tolerance
    assert np.abs(out - side * normal).max() < tolerance * 10
    assert np.abs(distance - side * step).max() < tolerance


@pytest.mark.parametrize("kind", ROUND)
def test_no_other_point_is_nearer(kind):
    """Source: scipy.optimize.minimize over the surface parameters, from several starts."""
    table = face(kind, origin=(1, 2, 3), axis=(1, -1, 2))
    rng = np.random.default_rng(2)
    points = table.origin[0] + rng.normal(0, 5, (12, 3))
    _, _, distance = project(table, 0, points)
    for point, found in zip(points, distance, strict=True):

        def squared(parameters, point=point):
            place, _ = on_surface(table, parameters[:1], parameters[1:])
            return float(((place[0] - point) ** 2).sum())

        starts = [(a, b) for a in (-2, 0, 2) for b in (-6.0, -1.0, 1.0, 6.0)]
        best = min(np.sqrt(minimize(squared, start).fun) for start in starts)
        assert abs(found) <= best + 1e-9
        if kind != SurfaceKind.CONE:  # its parametrisation above leaves out the tip
            assert abs(found) == pytest.approx(best, abs=1e-5)


@settings(max_examples=100, deadline=None)
@given(kind=st.sampled_from(KINDS), seed=st.integers(0, 10**6), scale=st.sampled_from([1e-3, 1.0, 1e3]))
def test_foot_lies_on_the_surface_at_the_stated_distance(kind, seed, scale):
    rng = np.random.default_rng(seed)
    axis = unit(rng.normal(0, 1, 3))
    table = face(kind, origin=rng.normal(0, 10, 3), axis=axis)
    points = table.origin[0] + rng.normal(0, scale, (20, 3))
    foot, normal, distance = project(table, 0, points)
    room = 1e-12 * (10 + scale)
    assert np.abs(np.linalg.norm(points - foot, axis=1) - np.abs(distance)).max() < room
    assert np.abs(np.linalg.norm(normal, axis=1) - 1).max() < 1e-12
    again, _, rest = project(table, 0, foot)
    assert np.abs(rest).max() < room and np.abs(again - foot).max() < room


@pytest.mark.parametrize("kind", KINDS)
def test_singular_places_have_an_answer(kind):
    table = face(kind, origin=(1, 2, 3), axis=(0, 0, 1))
    points = np.array([[1.0, 2, 3], [1, 2, 5], [1, 2, -5], [6, 2, 3]])
    foot, normal, distance = project(table, 0, points)
    assert np.isfinite(foot).all() and np.isfinite(normal).all()
    assert np.linalg.norm(points - foot, axis=1) == pytest.approx(np.abs(distance), abs=1e-12)
    assert np.linalg.norm(normal, axis=1) == pytest.approx(1, abs=1e-12)


def test_behind_the_apex_the_tip_is_nearest():
    foot, normal, distance = project(face(SurfaceKind.CONE), 0, np.array([[0.0, 0, -2], [0.1, 0, -3]]))
    assert np.abs(foot).max() == 0
    assert distance == pytest.approx([2.0, np.hypot(0.1, 3)])
    assert normal[0] == pytest.approx([0, 0, -1])


def test_faces_without_closed_form_give_nan():
    foot, normal, distance = project(face(SurfaceKind.OTHER), 0, np.ones((3, 3)))
    assert np.isnan(foot).all() and np.isnan(normal).all() and np.isnan(distance).all()


@pytest.mark.parametrize("kind", KINDS)
def test_rays_meet_the_exact_surface(kind):
    table = face(kind, origin=(1, 2, 3), axis=(1, -1, 2))
    rng = np.random.default_rng(3)
    aim, normal = on_surface(table, rng.uniform(-3, 3, 300), rng.uniform(-1, 1, 300))
    directions = unit(-normal + rng.normal(0, 0.5, (300, 3)))
    directions = directions[np.einsum("ij,ij->i", directions, normal) < -0.3]
    aim = aim[: len(directions)]
    keep = np.einsum("ij,ij->i", directions, on_normal := project(table, 0, aim)[1]) ** 2 > 0.1
    aim, directions = aim[keep], directions[keep]
    assert on_normal.shape[1] == 3 and len(aim) > 100
    origins = aim - 50.0 * directions
    # as from a mesh with a chord of 0.01 mm
    t = meet_rays(table, 0, origins, directions, 50.0 + rng.uniform(-0.01, 0.01, len(aim)))
    assert t == pytest.approx(50.0, abs=1e-9)


def test_rays_that_miss_or_graze_give_nan():
    table = face(SurfaceKind.CYLINDER)
    origins = np.array([[5.001, -10, 0], [5.0, -10, 0], [0, -10, 0], [0, -10, 0]])
    directions = np.array([[0, 1.0, 0]] * 3 + [[0, 0, 1.0]])
    t = meet_rays(table, 0, origins, directions, np.array([10.0, 10, 7, 3]))
    # misses by 1 um; touches; meets, but far from where it was expected; runs along the axis
    assert np.isnan(t[[0, 2, 3]]).all()
    assert np.isnan(t[1]) or abs(t[1] - 10) < 1e-3
