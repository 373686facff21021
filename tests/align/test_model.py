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


def test_the_inside_of_a_long_tube_is_hidden():
    import parts

    from runner.align.model import prepare_model
    from runner.geometry.distance import SurfaceIndex

    tube = parts.cut(parts.box(300, 50, 50), parts.box(302, 44, 44, (-1, 3, 3)))
    nominal = parts.nominal_of(*parts.mesh_of(tube))
    model = prepare_model(nominal, SurfaceIndex.build(nominal))
    bins = model.bins(nominal)
    middle = np.array([[150.0, 48.5, 25.0]])
    # 1.5 mm under the outer wall and as much behind the inner one
    for signed, expected in ((True, (50.0, 47.0)), (False, (50.0, 50.0))):
        for normal, wall in zip(((0.0, 1.0, 0.0), (0.0, -1.0, 0.0)), expected, strict=True):
            foot, _, _ = bins.closest(middle + (0, -0.2, 0), np.array([normal]), np.array([signed]))
            assert foot[0, 1] == pytest.approx(wall, abs=1e-6)
