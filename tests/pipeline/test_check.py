"""What ``runner check`` says about the nominal itself."""

from dataclasses import replace

import pytest

from runner.pipeline.check import check_on_nominal


def with_notes(plan, *notes, source="step"):
    return replace(plan, nominal=replace(plan.nominal, notes=notes, source=source))


def test_a_sound_nominal_gives_no_problem(bench):
    assert [p for p in check_on_nominal(bench.plan) if p.where.startswith("nominal")] == []


@pytest.mark.parametrize(
    ("note", "source", "severity"),
    [
        ("2 of 40 faces could not be meshed and are left out of all distances.", "step", "error"),
        ("The file lists 40 faces; only 38 of them could be read.", "step", "error"),
        ("The faces don't close to a solid; sides are told by the nearest face.", "step", "error"),
        ("The model holds surfaces but no solid.", "step", "error"),
        ("The solid is inside out in the file; its faces were turned round.", "step", "warning"),
        ("The mesh is not closed; sides are told by the nearest triangle.", "mesh", "warning"),
    ],
)
def test_notes_of_the_nominal_are_problems_at_its_line(bench, note, source, severity):
    found = [p for p in check_on_nominal(with_notes(bench.plan, note, source=source)) if p.where.startswith("nominal")]
    assert [p.severity for p in found] == [severity]
    assert found[0].excerpt.startswith("nominal:")
    assert found[0].message.lower() == note.lower()
