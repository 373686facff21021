"""A displaced feature is followed, a wrong neighbour is not, and nothing is lost to clipping."""

import numpy as np
import pytest

from runner.geometry.shapes import Cylinder, Plane
from runner.measure.run import measure
from runner.measure.scene import AlignedScan, build_scene
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec, FeatureSpec
from runner.records import Verdict

THICK, TALL = 1.5, 30.0


def bracket_scan(flange_shift, *, step=0.5, noise=0.0, seed=0, sides=(1, -1)):
    """Base and flange of the bracket, both sides; the flange moved along +x. Truth from the parameters alone."""
    rng = np.random.default_rng(seed)

    def grid(a, b, c, d):
        u, v = np.meshgrid(np.arange(a + step / 2, b, step), np.arange(c + step / 2, d, step), indexing="ij")
        return np.column_stack([u.ravel(), v.ravel()]) + rng.uniform(-0.2, 0.2, (u.size, 2)) * step

    points, normals = [], []
    for side in sides:
        x, y = grid(0, 78.5 if side > 0 else 80.0, 0, 60).T
        along = np.maximum(np.abs(x - 55) - 6, 0)
        solid = (np.hypot(x - 25, y - 30) > 6) & (np.hypot(along, y - 30) > 4)
        points.append(np.column_stack([x, y, np.full(len(x), THICK if side > 0 else 0.0)])[solid])
        normals.append(np.tile([0.0, 0.0, float(side)], (solid.sum(), 1)))
        y, z = grid(0, 60, THICK if side < 0 else 0.0, TALL).T
        points.append(np.column_stack([np.full(len(y), (80.0 if side > 0 else 78.5) + flange_shift), y, z]))
        normals.append(np.tile([float(side), 0.0, 0.0], (len(y), 1)))
    turn, z = grid(0, 2 * np.pi * 6, 0, THICK).T / np.array([[6.0], [1.0]])
    points.append(np.column_stack([25 + 6 * np.cos(turn), 30 + 6 * np.sin(turn), z]))
    normals.append(-np.column_stack([np.cos(turn), np.sin(turn), 0 * turn]))
    p, n = np.vstack(points), np.vstack(normals)
    return p + noise * rng.normal(size=(len(p), 1)) * n, n


@pytest.fixture()
def on_bracket(bracket, bracket_index, make_plan):
    def go(points, normals, features, characteristics, systems=(), *, signed=True, reach=5.0):
        scene = build_scene([AlignedScan(points, normals, normals_signed=signed)], bracket, bracket_index, reach)
        return measure(make_plan(features, characteristics, systems), bracket, bracket_index, scene)

    return go


SKIN = FeatureSpec("skin", "surface", None, search=3.0)
FLANGE = FeatureSpec("flange", "plane", Plane((80.0, 30.0, 15.0), (1.0, 0.0, 0.0)), search=2.0)


@pytest.mark.parametrize("shift", [1.5, -1.5])
def test_a_flange_further_out_than_the_fit_reach_is_judged_and_rejected(on_bracket, shift):
    # 1.5 mm in 1.5 mm sheet: each side's points lie exactly on the other side's nominal face
    features = [
        SKIN,
        FeatureSpec("base", "plane", Plane((5.0, 5.0, 0.0), (0.0, 0.0, -1.0))),
        FeatureSpec("hole", "cylinder", Cylinder((25.0, 30.0, 0.0), (0.0, 0.0, 1.0), 6.0)),
    ]
    system = DatumSystemSpec("s", (DatumSpec("A", ("base",)), DatumSpec("B", ("hole",), "least squares")))
    spec = CharacteristicSpec("1", "profile", ("skin",), "t", zone=1.0, reach=4.0, datum_system="s")
    # the turn about the hole is the zone's to take, and here it gains nothing
    result = on_bracket(*bracket_scan(shift), features, [spec], [system]).results[0]
    assert result.verdict is Verdict.DOES_NOT_CONFORM
    assert result.value == pytest.approx(3.0, abs=0.02)
    assert result.details["worst plus"] == pytest.approx(1.5, abs=0.01)
    assert result.details["worst minus"] == pytest.approx(-1.5, abs=0.01)


