"""What relations between features share: their features, their evidence, and the value nearest to a limit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from runner.geometry.fits.result import Fit
from runner.geometry.mesh import Floats
from runner.measure.characteristics.common import Context, Missing, found
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec

LARGEST_SHARE = 0.5
"""Of the tolerance: where the scan's noise alone (k = 2) takes more, the value decides nothing."""


def gather(
    spec: CharacteristicSpec, context: Context, what: str, least: int, most: int
) -> list[FoundFeature] | Missing:
    """Return the features of a relation, or why it can't be evaluated."""
    if not least <= len(spec.features) <= most:
        return Missing(spec.id, f"{what} features; {len(spec.features)} are given")
    features = []
    for name in spec.features:
        feature = found(context, name)
        if isinstance(feature, Missing):
            return feature
        features.append(feature)
    return features


def joined(features: Sequence[FoundFeature]) -> str:
    """Return the names of features as text."""
    return " and ".join(f.spec.name for f in features)


def points_of(features: Sequence[FoundFeature]) -> int:
    """Return how many points stand behind a relation."""
    return sum(len(f.points) for f in features)


def coverage_of(features: Sequence[FoundFeature]) -> float | None:
    """Return the least coverage; None where no feature has one (constructed ones)."""
    seen = [f.coverage for f in features if f.coverage is not None]
    return min(seen) if seen else None


def worst_of(values: Sequence[float] | Floats, spec: CharacteristicSpec) -> int:
    """Return which value goes farthest beyond a limit, or comes nearest to one; the largest without limits."""
    values = np.asarray(values, float)
    over = values - spec.upper if spec.upper is not None else np.full(len(values), -np.inf)
    under = spec.lower - values if spec.lower is not None else np.full(len(values), -np.inf)
    excess = np.maximum(over, under)
    return int(np.argmax(excess)) if np.isfinite(excess).any() else int(np.argmax(np.abs(values)))


def critical(values: Sequence[float], spec: CharacteristicSpec) -> float:
    """Return the value that comes nearest to a limit or lies farthest beyond one; the mean without limits."""
    if spec.lower is None and spec.upper is None:
        return float(np.mean(values))
    return float(values[worst_of(values, spec)])


def spread_of(fit: Fit | None, increments: dict[str, float]) -> float | None:
    """Return the standard deviation of a linear function of a fit's increments that noise alone gives.

    ``increments`` are the derivatives of the function by the increments' names; those that the fit holds give nothing.
    None where there is no fit.
    """
    if fit is None:
        return None
    row = np.array([increments.get(name, 0.0) for name in fit.names])
    return float(np.sqrt(max(float(row @ fit.covariance @ row), 0.0)))


def undecidable(standard: float | None, spec: CharacteristicSpec) -> str:
    """Return why ``conforms`` must not be said of a badly held value, or nothing."""
    if standard is None or spec.lower is None or spec.upper is None:
        return ""
    if 2.0 * standard <= LARGEST_SHARE * (spec.upper - spec.lower):
        return ""
    return "the points hold it too loosely: noise alone (k = 2) takes more than half of the tolerance"
