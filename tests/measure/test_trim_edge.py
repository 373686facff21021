"""Free edges place by place: straight, round, with corners, in plane and on curved sheet, cut by the test itself."""

import numpy as np
import pytest

from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import move_points
from runner.geometry.mesh import TriangleMesh
from runner.geometry.shapes import Circle, Plane, Point, Slot
from runner.measure.check import locate
from runner.measure.features import measure_features
from runner.measure.patch import NoPatch
from runner.measure.run import measure
from runner.measure.scene import AlignedScan, build_scene
from runner.measure.specs import CharacteristicSpec, FeatureSpec, PointSpec
from runner.nominal.patches import nominal_from_mesh

UP = (0.0, 0.0, 1.0)
S = 0.35


def trim(name, *places, normal=UP, **more):
    return FeatureSpec(name, "trim edge", None, source="edges", places=places, normal=normal, **more)


FRONT = trim("front", (5.0, 0.0, 1.5), (70.0, 0.0, 1.5))
LEFT = trim("left", (0.0, 5.0, 1.5), (0.0, 55.0, 1.5))
HOLE = trim("hole", (19.0, 30.0, 1.5))


@pytest.fixture()
def scene_of(bracket, bracket_index, sampling_pattern):
    """A scan of the bracket's base from above: front edge moved out by ``front``, left edge in by ``left``."""

    def make(seed, *, kind="grid", front=0.0, left=0.0, growth=0.0, walls=False, keep=None, signed=True, extra=None):
        rng = np.random.default_rng(seed)
        p = sampling_pattern(kind, S, rng, (-2.0, -2.0), (78.5, 60.0))
        out = front(p[:, 0]) if callable(front) else front
        p = p[(p[:, 0] > left) & (p[:, 1] > -out) & (np.hypot(p[:, 0] - 25, p[:, 1] - 30) > 6 + growth)]
        q, n = np.column_stack([p, np.full(len(p), 1.5)]), np.tile(UP, (len(p), 1))
        if walls:
            m = rng.poisson(78 * 1.5 / S**2)
            x = rng.uniform(0, 78, m)
            y = -(front(x) if callable(front) else np.full(m, front))
            q = np.vstack([q, np.column_stack([x, y, rng.uniform(0, 1.5, m)])])
            n = np.vstack([n, np.tile((0.0, -1.0, 0.0), (m, 1))])
        q = q + 0.02 * rng.normal(size=(len(q), 1)) * n
        if keep is not None:
            q, n = q[keep(q)], n[keep(q)]
        if extra is not None:
            q, n = np.vstack([q, extra]), np.vstack([n, np.tile(UP, (len(extra), 1))])
        scan = AlignedScan(q, n if signed else None, normals_signed=signed)
        return build_scene([scan], bracket, bracket_index, 3.0)

    return make


@pytest.fixture()
def measured(bracket, bracket_index, make_plan):
    def go(specs, scene, *characteristics):
        plan = make_plan(specs, characteristics, spacing=S)
        if characteristics:
            return measure(plan, bracket, bracket_index, scene)
        return measure_features(plan, bracket, bracket_index, scene)

    return go


@pytest.mark.parametrize(("walls", "limit"), [(False, S / 10), (True, 0.005)])
def test_straight_edges_follow_the_material(scene_of, measured, walls, limit):
    means = []
    for seed in range(4):
        found = measured([FRONT, LEFT], scene_of(seed, front=0.12, left=0.2, walls=walls))
        assert all(f.ok for f in found.values())
        front, left = found["front"].places, found["left"].places
        means.append([front.deviation[front.seen].mean() - 0.12, left.deviation[left.seen].mean() + 0.2])
        assert found["front"].coverage == 1.0
        if walls:
            assert front.by_wall > 0.9
    assert abs(np.mean(means, axis=0)[0]) < limit
    assert abs(np.mean(means, axis=0)[1]) < S / 10


def test_a_wave_in_the_edge_is_seen_where_it_is(scene_of, measured):
    def wave(x):
        return 0.5 * np.sin(2 * np.pi * x / 40.0)

    found = measured([FRONT], scene_of(1, front=wave))["front"].places
    truth = wave(found.frames.points[found.at, 0])
    error = (found.deviation - truth)[found.seen]
    assert abs(error.mean()) < S / 10
    assert error.std() < S / 4
    assert np.corrcoef(found.deviation[found.seen], truth[found.seen])[0, 1] > 0.97


