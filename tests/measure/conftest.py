"""A plate and a sheet bracket as STEP, and points on exact, displaced surfaces of them, from parameters alone."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import Nominal
from runner.geometry.shapes import Cylinder, Plane
from runner.measure.scene import AlignedScan, Scene, build_scene
from runner.measure.specs import FeatureSpec, MeasurePlan

X, Y, Z = 120.0, 80.0, 20.0
BORES = {"bore a": (30.0, 40.0, 6.0), "bore b": (90.0, 40.0, 10.0)}
PIN = (60.0, 62.0, 5.0, 12.0)
SLOT = (60.0, 20.0, 24.0, 8.0)


@dataclass
class Part:
    """A real plate: what differs from nominal, mm and rad. The test's truth."""

    top_shift: float = 0.0
    top_tilt: float = 0.0
    """Slope of the top over x."""
    top_bow: float = 0.0
    """Height of a parabolic bow of the top over x, 0 at the ends."""
    bore_shift: dict[str, tuple[float, float]] = field(default_factory=dict)
    bore_growth: dict[str, float] = field(default_factory=dict)
    """Added to the radius."""
    bore_lean: dict[str, float] = field(default_factory=dict)
    """Slope of the axis over z, towards +x."""
    bore_lobes: dict[str, tuple[int, float]] = field(default_factory=dict)
    """Undulations per turn and amplitude of the radius."""
    pin_growth: float = 0.0
    noise: float = 0.0


def grid(a: float, b: float, c: float, d: float, step: float, rng: np.random.Generator) -> np.ndarray:
    """Jittered grid points over a rectangle, (n, 2)."""
    u, v = np.meshgrid(np.arange(a + step / 2, b, step), np.arange(c + step / 2, d, step), indexing="ij")
    flat = np.column_stack([u.ravel(), v.ravel()])
    flat = flat + rng.uniform(-0.3, 0.3, flat.shape) * step
    return flat[(flat[:, 0] < b) & (flat[:, 1] < d)]


