"""Arcs, edges between faces, tori, rectangles, associations and constructed features on exact surfaces: the truth is
what the points were made from."""

from dataclasses import replace

import numpy as np
import pytest

from runner.geometry.distance import SurfaceIndex
from runner.geometry.fits.pair import mating_pair
from runner.geometry.mesh import TriangleMesh
from runner.geometry.shapes import Circle, Line, Plane, Point, Slot, Sphere, Torus
from runner.measure.construct import construct
from runner.measure.features import measure_features
from runner.measure.run import measure
from runner.measure.scene import AlignedScan, build_scene
from runner.measure.specs import CharacteristicSpec, FeatureSpec

UP = (0.0, 0.0, 1.0)


@pytest.fixture()
def found(plate, plate_index, make_plan, make_scene, plate_sample):
    def go(part, features, **more):
        points, normals = plate_sample(part, **more)
        return measure_features(make_plan(features), plate, plate_index, make_scene(points, normals))

    return go


@pytest.mark.parametrize("turn", [10.0, 200.0])
def test_an_arc_of_a_wall_is_exact_and_its_radius_as_uncertain_as_it_says(found, plate_part, turn):
    arc = FeatureSpec(
        "arc",
        "arc",
        Circle((90.0, 40.0, 10.0), UP, 10.0),
        turn=(0.0, np.radians(turn)),
        zero=(1.0, 0.0, 0.0),
        search=1.0,
    )
    step = 0.3 if turn < 20 else 0.65
    part = plate_part(bore_shift={"bore b": (0.2, -0.1)}, bore_growth={"bore b": 0.05})
    got = found(part, [arc], step=step)["arc"]
    assert got.ok, got.reason
    assert got.shape.radius == pytest.approx(10.05, abs=1e-8)
    np.testing.assert_allclose(got.shape.centre, (90.2, 39.9, 10.0), atol=1e-8)
    errors, stated = [], []
    for seed in range(4):
        got = found(replace(part, noise=0.01), [arc], step=step, seed=seed)["arc"]
        assert got.ok, got.reason
        errors.append(got.shape.radius - 10.05)
        stated.append(got.fit.standard("radius"))
    # chi-square over 4: between 0.15 and 2.6 times with more than 99.9 %
    ratio = np.sqrt(np.mean(np.square(errors))) / np.mean(stated)
    assert 0.15 < ratio < 2.6


def test_an_edge_between_faces_is_where_their_planes_meet(found, plate_part):
    edge = FeatureSpec("edge", "line", Line((0.0, 40.0, 20.0), (0.0, 1.0, 0.0)), search=2.0)
    got = found(plate_part(top_shift=0.3, top_tilt=0.002), [edge])["edge"]
    assert got.ok, got.reason
    # top: z = 20.3 + 0.002 (x - 60), left: x = 0
    np.testing.assert_allclose(got.shape.point, (0.0, 40.0, 20.18), atol=1e-7)
    np.testing.assert_allclose(got.shape.direction, (0.0, 1.0, 0.0), atol=1e-8)
    assert got.axial == pytest.approx((-40.0, 40.0), abs=1e-6)
    assert got.coverage > 0.9
    noisy = [found(plate_part(noise=0.02), [edge], seed=k)["edge"] for k in range(4)]
    errors = [np.array(n.shape.point)[[0, 2]] for n in noisy] - np.array([0.0, 20.0])
    stated = np.mean([np.trace(n.fit.covariance_at(n.shape.point)) for n in noisy])
    assert 0.2 < np.sqrt(np.mean(np.sum(np.square(errors), axis=1)) / stated) < 2.0


@pytest.mark.parametrize("shift", [1.5, -1.5])
def test_a_face_beyond_its_search_is_named_as_such_and_not_lost(found, plate_part, plate_specs, shift):
    got = found(plate_part(top_shift=shift), [replace(plate_specs["top"], search=1.0)])["top"]
    assert not got.ok
    assert got.reason == "what was found lies 1.50 mm from nominal, beyond the search of 1 mm"


