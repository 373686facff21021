"""The diverging scale of deviation pictures: blue, neutral, red, with equal steps for the eye.

Colours are straight lines in OKLab (B. Ottosson, A perceptual color space for image processing, 2020; matrices as
published there) between a neutral and two end colours, so that equal steps of deviation are equal steps of colour
in that space. The tolerance band has the neutral colour throughout; beyond a limit the colour starts with a step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.mesh import Floats

NEUTRAL = (0.925, 0.0, 0.004)
"""OKLab of the tolerance band: a light grey, a trace warm."""
HIGH = (0.50, 0.165, 0.085)
"""OKLab of the high end (red: material outside nominal)."""
LOW = (0.42, -0.022, -0.150)
"""OKLab of the low end (blue: material missing)."""
FIRST_STEP = 0.22
"""Share of the whole way that the colour jumps at a tolerance limit, so that a small excess is seen."""
UNSEEN = (0.80, 0.0, 0.0)

_LMS_FROM_OKLAB = np.array(
    [
        [1.0, 0.3963377774, 0.2158037573],
        [1.0, -0.1055613458, -0.0638541728],
        [1.0, -0.0894841775, -1.2914855480],
    ]
)
_RGB_FROM_LMS = np.array(
    [
        [4.0767416621, -3.3077115913, 0.2309699292],
        [-1.2684380046, 2.6097574011, -0.3413193965],
        [-0.0041960863, -0.7034186147, 1.7076147010],
    ]
)


@dataclass(frozen=True)
class Scale:
    """From deviation to colour."""

    lower: float | None
    """Lower limit of the deviation, mm; None when there is no tolerance."""
    upper: float | None
    low_end: float
    """Deviation of the full blue, mm, negative."""
    high_end: float
    """Deviation of the full red, mm, positive."""

    def colour(self, deviation: Floats) -> Floats:
        """Return OKLab (..., 3) of deviations (...) in mm; NaN gives the colour of unseen surface."""
        value = np.asarray(deviation, dtype=np.float64)
        start_high = 0.0 if self.upper is None else self.upper
        start_low = 0.0 if self.lower is None else self.lower
        step_high = 0.0 if self.upper is None else FIRST_STEP
        step_low = 0.0 if self.lower is None else FIRST_STEP
        with np.errstate(invalid="ignore"):
            high = np.where(
                value > start_high, step_high + (1 - step_high) * _share(value, start_high, self.high_end), 0
            )
            low = np.where(value < start_low, step_low + (1 - step_low) * _share(value, start_low, self.low_end), 0)
        neutral = np.array(NEUTRAL)
        mixed = neutral + high[..., None] * (np.array(HIGH) - neutral) + low[..., None] * (np.array(LOW) - neutral)
        return np.where(np.isnan(value)[..., None], np.array(UNSEEN), mixed)


def make_scale(deviation: Floats, lower: float | None, upper: float | None) -> Scale:
    """Return a scale that reaches a round number beyond the worst deviation, at least twice the tolerance limits.

    Both ends are equally far out, so that blue and red of the same strength mean the same amount.
    """
    known = deviation[np.isfinite(deviation)]
    worst = float(np.abs(known).max()) if len(known) else 0.0
    # a few stray places must not flatten the scale: they are marked with their number anyway
    usual = float(np.quantile(np.abs(known), 0.999)) if len(known) else 0.0
    limits = [abs(limit) for limit in (lower, upper) if limit is not None]
    least = 2.0 * max(limits) if limits else 1e-3
    end = max(least, min(worst, 1.5 * usual))
    end = round_up(end) if end > 1e-9 else 1e-3
    return Scale(lower, upper, -end, end)


def round_up(value: float) -> float:
    """Return the next 1, 1.5, 2, 2.5, 3, 4, 5, 6 or 8 times a power of ten that is not below ``value`` > 0."""
    power = 10.0 ** np.floor(np.log10(value))
    for step in (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0):
        if step * power >= value * (1 - 1e-9):
            return float(f"{step * power:.12g}")
    return float(10.0 * power)


def srgb(oklab: Floats) -> Floats:
    """Return sRGB (..., 3), 0 to 1, of OKLab colours (transfer curve of IEC 61966-2-1); out of gamut is clipped."""
    linear = ((oklab @ _LMS_FROM_OKLAB.T) ** 3) @ _RGB_FROM_LMS.T
    linear = np.clip(linear, 0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.power(linear, 1 / 2.4) - 0.055)


def _share(value: Floats, start: float, end: float) -> Floats:
    """0 at ``start``, 1 at ``end`` and beyond."""
    if end == start:
        return np.ones_like(value)
    return np.clip((value - start) / (end - start), 0.0, 1.0)
