"""Surface points on a tube, where the real surface is known at every place."""

import numpy as np
import pytest

from runner.geometry.frames import rigid, rotation_from_vector
from runner.geometry.shapes import Cylinder, Plane, Point
from runner.measure.specs import DatumSpec, DatumSystemSpec, FeatureSpec, PointSpec
from runner.records import Verdict
from tests.measure.details import char
from tests.measure.tube import INNER, OUTER, Real, run, scan, scene, tube


def on_outside(angle, z=30.0, name="p", lower=-0.1, upper=0.1):
    way = (float(np.cos(angle)), float(np.sin(angle)), 0.0)
    return PointSpec(name, (OUTER * way[0], OUTER * way[1], z), way, lower, upper)


def listed(of, points, **more):
    spec = char("surface points", points=tuple(points), nominal=0.0, **more)
    systems = more.pop("systems", ())
    return run(of, [], [spec], systems).results[0]


@pytest.mark.parametrize("mesh", [True, False])
def test_every_point_has_its_own_deviation_and_limits(mesh):
    """Outer radius 0.05 too large with 3 lobes of 0.04: 0.05 + 0.04 cos 3a, in noise of 0.02."""
    real = Real(outer=0.05, lobes=(3, 0.04), noise=0.02)
    angles = np.linspace(0, 2 * np.pi, 24, endpoint=False) + 0.03
    points = [on_outside(a, 8.0 + 2.0 * k, f"p{k}", -0.07, 0.07) for k, a in enumerate(angles)]
    result = listed(scene(scan(real, mesh=mesh)), points)
    true = 0.05 + 0.04 * np.cos(3 * angles)
    assert len(result.parts) == 24
    error = np.array([p.value for p in result.parts]) - true
    # 28 points of 0.02: 0.004 each; 24 of them stay within four of these, and have no bias (two of 0.004 / sqrt 24)
    assert np.abs(error).max() < 0.016
    assert abs(error.mean()) < 2 * 0.02 / np.sqrt(28 * 24) + 5e-4
    clear = np.abs(np.abs(true) - 0.07) > 0.016
    for part, good, sure in zip(result.parts, np.abs(true) <= 0.07, clear, strict=True):
        if sure:
            assert part.verdict is (Verdict.CONFORMS if good else Verdict.DOES_NOT_CONFORM), part
    assert result.verdict is Verdict.DOES_NOT_CONFORM


def test_stated_noise_is_the_scatter_of_repetition():
    values, stated = [], []
    for seed in range(30):
        part = listed(scene(scan(Real(noise=0.03), seed=seed, inner=False, arc=(-0.6, 0.6))), [on_outside(0.0)])
        values.append(part.value)
        stated.append(part.details["standard deviation from noise"])
    assert np.std(values, ddof=1) == pytest.approx(np.mean(stated), rel=0.4)


def test_a_curved_surface_that_slid_sideways():
    """Shift of (0.3, 0.4): along the line at angle a the surface of a shifted circle is met at the exact root."""
    shift = np.array([0.3, 0.4])
    angles = np.array([0.2, 1.0, 2.0, 3.3, 5.0])
    got = listed(scene(scan(Real(shift=tuple(shift)))), [on_outside(a, 30, f"p{k}") for k, a in enumerate(angles)])
    for a, part in zip(angles, got.parts, strict=True):
        way = np.array([np.cos(a), np.sin(a)])
        along = way @ shift
        met = along + np.sqrt(OUTER**2 - shift @ shift + along**2) - OUTER
        assert part.value == pytest.approx(met, abs=1e-3)


def test_thin_wall_off_by_more_than_half_its_thickness():
    """Wall 2 mm, outside 1.3 too small and inside seen too: each side is compared with its own nominal."""
    of = scene(scan(Real(outer=-1.3)))
    inside = PointSpec("inside", (INNER, 0.0, 30.0), (-1.0, 0.0, 0.0), -0.1, 0.1)
    got = listed(of, [on_outside(0.0, name="outside"), inside], search=2.0)
    assert [p.value for p in got.parts] == pytest.approx([-1.3, 0.0], abs=2e-3)


def test_oblique_direction_measures_along_it():
    """0.1 of growth along the normal is 0.1 / cos 30 deg along a line at 30 deg (flat in its own direction, z)."""
    way = (float(np.cos(np.pi / 6)), 0.0, 0.5)
    spot = FeatureSpec(
        "spot", "surface point", Point((OUTER, 0.0, 30.0)), normal=(1.0, 0.0, 0.0), direction=way, search=1.0
    )
    spec = char("surface points", "spot", nominal=0.0, lower=-0.2, upper=0.2)
    got = run(scene(scan(Real(outer=0.1))), [spot], [spec])
    assert got.results[0].value == pytest.approx(0.1 / np.cos(np.pi / 6), abs=1e-3)
    # the feature is a point of the fitted frame, met by the same line
    at = np.array(got.features[0].parameters["point"])
    assert at == pytest.approx(np.array([OUTER, 0, 30.0]) + 0.1 / np.cos(np.pi / 6) * np.array(way), abs=1e-3)


