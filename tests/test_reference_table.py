"""Every figure of the reference data about fitting, form, registration, tolerances and decisions is met."""

from pathlib import Path

import pytest

from tests.reference_table import CASES, NOT_COMPUTED, REFERENCE

SHARED = Path(__file__).resolve().parents[2] / "shared" / "reference"
CONCERNED = ("fit_", "form_", "registration_", "gdt_", "iso286_", "iso2768_", "decision_", "thermal_")


@pytest.mark.parametrize("file", CASES)
def test_all_figures_of_a_file_are_met(file):
    rows = list(CASES[file](file))
    assert rows
    missed = [row for row in rows if not abs(row.difference) <= row.allowed]
    assert not missed


def test_every_file_that_concerns_measuring_is_compared_or_said_not_to_be():
    here = {path.name for path in REFERENCE.iterdir() if path.name.startswith(CONCERNED)}
    assert here == set(CASES)
    if not SHARED.is_dir():
        pytest.skip("the reference data are not beside this tree: only the copies were compared")
    there = {path.name for path in SHARED.iterdir() if path.name.startswith(CONCERNED)}
    assert there == set(CASES) | set(NOT_COMPUTED)


@pytest.mark.parametrize("path", sorted(REFERENCE.iterdir()), ids=lambda path: path.name)
def test_a_copy_names_its_source_and_is_the_original(path):
    text = path.read_text("utf-8")
    assert text.startswith("# Source: ")
    if not SHARED.is_dir():
        pytest.skip("the reference data are not beside this tree")
    assert text == (SHARED / path.name).read_text("utf-8")


def test_a_wrong_figure_would_be_seen():
    row = next(CASES["fit_plane_tilted.yaml"]("fit_plane_tilted.yaml"))
    assert abs(row.difference) <= row.allowed < 2e-9
    from dataclasses import replace

    assert abs(replace(row, ours=row.ours + 2e-9).difference) > row.allowed
