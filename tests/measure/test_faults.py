"""A fault of the program in one place must not take the other results with it, and must never look like a verdict."""

from dataclasses import replace

import numpy as np
import pytest

from runner.cli.outcomes import inspections_status
from runner.geometry.shapes import Plane
from runner.measure import run as run_module
from runner.measure.faults import describe
from runner.measure.outcome import hold_for_faults
from runner.measure.run import measure
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec, FeatureSpec
from runner.records import Outcome, Verdict
from tests.report.samples import make_inspection

UP, DOWN = (0.0, 0.0, 1.0), (0.0, 0.0, -1.0)


@pytest.fixture()
def flat(make_plan, make_scene, plate_sample, plate_part):
    """A plan of two planes with one good characteristic and one that a test breaks, and a scene of them."""
    features = [
        FeatureSpec("top", "plane", Plane((5.0, 5.0, 20.0), UP)),
        FeatureSpec("bottom", "plane", Plane((5.0, 5.0, 0.0), DOWN)),
    ]
    wanted = [
        CharacteristicSpec("1", "flatness", ("bottom",), "flat", zone=0.2),
        CharacteristicSpec("2", "distance", ("bottom", "top"), "thick", nominal=20.0, lower=19.9, upper=20.1),
    ]
    systems = [DatumSystemSpec("main", (DatumSpec("A", ("bottom",)),))]
    points, normals = plate_sample(plate_part(noise=0.01), step=2.0)
    return make_plan(features, wanted, systems), make_scene(points, normals)


def broken(spec_name):
    def raises(spec, *rest):
        if getattr(spec, "id", getattr(spec, "name", "")) == spec_name:
            return [][3]
        return originals["evaluate"](spec, *rest)

    return raises


originals = {"evaluate": run_module.evaluate}


def test_one_broken_characteristic_leaves_the_other(flat, plate, plate_index, monkeypatch):
    plan, scene = flat
    monkeypatch.setattr(run_module, "evaluate", broken("1"))
    got = measure(plan, plate, plate_index, scene)
    first, second = got.results
    assert first.verdict is Verdict.NOT_MEASURED and first.value is None
    assert first.reason.startswith("a fault of the program: IndexError")
    assert second.verdict is Verdict.CONFORMS and second.value == pytest.approx(20.0, abs=0.005)
    assert [f.what for f in got.faults] == ["characteristic 1"]
    # where it happened is told, folders of the machine are not
    assert "in raises" in got.faults[0].text and "/root" not in got.faults[0].text and "/home" not in got.faults[0].text


def test_one_broken_feature_leaves_the_others(flat, plate, plate_index, monkeypatch):
    plan, scene = flat
    whole = run_module.measure_features

    def breaks(plan, *rest):
        if any(f.name == "top" for f in plan.features):
            raise ZeroDivisionError("division by zero")
        return whole(plan, *rest)

    monkeypatch.setattr(run_module, "measure_features", breaks)
    got = measure(plan, plate, plate_index, scene)
    by_name = {f.name: f for f in got.features}
    assert by_name["bottom"].ok and "a fault of the program: ZeroDivisionError" in by_name["top"].reason
    assert [r.verdict for r in got.results] == [Verdict.CONFORMS, Verdict.NOT_MEASURED]
    assert [f.what for f in got.faults] == ["feature top"]


def test_a_fault_that_does_not_come_again_is_still_told(flat, plate, plate_index, monkeypatch):
    plan, scene = flat
    whole, calls = run_module.measure_features, []

    def once(*given):
        calls.append(1)
        if len(calls) == 1:
            raise RuntimeError("once")
        return whole(*given)

    monkeypatch.setattr(run_module, "measure_features", once)
    assert [f.what for f in measure(plan, plate, plate_index, scene).faults] == ["features"]


def test_a_broken_datum_system_and_map_are_told(flat, plate, plate_index, monkeypatch):
    plan, scene = flat

    def breaks(*given):
        raise ValueError("bad")

    monkeypatch.setattr(run_module, "establish", breaks)
    monkeypatch.setattr(run_module, "deviation_map", breaks)
    got = measure(plan, plate, plate_index, scene)
    assert [f.what for f in got.faults] == ["datum system main", "deviation map"]
    assert got.datum_systems[0].drawing_from_fit is None and "fault" in got.datum_systems[0].reason
    assert np.isnan(got.deviation_map.deviation).all()
    assert all(r.verdict is Verdict.CONFORMS for r in got.results)


def test_the_user_stopping_it_is_no_fault(flat, plate, plate_index, monkeypatch):
    plan, scene = flat

    def stopped(*given):
        raise KeyboardInterrupt

    monkeypatch.setattr(run_module, "evaluate", stopped)
    with pytest.raises(KeyboardInterrupt):
        measure(plan, plate, plate_index, scene)


def test_a_fault_holds_the_part_and_is_the_exit_status():
    reason, advice = hold_for_faults([describe("characteristic 7", ValueError("x"))])
    assert reason == "a fault of the program: characteristic 7: ValueError: x" and advice
    good = make_inspection("1")
    bad = replace(good, outcome=Outcome.REJECT)
    faulty = replace(good, provenance=replace(good.provenance, faults=("characteristic 7: ValueError: x",)))
    assert inspections_status([bad]) == 1
    assert inspections_status([bad, faulty]) == 4