def in_slot(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Which places lie in the slot."""
    cx, cy, length, width = SLOT
    dx = np.maximum(np.abs(x - cx) - (length - width) / 2, 0.0)
    return np.hypot(dx, y - cy) < width / 2


def sample_plate(
    part: Part, *, step: float = 0.65, seed: int = 0, bottom: bool = True
) -> tuple[np.ndarray, np.ndarray]:
    """Points and outward normals on the exact surfaces of a real plate; only what the parameters say."""
    rng = np.random.default_rng(seed)
    points, normals = [], []

    def add(p: np.ndarray, n: np.ndarray) -> None:
        points.append(p)
        normals.append(np.broadcast_to(n, p.shape))

    flat = grid(0, X, 0, Y, step, rng)
    x, y = flat.T
    open_top = in_slot(x, y)
    for name, (cx, cy, r) in BORES.items():
        sx, sy = part.bore_shift.get(name, (0.0, 0.0))
        open_top |= np.hypot(x - cx - sx, y - cy - sy) < r + part.bore_growth.get(name, 0.0)
    free = ~open_top
    under_pin = np.hypot(x - PIN[0], y - PIN[1]) < PIN[2] + part.pin_growth
    t = flat[free & ~under_pin]
    height = (
        Z + part.top_shift + part.top_tilt * (t[:, 0] - X / 2) + part.top_bow * 4 * (t[:, 0] / X) * (1 - t[:, 0] / X)
    )
    add(np.column_stack([t, height]), np.array([0.0, 0.0, 1.0]))
    if bottom:
        t = flat[free]
        add(np.column_stack([t, np.zeros(len(t))]), np.array([0.0, 0.0, -1.0]))
    for axis, value, limit in ((0, 0.0, Y), (0, X, Y), (1, 0.0, X), (1, Y, X)):
        side = grid(0, limit, 0, Z, step, rng)
        normal = np.zeros(3)
        normal[axis] = 1.0 if value else -1.0
        place = np.zeros((len(side), 3))
        place[:, axis], place[:, 1 - axis], place[:, 2] = value, side[:, 0], side[:, 1]
        add(place, normal)
    for name, (cx, cy, r) in BORES.items():
        growth = part.bore_growth.get(name, 0.0)
        sx, sy = part.bore_shift.get(name, (0.0, 0.0))
        wall = grid(0, 2 * np.pi * r, 0, Z, step, rng)
        angle, z = wall[:, 0] / r, wall[:, 1]
        lobes, amplitude = part.bore_lobes.get(name, (2, 0.0))
        radius = r + growth + amplitude * np.cos(lobes * angle)
        lean = part.bore_lean.get(name, 0.0)
        # a leaning axis: sections across z are circles to second order in the lean
        add(
            np.column_stack([cx + sx + lean * z + radius * np.cos(angle), cy + sy + radius * np.sin(angle), z]),
            np.column_stack([-np.cos(angle), -np.sin(angle), np.zeros_like(z)]),
        )
    px, py, pr, ph = PIN
    wall = grid(0, 2 * np.pi * pr, Z, Z + ph, step, rng)
    angle = wall[:, 0] / pr
    radial = np.column_stack([np.cos(angle), np.sin(angle), np.zeros_like(angle)])
    add(np.array([px, py, 0.0]) + (pr + part.pin_growth) * radial + wall[:, 1:] * np.array([0, 0, 1.0]), radial)
    cap = grid(px - pr, px + pr, py - pr, py + pr, step, rng)
    cap = cap[np.hypot(cap[:, 0] - px, cap[:, 1] - py) < pr]
    add(np.column_stack([cap, np.full(len(cap), Z + ph)]), np.array([0.0, 0.0, 1.0]))
    cx, cy, length, width = SLOT
    half = (length - width) / 2
    run = grid(-half, half, 0, Z, step, rng)
    for side in (1.0, -1.0):
        add(
            np.column_stack([cx + run[:, 0], np.full(len(run), cy + side * width / 2), run[:, 1]]),
            np.array([0.0, -side, 0.0]),
        )
        arc = grid(-np.pi / 2 * width / 2, np.pi / 2 * width / 2, 0, Z, step, rng)
        a = arc[:, 0] / (width / 2)
        radial = np.column_stack([side * np.cos(a), np.sin(a), np.zeros_like(a)])
        add(np.array([cx + side * half, cy, 0.0]) + width / 2 * radial + arc[:, 1:] * np.array([0, 0, 1.0]), -radial)
    p, n = np.vstack(points), np.vstack(normals)
    return p + part.noise * rng.normal(size=(len(p), 1)) * n, n.copy()


@pytest.fixture(scope="session")
def plate(tmp_path_factory: pytest.TempPathFactory) -> Nominal:
    """The nominal plate, made by the CAD kernel and read from STEP."""
    from runner.nominal.load import load_nominal
    from runner.rehearse import solids

    body = solids.cut(
        solids.box((0.0, 0.0, 0.0), (X, Y, Z)),
        *(solids.cylinder((cx, cy, -1.0), (0, 0, 1), 2 * r, Z + 2) for cx, cy, r in BORES.values()),
        solids.slot_tool((SLOT[0], SLOT[1], Z / 2), (0, 0, 1), (1, 0, 0), SLOT[2], SLOT[3], Z),
    )
    body = solids.fuse(body, solids.cylinder((PIN[0], PIN[1], Z - 1.0), (0, 0, 1), 2 * PIN[2], PIN[3] + 1.0))
    path: Path = tmp_path_factory.mktemp("plate") / "plate.step"
    solids.write_step(body, path, "plate")
    return load_nominal(path)


@pytest.fixture(scope="session")
def plate_index(plate: Nominal) -> SurfaceIndex:
    return SurfaceIndex.build(plate)


def plate_features() -> dict[str, FeatureSpec]:
    """Nominal features of the plate."""
    up = (0.0, 0.0, 1.0)
    found = {
        "top": FeatureSpec("top", "plane", Plane((5.0, 5.0, Z), up)),
        "bottom": FeatureSpec("bottom", "plane", Plane((5.0, 5.0, 0.0), (0.0, 0.0, -1.0))),
        "left": FeatureSpec("left", "plane", Plane((0.0, 40.0, 10.0), (-1.0, 0.0, 0.0))),
        "right": FeatureSpec("right", "plane", Plane((X, 40.0, 10.0), (1.0, 0.0, 0.0))),
        "front": FeatureSpec("front", "plane", Plane((60.0, 0.0, 10.0), (0.0, -1.0, 0.0))),
        "pin": FeatureSpec("pin", "cylinder", Cylinder((PIN[0], PIN[1], Z), up, PIN[2])),
        "skin": FeatureSpec("skin", "surface", None, search=3.0),
    }
    for name, (cx, cy, r) in BORES.items():
        found[name] = FeatureSpec(name, "cylinder", Cylinder((cx, cy, 0.0), up, r))
    return found


@pytest.fixture()
def plate_specs() -> dict[str, FeatureSpec]:
    return plate_features()


@pytest.fixture()
def make_plan():
    """A plan of given features, datum systems and characteristics."""

    def make(features, characteristics=(), datum_systems=(), **more) -> MeasurePlan:
        return MeasurePlan(
            standard="ISO GPS",
            features=tuple(features),
            datum_systems=tuple(datum_systems),
            characteristics=tuple(characteristics),
            noise=more.get("noise", 0.02),
            spacing=more.get("spacing", 0.5),
            sheet_thickness=more.get("sheet_thickness"),
        )

    return make


@pytest.fixture()
def make_scene(plate: Nominal, plate_index: SurfaceIndex):
    """The scene of points (and normals) on the plate."""

    def make(points, normals=None, *, signed=True, removed=None, reach=5.0) -> Scene:
        scan = AlignedScan(points, normals, normals_signed=signed and normals is not None, removed=removed)
        return build_scene([scan], plate, plate_index, reach)

    return make


@pytest.fixture()
def plate_part():
    return Part


@pytest.fixture()
def plate_sample():
    return sample_plate


THICK, WIDE, DEEP, TALL = 1.5, 80.0, 60.0, 30.0
HOLE = (25.0, 30.0, 6.0)
LONG = (55.0, 30.0, 20.0, 8.0)


@pytest.fixture(scope="session")
def bracket(tmp_path_factory: pytest.TempPathFactory) -> Nominal:
    """A bracket of 1.5 mm sheet: base with a hole and a slot, flange upright at x = 80."""
    from runner.nominal.load import load_nominal
    from runner.rehearse import solids

    body = solids.fuse(
        solids.box((0.0, 0.0, 0.0), (WIDE, DEEP, THICK)),
        solids.box((WIDE - THICK, 0.0, 0.0), (WIDE, DEEP, TALL)),
    )
    body = solids.cut(
        body,
        solids.cylinder((HOLE[0], HOLE[1], -1.0), (0, 0, 1), 2 * HOLE[2], THICK + 2),
        solids.slot_tool((LONG[0], LONG[1], THICK / 2), (0, 0, 1), (1, 0, 0), LONG[2], LONG[3], THICK),
    )
    path = tmp_path_factory.mktemp("bracket") / "bracket.step"
    solids.write_step(body, path, "bracket")
    return load_nominal(path)


@pytest.fixture(scope="session")
def bracket_index(bracket: Nominal) -> SurfaceIndex:
    return SurfaceIndex.build(bracket)


def pattern(kind: str, spacing: float, rng: np.random.Generator, low: tuple, high: tuple) -> np.ndarray:
    """Sampling places (n, 2): ``grid``, ``stripes`` (1:3) or ``random``, at random phase and direction."""
    middle, half = (np.array(low) + high) / 2, 0.75 * float(np.max(np.subtract(high, low)))
    if kind == "random":
        flat = rng.uniform(-half, half, (rng.poisson((2 * half) ** 2 / spacing**2), 2))
    else:
        a, b = (spacing, spacing) if kind == "grid" else (spacing / np.sqrt(3), spacing * np.sqrt(3))
        angle = rng.uniform(0, 2 * np.pi)
        x, y = np.meshgrid(np.arange(-half, half, a), np.arange(-half, half, b), indexing="ij")
        if kind == "stripes":
            x = x + rng.uniform(0, a, (1, x.shape[1]))
        flat = np.column_stack([x.ravel(), y.ravel()]) + rng.uniform(0, max(a, b), 2)
        c, s = np.cos(angle), np.sin(angle)
        flat = flat @ np.array([[c, -s], [s, c]]).T
    flat = flat + middle
    return flat[np.all((flat > low) & (flat < high), axis=1)]


@pytest.fixture()
def sampling_pattern():
    return pattern


@pytest.fixture()
def sheet_top():
    """Points of the base's upper side with the hole's wall: centre shift, growth of radius, slot growth."""

    def make(kind, spacing, seed, *, shift=(0.0, 0.0), growth=0.0, slot=0.0, wall=True, noise=0.02):
        rng = np.random.default_rng(seed)
        p = pattern(kind, spacing, rng, (0.0, 0.0), (WIDE - THICK, DEEP))
        cx, cy, r = HOLE[0] + shift[0], HOLE[1] + shift[1], HOLE[2] + growth
        kept = np.hypot(p[:, 0] - cx, p[:, 1] - cy) > r
        along = np.maximum(np.abs(p[:, 0] - LONG[0]) - (LONG[2] - LONG[3]) / 2, 0.0)
        kept &= np.hypot(along, p[:, 1] - LONG[1]) > LONG[3] / 2 + slot
        p = p[kept]
        points, normals = [np.column_stack([p, np.full(len(p), THICK)])], [np.tile([0.0, 0.0, 1.0], (len(p), 1))]
        if wall:
            n = rng.poisson(2 * np.pi * r * THICK / spacing**2)
            angle, z = rng.uniform(0, 2 * np.pi, n), rng.uniform(0, THICK, n)
            points.append(np.column_stack([cx + r * np.cos(angle), cy + r * np.sin(angle), z]))
            normals.append(-np.column_stack([np.cos(angle), np.sin(angle), np.zeros(n)]))
        q, m = np.vstack(points), np.vstack(normals)
        return q + noise * rng.normal(size=(len(q), 1)) * m, m

    return make