@pytest.mark.parametrize(
    ("name", "association", "size"),
    [
        # three lobes of 0.05: inscribed and circumscribed circles touch the lobes' crests and troughs
        ("bore a", "maximum inscribed", 5.95),
        ("bore a", "minimum circumscribed", 6.05),
        ("bore a", "outside material", 5.95),
        ("bore a", "minimum zone", 6.0),
    ],
)
def test_a_lobed_bore_by_each_association(found, plate_part, plate_specs, name, association, size):
    part = plate_part(bore_lobes={"bore a": (3, 0.05)})
    got = found(part, [replace(plate_specs[name], association=association)])[name]
    assert got.ok, got.reason
    # points are 0.65 mm apart: a crest is missed by at most 0.05 (1 - cos(3 * 0.33 / 6))
    assert got.shape.radius == pytest.approx(size, abs=1e-3)
    np.testing.assert_allclose(np.array(got.shape.point)[:2], (30, 40), atol=2e-3)


def test_a_bowed_face_by_each_association(found, plate_part, plate_specs):
    part = plate_part(top_bow=0.1)
    top = plate_specs["top"]
    by = {a: found(part, [replace(top, association=a)])["top"] for a in ("minimum zone", "outside material")}
    # the parabola is 0.1 high in the middle, and margins cut its ends off by 1.5 spacings
    assert by["outside material"].shape.point[2] == pytest.approx(20.1, abs=1e-3)
    assert by["minimum zone"].shape.point[2] == pytest.approx(20.0525, abs=3e-3)
    refused = found(part, [replace(top, association="maximum inscribed")])["top"]
    assert "no maximum inscribed association" in refused.reason


def test_constructed_features_follow_their_parents(found, plate_part, plate_specs):
    specs = [plate_specs[n] for n in ("bore a", "bore b", "left", "right", "top")]
    made = {
        "between": ("midpoint", ("bore a", "bore b")),
        "half": ("symmetry plane", ("left", "right")),
        "pierced": ("intersection", ("bore a", "top")),
        "lost": ("midpoint", ("bore a", "ghost")),
        "second": ("projection", ("pierced", "left")),
        "ground": ("midpoint", ("bore a", "nothing there")),
    }
    for name, (kind, parents) in made.items():
        nominal = construct(kind, [s.shape for p in parents for s in specs if s.name == p])
        shape = None if isinstance(nominal, str) else nominal
        specs.append(FeatureSpec(name, kind, shape, source="constructed", parents=parents))
    specs.insert(0, FeatureSpec("nothing there", "plane", Plane((5, 5, 33.0), UP)))
    part = plate_part(bore_shift={"bore a": (0.1, 0.0)}, top_shift=0.2)
    got = found(part, specs)
    assert isinstance(got["between"].shape, Line)
    np.testing.assert_allclose(got["between"].shape.point, (60.05, 40.0, 0.0), atol=1e-7)
    assert got["between"].axial == pytest.approx((0.0, 20.0), abs=1e-6)
    np.testing.assert_allclose(got["half"].shape.point, (60.0, 40.0, 10.0), atol=1e-7)
    np.testing.assert_allclose(got["half"].shape.normal, (-1, 0, 0), atol=1e-9)
    assert isinstance(got["pierced"].shape, Point)
    np.testing.assert_allclose(got["pierced"].shape.point, (30.1, 40.0, 20.2), atol=1e-7)
    np.testing.assert_allclose(got["second"].shape.point, (0.0, 40.0, 20.2), atol=1e-7)
    assert 'no feature "ghost"' in got["lost"].reason
    assert '"nothing there" it is made of' in got["ground"].reason
    assert got["pierced"].record().parameters["point"] == pytest.approx((30.1, 40.0, 20.2), abs=1e-7)


