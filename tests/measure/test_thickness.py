"""Local thickness of sheet: flat and round, against the test's own sheet."""

import numpy as np
import pytest

from runner.geometry.shapes import Cylinder
from runner.measure.characteristics import thickness
from runner.measure.specs import FeatureSpec
from runner.records import Verdict
from tests.measure.details import POSES, char, context, flat_face, pose
from tests.measure.tube import INNER, OUTER, Real, run, scan, scene

WALL = FeatureSpec("wall", "cylinder", Cylinder((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), OUTER), search=2.0)
BORE = FeatureSpec("bore", "cylinder", Cylinder((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), INNER), search=2.0)
SKINS = [
    FeatureSpec("wall", "surface", None, region="faces", region_points=((OUTER, 0.0, 30.0),), search=2.0),
    FeatureSpec("bore", "surface", None, region="faces", region_points=((INNER, 0.0, 30.0),), search=2.0),
]


def flat(a, b, **more):
    return thickness.evaluate(char("thickness", "a", "b", **more), context(a, b))[0]


@pytest.mark.parametrize("seed", POSES)
def test_a_wedge_of_sheet(seed):
    """2 mm, one side turned by 0.01 over 20 mm: 1.9 to 2.1 at the ends (less half a cell), all judged."""
    move = pose(seed)
    a = flat_face("a", [0, 0, 2], [0, 0, 1], along=[1, 0, 0], step=0.2, tilt=[0, 0.01, 0], move=move, noise=0.01)
    b = flat_face("b", [0, 0, 0], [0, 0, -1], along=[1, 0, 0], step=0.2, move=move, noise=0.01, seed=4)
    got = flat(a, b, lower=1.95, upper=2.05)
    # cells lie askew on the face: those at its corners that are thin are left out, not evenly on both sides
    assert got.details["mean"] == pytest.approx(2.0, abs=0.006)
    assert got.judged == pytest.approx((1.91, 2.09), abs=0.015)
    assert abs(got.value - 2.0) == pytest.approx(0.09, abs=0.015)


def test_noise_alone_is_no_wedge():
    a = flat_face("a", [0, 0, 2], [0, 0, 1], step=0.2, noise=0.03)
    b = flat_face("b", [0, 0, 0], [0, 0, -1], step=0.2, noise=0.03, seed=4)
    got = flat(a, b)
    # 50 means of 100 points of 0.03 on both sides would span 4.5 x 0.0042; what noise explains is taken off
    assert np.ptp(got.judged) < 0.012


def test_envelope_of_a_bowed_sheet():
    """Local thickness 2 everywhere; bent parallel by 0.1 it needs a slot of 2.1 (Rule #1 of ASME Y14.5)."""
    a = flat_face("a", [0, 0, 2], [0, 0, 1], along=[1, 0, 0], step=0.1)
    b = flat_face("b", [0, 0, 0], [0, 0, -1], along=[1, 0, 0], step=0.1, seed=4)
    for face in (a, b):
        face.points[:, 2] += 0.1 * (1 - (face.points[:, 0] / 10) ** 2)
    got = flat(a, b, size_definition="envelope", upper=2.05, lower=1.95)
    assert got.details["envelope"] == pytest.approx(2.1, abs=0.012)
    assert (got.details["smallest"], got.details["largest"]) == pytest.approx((2.0, 2.0), abs=0.003)
    assert got.value == pytest.approx(2.1, abs=0.012)


@pytest.mark.parametrize("seed", POSES)
@pytest.mark.parametrize("groove", [False, True])
def test_mating_sizes_of_a_bowed_width(seed, groove):
    """Faces 2 mm apart everywhere, bent parallel by 0.1: 2.1 around them (GN), 1.9 between them (GX); also aslant."""
    move = pose(seed)
    faces = []
    for name, height in (("a", 2.0), ("b", 0.0)):
        up = 1.0 if (height > 0) != groove else -1.0
        face = flat_face(name, [0, 0, height], [0, 0, up], along=[1, 0, 0], step=0.1, seed=int(height), move=move)
        local = (face.points - move[:3, 3]) @ move[:3, :3]
        face.points[:] = face.points + 0.1 * (1 - (local[:, 0] / 10) ** 2)[:, None] * move[:3, 2]
        faces.append(face)
    got = {by: flat(*faces, size_definition=by) for by in ("GG", "GN", "GX", "envelope")}
    # cells of 1 mm take 0.01 off the ends
    assert got["GN"].value == pytest.approx(2.1, abs=0.012)
    assert got["GX"].value == pytest.approx(1.9, abs=0.012)
    assert got["GG"].value == pytest.approx(2.0, abs=0.003)
    # what has to mate: around a rib, within a groove
    assert got["envelope"].details["envelope"] == got["GX" if groove else "GN"].value
    assert flat(*faces[::-1], size_definition="GN").value == pytest.approx(got["GN"].value, abs=0.003)


@pytest.mark.parametrize("features", [[WALL, BORE], SKINS], ids=["elements", "surfaces"])
def test_wall_of_a_tube_place_by_place(features):
    """Outside grown by 0.05 with 2 lobes of 0.1, inside 0.04 smaller: 2.09 -+ 0.1, whatever the noise of 0.01."""
    real = Real(outer=0.05, lobes=(2, 0.1), inner=-0.04, noise=0.01)
    result = run(scene(scan(real)), features, [char("thickness", "wall", "bore", lower=1.9, upper=2.1)]).results[0]
    assert result.details["mean"] == pytest.approx(2.09, abs=0.004)
    assert result.details["largest"] == pytest.approx(2.19, abs=0.012)
    assert result.details["smallest"] == pytest.approx(1.99, abs=0.012)
    assert result.verdict is Verdict.DOES_NOT_CONFORM


def test_an_eccentric_bore_thins_the_wall():
    """Bore 0.3 off centre: 2 -+ 0.3 across."""
    of = scene(scan(Real(), inner=False), scan(Real(shift=(0.3, 0.0)), outer=False))
    result = run(of, [WALL, BORE], [char("thickness", "wall", "bore")]).results[0]
    assert result.details["smallest"] == pytest.approx(1.7, abs=0.01)
    assert result.details["largest"] == pytest.approx(2.3, abs=0.01)


@pytest.mark.parametrize("features", [[WALL, BORE], SKINS], ids=["elements", "surfaces"])
def test_one_side_only_is_not_measured(features):
    of = scene(scan(Real(), inner=False))
    result = run(of, features, [char("thickness", "wall", "bore", lower=1.9, upper=2.1)]).results[0]
    assert result.verdict is Verdict.NOT_MEASURED and "bore" in result.reason


def test_sides_that_were_never_seen_opposite_each_other():
    of = scene(scan(Real(), inner=False, arc=(0.0, 2.8)), scan(Real(), outer=False, arc=(3.2, 6.0)))
    result = run(of, [WALL, BORE], [char("thickness", "wall", "bore", lower=1.9, upper=2.1)]).results[0]
    assert "opposite" in result.reason


def test_wrong_faces():
    a = flat_face("a", [0, 0, 2], [0, 0, 1])
    assert "don't face each other" in flat(a, flat_face("b", [0, 0, 0], [1, 0, 0])).reason
    b = flat_face("b", [100, 0, 0], [0, 0, -1])
    assert "opposite" in flat(a, b).reason
