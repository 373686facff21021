"""Candidate translations against the cyclic correlation of whole volumes, as NumPy's transforms give it."""

from __future__ import annotations

import numpy as np
import pytest

from runner.align.candidates import find_candidates, rank_rotations, splat_volume
from runner.align.search import VOLUME


def whole(model, turns, points, normals):
    """Best translation of each rotation from volumes that are transformed whole."""
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    goal = np.fft.rfftn(model.volume, axes=(1, 2, 3))
    shifts = []
    for turn in turns:
        volume = np.zeros_like(model.volume)
        splat_volume(turn, points - middle, normals, model.volume_cell, volume)
        product = (np.conj(np.fft.rfftn(volume, axes=(1, 2, 3))) * goal).sum(axis=0)
        score = np.fft.irfftn(product, s=(VOLUME,) * 3, axes=(0, 1, 2))
        at = np.array(np.unravel_index(np.argmax(score), score.shape))
        shifts.append(np.where(at >= VOLUME // 2, at - VOLUME, at) * model.volume_cell)
    return model.centre + np.array(shifts) - turns @ middle


@pytest.mark.parametrize(("name", "stretch"), [("bracket", 1.0), ("block", 1.0), ("clip", 2.4)])
def test_the_best_translation_is_that_of_the_whole_volumes(prepared, name, stretch):
    """Of a part as it is, and of a scan that reaches over more than the volume and comes in again on its other side."""
    model = prepared(name).model.search
    rng = np.random.default_rng(1)
    some = rng.choice(len(model.samples), 4000, replace=False)
    points, normals = model.samples[some], model.sample_normals[some]
    if stretch > 1.0:
        far = model.centre + stretch * (points[:300] - model.centre)
        points, normals = np.vstack([points, far]), np.vstack([normals, normals[:300]])
    signed = np.ones(len(points), dtype=bool)
    turns, translations = find_candidates(model, points, normals, signed, rotations=24, peaks=3)
    assert np.array_equal(turns[::3], rank_rotations(model, normals, signed, 24))
    wanted = whole(model, turns[::3], points, normals)
    # in single precision two cells may be as good as each other
    same = np.abs(translations[::3] - wanted).max(axis=1) < 1e-9
    assert np.count_nonzero(~same) <= 1
    # the second and third peak are other cells
    apart = np.abs(translations[1::3] - translations[::3]).max(axis=1)
    assert (apart > 2.5 * model.volume_cell).all()