def turned(ring, tube, rings, tubes):
    """A closed mesh of a torus."""
    a, b = np.meshgrid(2 * np.pi * np.arange(rings) / rings, 2 * np.pi * np.arange(tubes) / tubes, indexing="ij")
    rho = ring + tube * np.cos(b)
    vertices = np.column_stack([(rho * np.cos(a)).ravel(), (rho * np.sin(a)).ravel(), (tube * np.sin(b)).ravel()])
    i, j = (k.ravel() for k in np.meshgrid(np.arange(rings), np.arange(tubes), indexing="ij"))
    p, q, r, s = (((i + x) % rings) * tubes + (j + y) % tubes for x, y in ((0, 0), (1, 0), (1, 1), (0, 1)))
    triangles = np.vstack([np.column_stack([p, q, r]), np.column_stack([p, r, s])])
    return TriangleMesh(vertices, triangles.astype(np.int32))


def test_a_torus_on_a_mesh_nominal(make_plan):
    from runner.nominal.patches import nominal_from_mesh

    nominal = nominal_from_mesh(turned(30.0, 8.0, 180, 60), "1" * 64)
    rng = np.random.default_rng(4)
    a, b = rng.uniform(0, 2 * np.pi, (2, 6_000))
    rho = 30.1 + 8.05 * np.cos(b)
    normals = np.column_stack([np.cos(b) * np.cos(a), np.cos(b) * np.sin(a), np.sin(b)])
    points = np.column_stack([rho * np.cos(a), rho * np.sin(a), 8.05 * np.sin(b)]) + [0.3, -0.2, 0.1]
    index = SurfaceIndex.build(nominal)
    scene = build_scene([AlignedScan(points, normals, normals_signed=True)], nominal, index, 5.0)
    spec = FeatureSpec("ring", "torus", Torus((0.0, 0.0, 0.0), UP, 30.0, 8.0))
    for association in ("least squares", "minimum zone"):
        got = measure_features(make_plan([replace(spec, association=association)]), nominal, index, scene)["ring"]
        assert got.ok, got.reason
        assert (got.shape.radius, got.shape.minor) == pytest.approx((30.1, 8.05), abs=1e-8)
        np.testing.assert_allclose(got.shape.centre, (0.3, -0.2, 0.1), atol=1e-8)


@pytest.fixture(scope="module")
def frame_part(tmp_path_factory):
    """A 60 x 40 x 8 plate with a 24 x 12 window."""
    from runner.nominal.load import load_nominal
    from runner.rehearse import solids

    body = solids.cut(solids.box((-30, -20, 0), (30, 20, 8)), solids.box((-12, -6, -1), (12, 6, 9)))
    path = tmp_path_factory.mktemp("frame") / "frame.step"
    solids.write_step(body, path, "frame")
    return load_nominal(path)


def window(rng, length, width, shift, noise, taper=0.0, sides=(1, -1)):
    """Points on the walls of the window; ``taper``: slope of both long walls, opening towards +x."""
    points, normals = [], []
    for s in (1, -1):
        x, z = rng.uniform(-length / 2, length / 2, 4000), rng.uniform(0, 8, 4000)
        if s in sides:
            points.append(np.column_stack([x, s * (width / 2 + taper * x), z]))
            normals.append(np.tile([0.0, -s, 0.0], (4000, 1)))
        y, z = rng.uniform(-width / 2, width / 2, 2000), rng.uniform(0, 8, 2000)
        points.append(np.column_stack([np.full(2000, s * length / 2), y, z]))
        normals.append(np.tile([-s, 0.0, 0.0], (2000, 1)))
    p, n = np.vstack(points), np.vstack(normals)
    return p + n * rng.normal(0, noise, (len(p), 1)) + [*shift, 0.0], n