def test_the_told_uncertainty_holds_for_stripes_along_the_edge(scene_of, measured):
    # whatever the stripes' direction: errors in units of the told standard uncertainty
    ratios = []
    for seed in range(8):
        found = measured([FRONT], scene_of(seed, kind="stripes", front=0.1))["front"].places
        ratios += ((found.deviation - 0.1) / found.standard)[found.seen].tolist()
    assert 0.5 < np.std(ratios) < 1.6


def test_a_closed_edge_is_walked_round(scene_of, measured):
    found = measured([HOLE], scene_of(2, growth=0.1))["hole"]
    assert found.ok, found.reason
    assert found.places.frames.closed
    assert found.places.frames.length == pytest.approx(2 * np.pi * 6, rel=1e-2)
    assert found.places.deviation.mean() == pytest.approx(-0.1, abs=S / 8)


def test_the_whole_chain_ends_at_the_bend(bracket):
    whole = locate(trim("whole", (30.0, 0.0, 1.5)), bracket, S)
    # front 78.5, left 60, back 78.5: the inner corner of the bend is no free edge
    assert not whole.closed
    assert whole.length == pytest.approx(78.5 + 60 + 78.5, abs=0.15)
    assert (whole.room == 0).any(), "corners are left out"


@pytest.mark.parametrize(
    ("spec", "reason"),
    [
        (trim("a", (30.0, 5.0, 1.5)), "lies 5.00 mm from the point"),
        (trim("a", (30.0, 0.0, 1.5), normal=(0.6, 0.0, 0.8)), ""),
        (trim("a"), "at least one point"),
        (trim("a", (5.0, 0.0, 1.5), (30.0, 20.0, 1.5)), "from the edge that runs through the first"),
        (trim("a", (5.0, 0.0, 1.5), (6.0, 0.0, 1.5)), "too short"),
        (FeatureSpec("a", "edge point", Point((30.0, 10.0, 1.5)), source="edges", normal=UP), "the way outwards"),
    ],
)
def test_edges_that_are_not_on_the_nominal(bracket, spec, reason):
    found = locate(spec, bracket, S)
    assert isinstance(found, NoPatch) == bool(reason)
    if reason:
        assert reason in found.reason


def test_half_an_edge_seen_is_half_covered_and_blocks(scene_of, measured):
    scene = scene_of(3, keep=lambda q: q[:, 0] < 40)
    limits = CharacteristicSpec("1", "trim edge", ("front",), "front", lower=-0.3, upper=0.3, need_coverage=0.9)
    made = measured([FRONT], scene, limits)
    assert made.found["front"].coverage == pytest.approx(35 / 65, abs=0.06)
    assert made.results[0].verdict.value != "conforms"
    gone = measured([FRONT], scene_of(3, keep=lambda q: q[:, 1] > 20))["front"]
    assert not gone.ok
    assert "not seen" in gone.reason


def test_every_place_is_judged(scene_of, measured):
    def bump(x):
        return np.where(np.abs(x - 40) < 4, 0.6, 0.0)

    limits = CharacteristicSpec("1", "trim edge", ("front",), "front", lower=-0.3, upper=0.3)
    made = measured([FRONT], scene_of(4, front=bump), limits)
    result = made.results[0]
    assert result.verdict.value == "does not conform"
    assert result.details["worst plus"] == pytest.approx(0.6, abs=S / 3)
    assert abs(result.details["mean"]) < 0.15
    assert {"raw from outermost points", "edge correction", "standard uncertainty of the edge"} <= set(result.details)


def test_a_speck_beyond_the_edge_does_not_move_it(scene_of, measured):
    speck = np.column_stack([np.arange(10.0, 60.0, 5.0), np.full(10, -0.9), np.full(10, 1.5)])
    plain = measured([FRONT], scene_of(5))["front"].places
    specked = measured([FRONT], scene_of(5, extra=speck))["front"].places
    assert np.abs(specked.deviation - plain.deviation).max() < S / 3


def test_without_normals_it_is_the_same(scene_of, measured):
    found = measured([FRONT], scene_of(6, front=0.1, signed=False))["front"].places
    assert found.deviation[found.seen].mean() == pytest.approx(0.1, abs=S / 6)