@pytest.mark.parametrize("shift", [0.0, 1.0, -1.0, 1.5])
def test_a_flange_is_followed_by_its_plane(on_bracket, shift):
    found = on_bracket(*bracket_scan(shift, noise=0.02), [FLANGE], []).found["flange"]
    assert found.ok, found.reason
    assert found.shape.point[0] == pytest.approx(80.0 + shift, abs=0.002)
    assert found.coverage > 0.9


def test_the_inner_side_of_thin_sheet_is_not_taken_for_the_outer(on_bracket):
    # only the inner side was scanned: the outer face is not seen, although it is 1.5 mm away and search is 2
    found = on_bracket(*bracket_scan(0.0, sides=(-1,)), [FLANGE], []).found["flange"]
    assert not found.ok
    unsigned = on_bracket(*bracket_scan(0.0, sides=(-1,)), [FLANGE], [], signed=False).found["flange"]
    assert not unsigned.ok


@pytest.mark.parametrize("name", ["top", "bore a", "bore b", "pin", "left"])
def test_every_feature_of_the_plate_is_followed_by_half_its_search(
    name, plate, plate_index, plate_sample, plate_part, plate_specs, make_plan
):
    points, normals = plate_sample(plate_part(noise=0.01), seed=3)
    spec = plate_specs[name]
    # the whole part moved: every neighbour moves along with the feature, as when the datums lie elsewhere
    direction = {"top": (0, 0, 1.0), "left": (-1.0, 0, 0)}.get(name, (0.6, 0.8, 0.0))
    shift = 0.5 * spec.search * np.array(direction)
    scene = build_scene([AlignedScan(points + shift, normals, normals_signed=True)], plate, plate_index, 5.0)
    found = measure(make_plan([spec]), plate, plate_index, scene).found[name]
    assert found.ok, found.reason
    place = found.shape.point
    moved = np.array(place) - spec.shape.point
    if isinstance(spec.shape, Plane):
        moved = (moved @ np.array(spec.shape.normal)) * np.array(spec.shape.normal)
    assert moved == pytest.approx(shift, abs=0.004)
    if isinstance(spec.shape, Cylinder):
        assert found.shape.radius == pytest.approx(spec.shape.radius, abs=0.003)


def test_a_step_beside_a_face_is_not_taken_for_it(plate, plate_index, make_plan, plate_specs, plate_sample, plate_part):
    # the top is 0.4 mm low; a ledge stands 0.3 mm high over a part of the *left* side's rim, outside the top's outline
    points, normals = plate_sample(plate_part(top_shift=-0.4))
    ledge = np.column_stack(
        [np.random.default_rng(0).uniform(-3, -0.3, 500), np.linspace(10, 70, 500), np.full(500, 20.3)]
    )
    points = np.vstack([points, ledge])
    normals = np.vstack([normals, np.tile([0.0, 0.0, 1.0], (500, 1))])
    scene = build_scene([AlignedScan(points, normals, normals_signed=True)], plate, plate_index, 5.0)
    found = measure(make_plan([plate_specs["top"]]), plate, plate_index, scene).found["top"]
    assert found.shape.point[2] == pytest.approx(19.6, abs=1e-4)


def test_a_burr_stays_and_a_speck_goes(plate, plate_index, make_plan, plate_specs, plate_sample, plate_part):
    rng = np.random.default_rng(1)
    points, normals = plate_sample(plate_part(), step=0.3)
    burr = np.array([50.0, 40.0, 20.15]) + rng.uniform(-0.5, 0.5, (40, 3)) * [1, 1, 0]
    speck = np.array([[20.0, 65.0, 20.95]])
    far = np.array([[100.0, 70.0, 20.9]])
    points = np.vstack([points, burr, speck, far])
    normals = np.vstack([normals, np.tile([0.0, 0.0, 1.0], (42, 1))])
    scene = build_scene([AlignedScan(points, normals, normals_signed=True)], plate, plate_index, 5.0)
    spec = CharacteristicSpec("1", "flatness", ("top",), "t", zone=0.1)
    measured = measure(make_plan([plate_specs["top"]], [spec]), plate, plate_index, scene)
    assert measured.results[0].value == pytest.approx(0.15, abs=0.002)
    assert measured.results[0].verdict is Verdict.DOES_NOT_CONFORM
