"""The common course of every fit of a surface in space: check, start, refine on a sample, refine on all."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from runner.geometry.fits.hold import free_columns, obey
from runner.geometry.fits.result import FailedFit, Fixed
from runner.geometry.fits.solve import Cloud, Solution, State, best, minimise


def refine(
    cloud: Cloud,
    kind: int,
    columns: tuple[int, ...],
    held: Fixed,
    given: State | None,
    candidates: Callable[[], list[State]],
) -> tuple[Solution, np.ndarray] | FailedFit:
    """Return the solution of the given start, or of the best candidate when there is none or it leads nowhere."""
    free = free_columns(kind, columns, held)
    if given is not None:
        state = obey(given, kind, held, cloud)
        if len(cloud) > 50_000:
            state = minimise(cloud.sample(20_000), kind, state, free, 60).state
        solution = minimise(cloud, kind, state, free)
        if solution.converged:
            return solution, free
    state_or_none = best(cloud, kind, [obey(s, kind, held, cloud) for s in candidates()], free)
    if state_or_none is None:
        return FailedFit("no start: the points have no shape that the element could take")
    return minimise(cloud, kind, state_or_none, free), free