def test_edge_points_each_with_its_limits(scene_of, measured):
    points = (
        PointSpec("p1", (30.0, 0.0, 1.5), (0.0, -1.0, 0.0), -0.2, 0.2, UP),
        PointSpec("p2", (0.0, 20.0, 1.5), (-1.0, 0.0, 0.0), -0.2, 0.2, UP),
        PointSpec("p3", (30.0, 10.0, 1.5), (0.0, -1.0, 0.0), -0.2, 0.2, UP),
    )
    feature = FeatureSpec("e", "edge point", Point((50.0, 0.0, 1.5)), source="edges", normal=UP, direction=(0, -1, 0))
    asked = CharacteristicSpec("1", "edge points", ("e",), "points", lower=-0.2, upper=0.2, points=points)
    made = measured([feature], scene_of(7, front=0.1, left=0.4), asked)
    by_name = {p.name: p for p in made.results[0].parts}
    assert by_name["p1"].value == pytest.approx(0.1, abs=S / 3)
    assert by_name["p2"].value == pytest.approx(-0.4, abs=S / 3)
    assert by_name["e"].value == pytest.approx(0.1, abs=S / 3)
    assert by_name["p1"].verdict.value == "conforms"
    assert by_name["p2"].verdict.value == "does not conform"
    assert by_name["p3"].value is None, "there is no edge ten millimetres inside the sheet"


# Curved sheet: a panel bent to a radius of 60 mm about an axis along y, 1.2 mm thick, 40 mm long; its free edges are
# arcs (at y = 0 and y = 40) and straight lines. Truth by the formula alone.
RADIUS, HALF, LONG, THIN = 60.0, 0.4, 40.0, 1.2


def panel_points(angle, y, radius):
    return np.column_stack([radius * np.sin(angle), y, radius * np.cos(angle) - RADIUS])


@pytest.fixture(scope="module")
def panel():
    a, b = np.linspace(-HALF, HALF, 81), np.linspace(0.0, LONG, 41)
    grid = np.stack(np.meshgrid(a, b, indexing="ij"), -1).reshape(-1, 2)
    count = len(grid)
    vertices = np.vstack([panel_points(*grid.T, RADIUS), panel_points(*grid.T, RADIUS - THIN)])
    i, j = (k.ravel() for k in np.meshgrid(np.arange(80), np.arange(40), indexing="ij"))
    p, q, r, s = i * 41 + j, (i + 1) * 41 + j, (i + 1) * 41 + j + 1, i * 41 + j + 1
    top = np.vstack([np.column_stack([p, q, r]), np.column_stack([p, r, s])])
    rim = np.concatenate(
        [np.arange(80) * 41, 80 * 41 + np.arange(40), (80 - np.arange(80)) * 41 + 40, 40 - np.arange(40)]
    )
    after = np.roll(rim, -1)
    sides = np.vstack(
        [np.column_stack([rim, rim + count, after + count]), np.column_stack([rim, after + count, after])]
    )
    return nominal_from_mesh(
        TriangleMesh(vertices, np.vstack([top, top[:, ::-1] + count, sides]).astype(np.int32)), "0" * 64
    )


@pytest.mark.parametrize("far", [0.0, 10_000.0])
def test_an_edge_curved_in_space(panel, make_plan, far):
    rng = np.random.default_rng(5)
    x, y = np.meshgrid(np.arange(-60, 60, S), np.arange(-60, 60, S))
    flat = np.column_stack([x.ravel(), y.ravel()]) @ np.array([[0.9, 0.436], [-0.436, 0.9]])
    flat = flat + rng.uniform(0, S, 2)
    wide = RADIUS * np.arcsin(np.clip(flat[:, 0] / RADIUS, -1, 1))
    kept = (np.abs(wide) < 20.0) & (flat[:, 1] > -0.15) & (flat[:, 1] < 38.0)
    angle, out = (
        wide[kept] / RADIUS,
        np.column_stack([np.sin(wide[kept] / RADIUS), 0 * wide[kept], np.cos(wide[kept] / RADIUS)]),
    )
    points = panel_points(angle, flat[kept, 1], RADIUS) + 0.02 * rng.normal(size=(len(angle), 1)) * out
    shift = np.eye(4)
    shift[:3, 3] = far
    moved = nominal_from_mesh(TriangleMesh(move_points(shift, panel.mesh.vertices), panel.mesh.triangles), "1" * 64)
    spec = trim(
        "arc",
        tuple(np.array([-15.0, 0.0, np.sqrt(60**2 - 225) - 60]) + far),
        tuple(np.array([15.0, 0.0, np.sqrt(60**2 - 225) - 60]) + far),
    )
    scene = build_scene([AlignedScan(points + far, out, normals_signed=True)], moved, SurfaceIndex.build(moved), 3.0)
    found = measure_features(make_plan([spec], spacing=S), moved, SurfaceIndex.build(moved), scene)["arc"]
    assert found.ok, found.reason
    assert found.places.frames.length == pytest.approx(2 * 60 * np.arcsin(0.25), rel=1e-3)
    assert found.places.deviation[found.places.seen].mean() == pytest.approx(0.15, abs=S / 5)
    assert found.places.coverage == 1.0


