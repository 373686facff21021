"""The same features on a mesh nominal: triangles instead of exact faces."""

import numpy as np
import pytest

from runner.geometry.distance import SurfaceIndex
from runner.measure.patch import find_patch
from runner.measure.run import measure
from runner.measure.scene import AlignedScan, build_scene
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec
from runner.records import Verdict


@pytest.fixture(scope="module")
def as_mesh(plate):
    from runner.nominal.patches import nominal_from_mesh

    return nominal_from_mesh(plate.mesh, "0" * 64)


@pytest.mark.parametrize("name", ["top", "bottom", "left", "bore a", "bore b", "pin"])
def test_a_patch_of_triangles_is_that_of_the_faces(plate, as_mesh, plate_specs, name):
    exact, found = find_patch(plate_specs[name], plate, 0.5), find_patch(plate_specs[name], as_mesh, 0.5)
    assert found
    assert found.outward == exact.outward
    assert found.area == pytest.approx(exact.area, rel=1e-3)
    if exact.axial is not None:
        assert found.axial == pytest.approx(exact.axial, abs=1e-6)


def test_measured_on_a_mesh_nominal(as_mesh, plate_sample, plate_part, plate_specs, make_plan):
    points, normals = plate_sample(plate_part(noise=0.01, bore_shift={"bore a": (0.1, 0.0)}))
    index = SurfaceIndex.build(as_mesh)
    scene = build_scene([AlignedScan(points, normals, normals_signed=True)], as_mesh, index, 5.0)
    system = DatumSystemSpec(
        "main", (DatumSpec("A", ("bottom",)), DatumSpec("B", ("left",)), DatumSpec("C", ("front",)))
    )
    chars = [
        CharacteristicSpec("1", "size", ("bore b",), "t", lower=19.9, upper=20.1),
        CharacteristicSpec("2", "position", ("bore a",), "t", zone=0.1, zone_shape="diametral", datum_system="main"),
        CharacteristicSpec("3", "profile", ("skin",), "t", zone=1.0, datum_system="main"),
    ]
    results = measure(make_plan(plate_specs.values(), chars, [system]), as_mesh, index, scene).results
    assert results[0].value == pytest.approx(20.0, abs=0.004)
    assert results[1].value == pytest.approx(0.2, abs=0.008)
    assert results[1].verdict is Verdict.DOES_NOT_CONFORM
    assert results[2].verdict is Verdict.CONFORMS
    assert np.isfinite(results[2].value)
