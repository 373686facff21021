"""Weights by noise and form together: against general least squares, and against known variances of places."""

from __future__ import annotations

import numpy as np
import pytest

from runner.align import weights
from runner.align.weights import form_of, pull_of

EDGE = 10.0
NOISE = 0.02


def places(rng, form, density=None):
    """Deviations and feet (n, 3) of a plate of 400 places, mm: noise of points, and form (mm) that each place has."""
    feet = np.column_stack([rng.uniform(0, 20 * EDGE, 40_000), rng.uniform(0, 20 * EDGE, 40_000), np.zeros(40_000)])
    if density is not None:
        feet = feet[rng.random(len(feet)) < density(feet)]
    # the borders of places lie as ``form_of`` lays them: only their variance, not their sizes, is put to the test
    of = np.floor(feet[:, :2] / EDGE + 0.3719).astype(int)
    own = rng.normal(scale=form, size=(25, 25)) if form else np.zeros((25, 25))
    return own[of[:, 0], of[:, 1]] + rng.normal(scale=NOISE, size=len(feet)), feet


def form_at(seed, form, density=None, area=None):
    residual, feet = places(np.random.default_rng(seed), form, density)
    area = np.ones(len(feet)) if area is None else area(feet)
    return form_of(residual, area, feet, np.zeros(len(feet), dtype=np.int32), EDGE), len(feet)


def test_noise_alone_shows_no_form():
    """Two standard deviations of chi-square are taken off: one scan in 40 or so may show a trace."""
    seen = [form_at(seed, 0.0)[0] for seed in range(60)]
    assert np.count_nonzero(seen) <= 6
    assert max(seen) < 0.1


@pytest.mark.parametrize("form", [0.002, 0.005, 0.05])
def test_form_is_found_as_it_was_made(form):
    """Variance of a place's mean by form, over that by the noise of its points (about 100)."""
    seen = [form_at(seed, form)[0] for seed in range(20)]
    points = 40_000 / 21**2  # places at the plate's border are cut off
    # what chance may show is taken off on purpose: it is no more than this of the noise
    assert np.mean(seen) == pytest.approx(form**2 * points / NOISE**2, rel=0.1, abs=2.0 * np.sqrt(2.0 / 441))


def test_many_possible_places_are_sorted_instead_of_counted_through(monkeypatch):
    counted = form_at(3, 0.01)
    monkeypatch.setattr(weights, "MOST_PLACES", 0)
    assert form_at(3, 0.01) == counted


def test_a_dense_half_shows_the_form_of_a_place_of_usual_area():
    """A quarter of the points on one half, each of four times the area."""
    seen = [
        form_at(
            seed,
            0.01,
            lambda p: np.where(p[:, 0] < 10 * EDGE, 1.0, 0.25),
            lambda p: np.where(p[:, 0] < 10 * EDGE, 1, 4),
        )[0]
        for seed in range(20)
    ]
    # of usual area are the points of the dense half, about 91 a place
    assert np.mean(seen) == pytest.approx(0.01**2 * 40_000 / 21**2 / NOISE**2, rel=0.12)


def test_points_pull_as_general_least_squares_has_it():
    """Three places of 4, 20 and 100 points on equal areas; the weights of a mean by the whole covariance (Aitken)."""
    count, form, noise = np.array([4, 20, 100]), 0.7, 1.3
    place = np.repeat(np.arange(3), count)
    covariance = noise**2 * np.eye(len(place)) + form**2 * (place[:, None] == place)
    exact = np.linalg.solve(covariance, np.ones(len(place)))
    area = 20.0 / count[place]
    got = pull_of(area, form**2 * 20.0 / noise**2)
    assert np.allclose(got / got[0], exact / exact[0], rtol=1e-12)


def test_without_form_all_points_pull_alike_and_with_nothing_else_their_area_does():
    area = np.array([0.125, 1.0, 8.0])
    assert np.array_equal(pull_of(area, 0.0), np.ones(3))
    assert pull_of(area, np.inf) is area
    assert np.allclose(pull_of(area, 1e9), area, rtol=1e-6)


def test_too_few_points_for_places_go_by_area():
    rng = np.random.default_rng(1)
    feet = rng.uniform(0, 100, (50, 3))
    assert form_of(rng.normal(size=50), np.ones(50), feet, np.zeros(50, dtype=np.int32), EDGE) == np.inf