def test_gap_and_step_between_two_sheets(make_plan):
    # two plates of 1.5 mm side by side, 3 mm apart in the nominal; the second real one 0.4 mm nearer and 0.3 mm higher
    from runner.nominal.patches import nominal_from_mesh as build

    box = np.array([[x, y, z] for x in (0.0, 1.0) for y in (0.0, 1.0) for z in (0.0, 1.0)])
    faces = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = np.array([t for a, b, c, d in faces for t in ((a, b, c), (a, c, d))])
    vertices = np.vstack([box * [40, 30, 1.5], box * [40, 30, 1.5] + [43, 0, 0]])
    nominal = build(TriangleMesh(vertices, np.vstack([triangles, triangles + 8]).astype(np.int32)), "2" * 64)
    rng = np.random.default_rng(1)
    x, y = np.meshgrid(np.arange(0, 90, S), np.arange(0, 30, S))
    flat = np.column_stack([x.ravel(), y.ravel()]) @ np.array([[0.98, 0.199], [-0.199, 0.98]]) + rng.uniform(0, S, 2)
    first, second = flat[(flat[:, 0] < 40) & (flat[:, 0] > 0)], flat[(flat[:, 0] > 42.6)]
    points = np.vstack(
        [np.column_stack([first, np.full(len(first), 1.5)]), np.column_stack([second, np.full(len(second), 1.8)])]
    )
    points = points[(points[:, 1] > 0) & (points[:, 1] < 30)] + [0, 0, 0]
    points[:, 2] += 0.01 * rng.normal(size=len(points))
    index = SurfaceIndex.build(nominal)
    scene = build_scene([AlignedScan(points, np.tile(UP, (len(points), 1)), normals_signed=True)], nominal, index, 3.0)
    one = trim("one", (40.0, 10.0, 1.5), (40.0, 26.0, 1.5))
    two = trim("two", (43.0, 10.0, 1.5), (43.0, 27.0, 1.5))
    top = FeatureSpec("top", "plane", Plane((60.0, 15.0, 1.5), UP))
    asked = [
        CharacteristicSpec("1", "gap", ("one", "two"), "gap", lower=2.0, upper=3.2),
        CharacteristicSpec("2", "step", ("one", "two"), "step", lower=-0.5, upper=0.5),
        CharacteristicSpec("3", "step", ("one", "top"), "step", lower=-0.5, upper=0.2),
        CharacteristicSpec("4", "gap", ("one", "top"), "gap", lower=-0.5, upper=0.2),
    ]
    made = measure(make_plan([one, two, top], asked, spacing=S), nominal, index, scene)
    gap, step, to_plane, askew = made.results
    assert gap.details["mean"] == pytest.approx(2.6, abs=S / 5)
    assert step.details["mean"] == pytest.approx(0.3, abs=0.01)
    assert to_plane.details["mean"] == pytest.approx(0.3, abs=0.01)
    assert to_plane.verdict.value == "does not conform"
    assert askew.value is None
    assert "not seen facing" in askew.reason