def test_in_the_datum_frame():
    """A displaced part, seated on its own bore and end, has the deviations it was made with."""
    away = rigid(rotation_from_vector(np.array([0.004, -0.003, 0.0])), np.array([0.2, -0.15, 0.1]))
    flat = scan(Real(outer=0.08), move=away)
    rng = np.random.default_rng(3)
    angle, radius = rng.uniform(0, 2 * np.pi, 300), rng.uniform(INNER, OUTER, 300)
    end = np.column_stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(300)])
    from dataclasses import replace

    from runner.geometry.frames import move_points, turn_vectors

    points = np.vstack([flat.points, move_points(away, end)])
    normals = np.vstack([flat.normals, turn_vectors(away, np.tile([0.0, 0, -1], (300, 1)))])
    features = [
        FeatureSpec("bore", "cylinder", Cylinder((0.0, 0, 0), (0, 0, 1.0), INNER)),
        FeatureSpec("end", "plane", Plane((19.0, 0, 0), (0, 0, -1.0))),
    ]
    system = DatumSystemSpec("main", (DatumSpec("A", ("end",)), DatumSpec("B", ("bore",), "least squares")))
    spec = char(
        "surface points", points=tuple(on_outside(a, 20 + 5 * a, f"p{a}") for a in (0.0, 1.5, 3.0, 5.0)),
        nominal=0.0, datum_system="main",
    )  # fmt: skip
    got = run(scene(replace(flat, points=points, normals=normals)), features, [spec], (system,)).results[0]
    assert [p.value for p in got.parts] == pytest.approx([0.08] * 4, abs=0.004)


@pytest.mark.parametrize(
    ("point", "text"),
    [
        (on_outside(0.0, 0.5), "edge of the surface"),
        (PointSpec("p", (OUTER + 0.5, 0.0, 30.0), (1.0, 0.0, 0.0), -0.1, 0.1), "off the nominal"),
        (PointSpec("p", (OUTER, 0.0, 30.0), (0.0, 0.0, 1.0), -0.1, 0.1), "nominal"),
        (PointSpec("p", (OUTER, 0.0, 30.0), (-1.0, 0.0, 0.0), -0.1, 0.1), "off the nominal"),
        (PointSpec("p", (float("nan"), 0.0, 30.0), (1.0, 0.0, 0.0), -0.1, 0.1), "not usable"),
        (PointSpec("p", (OUTER, 0.0, 30.0), (0.0, 0.0, 0.0), -0.1, 0.1), "not usable"),
        (on_outside(2.0), "not seen"),
        (on_outside(1.0), "scan ends there"),
        (on_outside(0.0), ""),
    ],
)
def test_refusals(point, text):
    """The scan shows the outside from -1 to 1 rad only."""
    result = listed(scene(scan(Real(), inner=False, arc=(-1.0, 1.0))), [point])
    if text:
        assert result.verdict is Verdict.NOT_MEASURED
        assert text in result.reason
    else:
        assert result.value == pytest.approx(0.0, abs=1e-6)


def test_unsigned_layers_are_not_averaged():
    """Two skins 0.4 mm apart over one place (a flap, a doubled scan): nobody knows which is meant."""
    of = scene(scan(Real(), inner=False), scan(Real(outer=-0.4), inner=False, seed=1))
    assert "two surfaces" in listed(of, [on_outside(0.0)]).reason


def test_one_stray_point_is_shown_and_left_out():
    one = scan(Real(noise=0.005), inner=False)
    near = np.argmin(np.linalg.norm(one.points - [OUTER, 0, 30], axis=1))
    one.points[near] *= [1.03, 1.03, 1.0]
    result = listed(scene(one), [on_outside(0.0)])
    assert result.value == pytest.approx(0.0, abs=0.006)
    assert result.details["isolated points left out"] == 1.0


def test_an_empty_list_and_a_wrong_feature():
    of = scene(scan(Real(), inner=False))
    assert "empty" in listed(of, []).reason
    pin = FeatureSpec("pin", "cylinder", Cylinder((0.0, 0, 0), (0, 0, 1.0), OUTER))
    assert "no surface point" in run(of, [pin], [char("surface points", "pin")]).results[0].reason


def test_found_before_production():
    """``check`` says what the measurement would say, from the nominal and the expected spacing alone."""
    from runner.measure.check import locate
    from runner.measure.patch import NoPatch

    def at(z, normal=(1.0, 0.0, 0.0)):
        return FeatureSpec("p", "surface point", Point((OUTER, 0.0, z)), normal=normal)

    nominal = tube()[0]
    assert locate(at(30.0), nominal, 0.9) is None
    near = locate(at(0.5), nominal, 0.9)
    assert isinstance(near, NoPatch) and "edge of the surface lies 0.50 mm away" in near.reason
    away = locate(at(30.0, (-1.0, 0.0, 0.0)), nominal, 0.9)
    assert isinstance(away, NoPatch) and "off the nominal" in away.reason
