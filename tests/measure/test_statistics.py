"""Statistics of deviations against closed forms and SciPy."""

import numpy as np
import pytest
from scipy import stats

from runner.geometry.shapes import Cylinder
from runner.measure.characteristics.statistics import area_weights, quantile, statistic
from runner.measure.specs import FeatureSpec
from runner.records import Verdict
from tests.measure.details import char
from tests.measure.tube import OUTER, Real, run, scan, scene

WALL = FeatureSpec("wall", "cylinder", Cylinder((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), OUTER))


def ask(of, quantity, **more):
    return run(of, [WALL], [char("statistics", "wall", quantity=quantity, **more)]).results[0]


def test_a_lobed_wall_in_closed_form():
    """0.05 + 0.08 cos 3a: mean 0.05, standard deviation 0.08 / sqrt 2, rms from both; arcsine law for the rest."""
    of = scene(scan(Real(outer=0.05, lobes=(3, 0.08))))
    sd = 0.08 / np.sqrt(2)
    assert ask(of, "mean").value == pytest.approx(0.05, abs=5e-4)
    assert ask(of, "standard deviation").value == pytest.approx(sd, abs=5e-4)
    assert ask(of, "rms").value == pytest.approx(np.hypot(0.05, sd), abs=5e-4)
    law = stats.arcsine(loc=0.05 - 0.08, scale=0.16)
    assert ask(of, "95 %").value == pytest.approx(law.ppf(0.975) - law.ppf(0.025), abs=1e-3)
    share = ask(of, "share within", reach=0.1, unit="%", lower=0.5)
    assert share.value == pytest.approx(100 * (law.cdf(0.1) - law.cdf(-0.1)), abs=1.0)
    assert share.verdict is Verdict.CONFORMS and share.lower == pytest.approx(50.0)


def test_density_of_the_scan_does_not_weigh():
    """One half scanned four times as densely, and 0.1 high: the mean stays in the middle, a plain one would not."""
    bump = Real(outer=0.1)
    dense = scan(bump, step=0.35, arc=(0.0, np.pi), inner=False)
    thin = scan(Real(), step=0.7, arc=(np.pi, 2 * np.pi), inner=False)
    of = scene(dense, thin)
    plain = 0.1 * len(dense.points) / (len(dense.points) + len(thin.points))
    assert plain > 0.075
    assert ask(of, "mean").value == pytest.approx(0.05, abs=3e-3)


def test_share_counts_what_lies_far_outside():
    """A tenth of the turn 0.9 out (beyond three bands): it is outside the band, not overlooked."""
    near = scan(Real(), arc=(0.0, 0.9 * 2 * np.pi), inner=False)
    far = scan(Real(outer=0.9), arc=(0.9 * 2 * np.pi, 2 * np.pi), inner=False)
    assert ask(scene(near, far), "share within", reach=0.1, unit="%").value == pytest.approx(90.0, abs=1.0)


@pytest.mark.parametrize("seed", range(3))
def test_weighted_statistics_against_repeated_values(seed):
    """Weights 1, 2, 3 are the same as values repeated once, twice, three times (NumPy, SciPy)."""
    rng = np.random.default_rng(seed)
    values, times = rng.normal(size=400), rng.integers(1, 4, 400)
    weight, repeated = times / times.sum(), np.repeat(values, times)
    assert statistic("mean", values, weight) == pytest.approx(repeated.mean(), abs=1e-12)
    assert statistic("standard deviation", values, weight) == pytest.approx(repeated.std(), abs=1e-12)
    assert statistic("rms", values, weight) == pytest.approx(np.sqrt((repeated**2).mean()), abs=1e-12)
    assert statistic("share within", values, weight, 0.5) == pytest.approx((np.abs(repeated) <= 0.5).mean())
    # Hazen's definition puts each value at the middle of its weight
    even = np.full(400, 1 / 400)
    assert quantile(values, even, 0.3) == pytest.approx(np.quantile(values, 0.3, method="hazen"), abs=1e-12)


def test_noise_and_coverage_are_told():
    of = scene(scan(Real(noise=0.03), arc=(0.0, np.pi), inner=False))
    result = ask(of, "standard deviation", need_coverage=0.9, upper=0.1)
    assert result.value == pytest.approx(0.03, rel=0.03)
    assert "noise" in result.details["definition"]
    assert result.verdict is Verdict.UNDECIDED and "needed to say conforms" in result.reason


def test_refusals():
    of = scene(scan(Real(), inner=False))
    assert "which statistic" in ask(of, "median").reason
    assert "needs its band" in ask(of, "share within").reason
    assert "not seen" in ask(scene(scan(Real(), outer=False)), "mean").reason


def test_area_weights():
    """Ten samples of surface in one cube, five in the next: 2/3 and 1/3, shared by whoever lies there."""
    samples = np.vstack([np.tile([0.5, 0.5, 0.5], (10, 1)), np.tile([1.5, 0.5, 0.5], (5, 1)), np.zeros((1, 3))])
    feet = np.array([[0.2, 0.2, 0.2], [1.2, 0.2, 0.2], [1.7, 0.2, 0.2], [1.8, 0.9, 0.9]])
    # the corner sample that fixes the cubes' origin adds one to the first
    assert area_weights(feet, samples, 1.0) == pytest.approx([11 / 16, 5 / 48, 5 / 48, 5 / 48])
    assert area_weights(np.zeros((2, 3)), samples, 0.0) == pytest.approx([0.5, 0.5])
    assert area_weights(np.full((2, 3), 90.0), samples, 1.0) == pytest.approx([0.5, 0.5])