def test_a_rectangle_from_its_walls_and_its_sizes(frame_part, make_plan):
    index = SurfaceIndex.build(frame_part)
    spec = FeatureSpec("window", "rectangle", Slot((0, 0, 4.0), UP, (1, 0, 0), 24.0, 12.0, round_ends=False))
    chars = [
        CharacteristicSpec(d, "size", ("window",), "t", size_definition=d, across="width", lower=11, upper=13)
        for d in ("GG", "two-point", "GX", "envelope")
    ] + [CharacteristicSpec("length", "size", ("window",), "t", across="length", lower=23, upper=25)]

    def go(*args, **more):
        points, normals = window(np.random.default_rng(2), *args, **more)
        scene = build_scene([AlignedScan(points, normals, normals_signed=True)], frame_part, index, 5.0)
        return measure(make_plan([spec], chars), frame_part, index, scene)

    done = go(24.1, 12.06, (0.2, -0.1), 0.0)
    shape = done.found["window"].shape
    assert done.found["window"].ok, done.found["window"].reason
    assert (shape.length, shape.width) == pytest.approx((24.1, 12.06), abs=1e-6)
    np.testing.assert_allclose(shape.centre, (0.2, -0.1, 4.0), atol=1e-6)
    values = {r.id: r.value for r in done.results}
    assert values["GG"] == pytest.approx(12.06, abs=1e-6)
    assert values["length"] == pytest.approx(24.1, abs=1e-6)
    assert values["GX"] == pytest.approx(12.06, abs=1e-6)
    # walls that open by 0.01 over x: the narrow end decides on what fits in
    done = go(24.0, 12.0, (0.0, 0.0), 0.0, taper=0.005)
    values = {r.id: r.value for r in done.results}
    assert values["GG"] == pytest.approx(12.0, abs=5e-3)
    assert values["GX"] == pytest.approx(12.0 - 2 * 0.005 * 12.0, abs=0.01)
    single = go(24.0, 12.0, (0.0, 0.0), 0.0, sides=(1,))
    assert "the points don't hold the width" in single.found["window"].reason


def test_mating_pair_is_the_distance_of_the_hulls():
    from scipy.optimize import minimize

    rng = np.random.default_rng(8)
    for k in range(4):
        d = 2 + k % 2
        upper, lower = (rng.uniform(-20, 20, (40, d)) for _ in range(2))
        for wall, level in ((upper, 5.0), (lower, -5.0)):
            wall[:, -1] = level + 0.05 * rng.uniform(-1, 1, 40) + 0.003 * wall[:, 0]
        away = rng.uniform(-1, 1, d) * 1e4
        for inside in (True, False):

            def width(t, inside=inside, upper=upper, lower=lower):
                w = np.append(t, 1.0) / np.sqrt(1.0 + t @ t)
                return (lower @ w).max() - (upper @ w).min() if inside else (upper @ w).max() - (lower @ w).min()

            best = min(
                minimize(width, s * np.ones(d - 1), method="Nelder-Mead", options={"xatol": 1e-11, "fatol": 1e-12}).fun
                for s in (0.0, 0.003)
            )
            pair = mating_pair(upper + away, lower + away, np.eye(d)[-1], inside=inside)
            assert (-pair.width if inside else pair.width) <= best + 1e-9


def test_sizes_of_a_sphere_seen_all_round_and_from_one_side(make_plan):
    from runner.measure.characteristics.size import _sphere_size, mating_size
    from runner.measure.characteristics.walls import sphere_mating
    from runner.measure.found import FoundFeature

    rng = np.random.default_rng(9)
    v = rng.normal(size=(40_000, 3))
    v /= np.linalg.norm(v, axis=1, keepdims=True)
    # r = 10 + 0.02 (x^4 + y^4 + z^4): 10 + 0.02 / 3 along the diagonals, 10.02 along the axes
    points = v * (10 + 0.02 * np.sum(v**4, axis=1, keepdims=True)) + [1e3, 0, 0]
    spec = FeatureSpec("ball", "sphere", Sphere((1e3, 0, 0), 10.0))
    ball = FoundFeature(spec, Sphere((1e3, 0.0, 0.0), 10.012), points=points)
    two = _sphere_size(CharacteristicSpec("1", "size", ("ball",), "t"), ball)
    assert two.details["smallest"] == pytest.approx(20 + 0.04 / 3, abs=3e-3)
    assert two.details["largest"] == pytest.approx(20.04, abs=3e-3)
    assert sphere_mating(ball, inscribed=False) == pytest.approx(20.04, abs=4e-3)
    half = replace(ball, points=points[v[:, 2] > 0.1])
    assert "one side only" in _sphere_size(CharacteristicSpec("1", "size", ("ball",), "t"), half).reason
    assert "more than half" in mating_size(half)
