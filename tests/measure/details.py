"""Helpers for the tests of characteristics between features: measured elements and scans from parameters alone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from runner.geometry.fits import fit_cone, fit_cylinder, fit_plane
from runner.geometry.frames import move_points, perpendicular, rigid, rotation_from_vector, turn_vectors
from runner.geometry.shapes import Cone, Cylinder, Plane, Shape, moved, vector
from runner.measure.characteristics.common import Context
from runner.measure.found import FoundFeature
from runner.measure.patch import Patch
from runner.measure.specs import CharacteristicSpec, FeatureSpec

POSES = [0, 1, 2, 3]
"""Seeds of random poses; the last lies 10 m away."""


def pose(seed: int) -> np.ndarray:
    """A random rigid movement (4, 4)."""
    rng = np.random.default_rng(100 + seed)
    if seed == 0:
        return np.eye(4)
    away = 1e4 if seed == POSES[-1] else 100.0
    return rigid(rotation_from_vector(rng.normal(size=3)), away * rng.normal(size=3) / 2)


def char(kind: str, *features: str, **more) -> CharacteristicSpec:
    """A characteristic."""
    return CharacteristicSpec("1", kind, features, "title", **more)


def context(*features: FoundFeature, **more) -> Context:
    """A context in which only these features were measured."""
    found = {f.spec.name: f for f in features}
    empty: dict = {"plan": None, "nominal": None, "index": None, "scene": None, "systems": {}} | more
    return Context(specs={n: f.spec for n, f in found.items()}, features=found, **empty)


def patch_of(samples: np.ndarray, axial: tuple[float, float] | None = None, outward: int = 1) -> Patch:
    """A part of a nominal that knows only its places."""
    none = np.zeros(0, dtype=np.int64)
    return Patch(None, none > 0, none, 1.0, samples, 1.0, outward, axial, None, ())


def rectangle(length: float, width: float, step: float, seed: int = 0) -> np.ndarray:
    """Jittered places (n, 2) over a rectangle about the origin."""
    rng = np.random.default_rng(seed)
    u, v = np.meshgrid(
        np.arange(-length / 2 + step / 2, length / 2, step), np.arange(-width / 2 + step / 2, width / 2, step)
    )
    flat = np.column_stack([u.ravel(), v.ravel()])
    return flat + rng.uniform(-0.3, 0.3, flat.shape) * step


def flat_face(
    name: str,
    centre: Sequence[float],
    normal: Sequence[float],
    *,
    size: tuple[float, float] = (20.0, 10.0),
    along: Sequence[float] | None = None,
    move: np.ndarray | None = None,
    shift: float = 0.0,
    tilt: Sequence[float] = (0.0, 0.0, 0.0),
    noise: float = 0.0,
    step: float = 0.5,
    seed: int = 0,
) -> FoundFeature:
    """A flat face fitted to points on it: really shifted along its normal and turned about its centre by ``tilt``."""
    move = np.eye(4) if move is None else move
    n = np.array(normal, dtype=float) / np.linalg.norm(normal)
    if along is None:
        u, v = perpendicular(n)
    else:
        u = np.array(along, dtype=float) / np.linalg.norm(along)
        v = np.cross(n, u)
    flat = rectangle(*size, step, seed)
    places = np.array(centre, dtype=float) + flat[:, :1] * u + flat[:, 1:] * v
    turn = rotation_from_vector(np.array(tilt, dtype=float))
    rng = np.random.default_rng(seed + 1)
    real = (places - centre) @ turn.T + centre + (shift + noise * rng.normal(size=(len(places), 1))) * (turn @ n)
    nominal = moved(Plane(vector(np.array(centre, dtype=float)), vector(n)), move)
    points = move_points(move, real)
    fit = fit_plane(points, nominal)
    shape = fit.shape
    if np.dot(shape.normal, nominal.normal) < 0:
        shape = Plane(shape.point, vector(-np.array(shape.normal)))
    return FoundFeature(
        FeatureSpec(name, "plane", nominal),
        shape,
        patch=patch_of(move_points(move, places)),
        points=points,
        fit=fit,
        coverage=1.0,
    )


def conical_face(
    name: str,
    apex: Sequence[float],
    axis: Sequence[float],
    half_angle: float,
    span: tuple[float, float],
    *,
    real: Cone | None = None,
    move: np.ndarray | None = None,
    noise: float = 0.0,
    count: int = 4000,
    turn: float = 2 * np.pi,
    seed: int = 0,
) -> FoundFeature:
    """A conical bore's wall fitted to points on the ``real`` cone between two heights over the nominal apex."""
    move = np.eye(4) if move is None else move
    nominal = Cone(vector(np.array(apex, dtype=float)), vector(np.array(axis, dtype=float)), half_angle)
    body = real or nominal
    rng = np.random.default_rng(seed)
    height, angle = rng.uniform(*span, count), rng.uniform(0, turn, count)
    w = np.array(body.axis)
    u, v = perpendicular(w)
    radial = np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * v
    out = radial * np.cos(body.half_angle) - w * np.sin(body.half_angle)
    points = np.array(body.apex) + height[:, None] * (w + np.tan(body.half_angle) * radial)
    points = move_points(move, points + noise * rng.normal(size=(count, 1)) * out)
    start = moved(nominal, move)
    fit = fit_cone(points, start)
    return FoundFeature(
        FeatureSpec(name, "cone", start),
        fit.shape,
        patch=patch_of(points[:100], span, -1),
        points=points,
        fit=fit,
        coverage=1.0,
    )


def round_face(
    name: str,
    point: Sequence[float],
    axis: Sequence[float],
    radius: float,
    span: tuple[float, float],
    *,
    real: float | None = None,
    move: np.ndarray | None = None,
    noise: float = 0.0,
    count: int = 3000,
    turn: float = 2 * np.pi,
    outward: int = 1,
    shift: Sequence[float] = (0.0, 0.0, 0.0),
    seed: int = 0,
) -> FoundFeature:
    """A cylinder fitted to points on it, of the radius ``real``."""
    move = np.eye(4) if move is None else move
    w = np.array(axis, dtype=float) / np.linalg.norm(axis)
    u, v = perpendicular(w)
    rng = np.random.default_rng(seed)
    height, angle = rng.uniform(*span, count), rng.uniform(0, turn, count)
    radial = np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * v
    size = (radius if real is None else real) + noise * rng.normal(size=(count, 1))
    points = np.array(point, dtype=float) + np.array(shift) + height[:, None] * w + size * radial
    nominal = moved(Cylinder(vector(np.array(point, dtype=float)), vector(w), radius), move)
    points = move_points(move, points)
    fit = fit_cylinder(points, nominal)
    shape = fit.shape
    if np.dot(shape.axis, nominal.axis) < 0:
        shape = Cylinder(shape.point, vector(-np.array(shape.axis)), shape.radius)
    at = np.array(shape.point)
    at = at + (np.array(nominal.point) - at) @ np.array(shape.axis) * np.array(shape.axis)
    return FoundFeature(
        FeatureSpec(name, "cylinder", nominal),
        Cylinder(vector(at), shape.axis, shape.radius),
        patch=patch_of(points[:100], span, outward),
        points=points,
        fit=fit,
        coverage=1.0,
    )


def constructed(name: str, kind: str, nominal: Shape, measured: Shape) -> FoundFeature:
    """A constructed feature."""
    return FoundFeature(FeatureSpec(name, kind, nominal, source="constructed"), measured)


def turned(vectors: np.ndarray, move: np.ndarray) -> np.ndarray:
    """Directions (n, 3) after a movement."""
    return turn_vectors(move, vectors)