def test_rectangle_and_arc_from_edges(scene_of, measured, make_plan, bracket, sampling_pattern, tmp_path):
    from runner.nominal.load import load_nominal
    from runner.rehearse import solids

    body = solids.cut(
        solids.box((0.0, 0.0, 0.0), (60.0, 50.0, 1.5)),
        solids.box((20.0, 20.0, -1.0), (40.0, 32.0, 3.0)),
        solids.cylinder((0.0, 0.0, -1.0), (0, 0, 1), 24.0, 4.0),
    )
    solids.write_step(body, tmp_path / "a.step", "a")
    nominal = load_nominal(tmp_path / "a.step")
    index = SurfaceIndex.build(nominal)
    box = FeatureSpec(
        "box", "rectangle", Slot((30.0, 26.0, 1.5), UP, (1, 0, 0), 20.0, 12.0, False), source="edges", corner_radius=0.5
    )
    arc = FeatureSpec(
        "arc", "arc", Circle((0.0, 0.0, 1.5), UP, 12.0), source="edges", turn=(0.0, np.pi / 2), zero=(1.0, 0.0, 0.0)
    )
    sizes, radii = [], []
    for seed in range(6):
        p = sampling_pattern("grid", S, np.random.default_rng(seed), (0.0, 0.0), (60.0, 50.0))
        inside = np.maximum(np.abs(p[:, 0] - 30.1) - 10.1, np.abs(p[:, 1] - 26) - 6.1) < 0
        p = p[~inside & (np.hypot(*p.T) > 12.0)]
        q = np.column_stack([p, np.full(len(p), 1.5)])
        scene = build_scene([AlignedScan(q, np.tile(UP, (len(q), 1)), normals_signed=True)], nominal, index, 3.0)
        found = measure_features(make_plan([box, arc], spacing=S), nominal, index, scene)
        assert found["box"].ok and found["arc"].ok, (found["box"].reason, found["arc"].reason)
        shape, told = found["box"].shape, found["arc"].border.size_standard
        sizes.append([shape.length - 20.2, shape.width - 12.2, shape.centre[0] - 30.1])
        radii.append(2 * (found["arc"].shape.radius - 12.0) / told)
    assert np.abs(np.mean(sizes, axis=0)).max() < S / 8
    assert np.abs(radii).max() < 3.0


def test_a_hole_in_bowed_sheet(panel_with_hole, make_plan):
    nominal, scan_of = panel_with_hole
    index = SurfaceIndex.build(nominal)
    spec = FeatureSpec("hole", "circle", Circle((0.0, 20.0, 0.0), UP, 5.0), source="edges")
    errors = []
    for seed in range(4):
        scene = build_scene([scan_of(seed, 5.05)], nominal, index, 3.0)
        found = measure_features(make_plan([spec], spacing=S), nominal, index, scene)["hole"]
        assert found.ok, found.reason
        errors.append(2 * (found.shape.radius - 5.05))
    assert abs(np.mean(errors)) < S / 8


@pytest.fixture(scope="module")
def panel_with_hole():
    """The curved panel with a round hole along z, as triangles between rings about the hole, and its scans."""
    turn, steps = np.linspace(0, 2 * np.pi, 120, endpoint=False), np.linspace(0.0, 1.0, 25)
    radius = 5.0 + 13.0 * steps
    x, y = (radius[:, None] * np.cos(turn)).ravel(), 20 + (radius[:, None] * np.sin(turn)).ravel()
    upper = np.column_stack([x, y, np.sqrt(RADIUS**2 - x**2) - RADIUS])
    lower = upper - [0.0, 0.0, THIN]
    count = len(upper)
    i, j = (k.ravel() for k in np.meshgrid(np.arange(24), np.arange(120), indexing="ij"))
    p, q, r, s = i * 120 + j, (i + 1) * 120 + j, (i + 1) * 120 + (j + 1) % 120, i * 120 + (j + 1) % 120
    top = np.vstack([np.column_stack([p, q, r]), np.column_stack([p, r, s])])
    sides = []
    for rim, way in ((np.arange(120), -1), (24 * 120 + np.arange(120), 1)):
        after = np.roll(rim, -1)
        wall = np.vstack(
            [np.column_stack([rim, rim + count, after + count]), np.column_stack([rim, after + count, after])]
        )
        sides.append(wall[:, ::way])
    triangles = np.vstack([top, top[:, ::-1] + count, *sides]).astype(np.int32)
    nominal = nominal_from_mesh(TriangleMesh(np.vstack([upper, lower]), triangles), "3" * 64)

    def scan_of(seed, hole):
        rng = np.random.default_rng(seed)
        u, v = np.meshgrid(np.arange(-20, 20, S), np.arange(-20, 20, S))
        turned = rng.uniform(0, np.pi)
        c, q = np.cos(turned), np.sin(turned)
        flat = np.column_stack([u.ravel(), v.ravel()]) @ np.array([[c, q], [-q, c]]) + rng.uniform(0, S, 2)
        flat = flat[(np.hypot(*flat.T) > hole) & (np.hypot(*flat.T) < 13)]
        z = np.sqrt(RADIUS**2 - flat[:, 0] ** 2) - RADIUS
        out = np.column_stack([flat[:, 0], 0 * z, z + RADIUS]) / RADIUS
        at = np.column_stack([flat[:, 0], flat[:, 1] + 20, z])
        return AlignedScan(at + 0.02 * rng.normal(size=(len(at), 1)) * out, out, normals_signed=True)

    return nominal, scan_of
