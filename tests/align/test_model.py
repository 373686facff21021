"""The model of a nominal: what its symmetries are, and that it survives being stored."""

from __future__ import annotations

import numpy as np
import pytest
import sampler

from runner.align.model import AlignmentModel
from runner.align.run import align
from runner.align.types import AlignSettings


def test_symmetries_are_told_apart(prepared):
    bracket, block = prepared("bracket").model.symmetry, prepared("block").model.symmetry
    # half a turn of the bracket misses only one small hole: near, never exact
    assert len(bracket.exact) == 0
    assert bracket.near_share.max() > 0.99
    assert len(bracket.near_mirrored) >= 1
    assert len(block.exact) == 0
    assert len(block.near) == 0


def test_axis_of_a_turned_part(prepared):
    table = prepared("bushing").model.symmetry
    assert len(table.axis) == 1
    assert abs(table.axis[0, 2]) == pytest.approx(1.0, abs=1e-4)
    assert np.abs(table.axis_point[0, :2]).max() < 0.05
    assert len(table.exact_mirrored) >= 1


def test_arrays_round_trip(prepared, tmp_path):
    part = prepared("clip")
    path = tmp_path / "model.npz"
    np.savez(path, **part.model.to_arrays())
    with np.load(path, allow_pickle=False) as stored:
        again = AlignmentModel.from_arrays(dict(stored))
    sim = sampler.simulate(part.nominal, part.index, 12, count=20_000)
    first = align(sim.scan, part.nominal, part.index, part.model, AlignSettings())
    second = align(sim.scan, part.nominal, part.index, again, AlignSettings())
    assert np.abs(first.nominal_from_scan - second.nominal_from_scan).max() < 1e-9


def test_arrays_of_another_format_are_refused(prepared):
    arrays = prepared("clip").model.to_arrays()
    arrays["format"] = np.array(0)
    with pytest.raises(ValueError, match="not an alignment model"):
        AlignmentModel.from_arrays(arrays)
