"""An independent sampler of noisy surface points for studies (imports nothing of the runner; numpy only).

It shares neither code nor assumptions with the synthetic scanner: points come from uniform random draws on closed
forms, errors from a heavy-tailed mixture, edges lose a smooth share of their points.
"""

import numpy as np


def sample(kind, count, rng, size, sigma=0.02, outlier_share=0.0, edge_fade=0.0):
    """Return points (n, 3) on ``plane`` (size = length, width), ``cylinder`` (radius, height), ``cone`` (radius at
    z = 0, half angle in rad, height), ``sphere`` (radius) or ``disc with hole`` (outer radius, hole radius), axis z.

    Errors: 90 % normal with 0.88 sigma, 10 % with 1.79 sigma (standard deviation sigma in all), along the normal;
    ``outlier_share`` of the points gets up to 50 sigma. ``edge_fade``: within this distance from a border a point
    survives with a probability that rises from 0 to 1 as a smoothstep.
    """
    a, b = rng.uniform(0, 1, count), rng.uniform(0, 1, count)
    turn, zero, one = 2 * np.pi * a, np.zeros(count), np.ones(count)
    if kind == "plane":
        p, n = np.stack([(a - 0.5) * size[0], (b - 0.5) * size[1], zero], 1), np.stack([zero, zero, one], 1)
        border = np.minimum(size[0] / 2 - abs(p[:, 0]), size[1] / 2 - abs(p[:, 1]))
    elif kind == "disc with hole":
        r = np.sqrt(size[1] ** 2 + b * (size[0] ** 2 - size[1] ** 2))
        p, n = np.stack([r * np.cos(turn), r * np.sin(turn), zero], 1), np.stack([zero, zero, one], 1)
        border = np.minimum(size[0] - r, r - size[1])
    elif kind == "sphere":
        z = 2 * b - 1
        n = np.stack([np.sqrt(1 - z * z) * np.cos(turn), np.sqrt(1 - z * z) * np.sin(turn), z], 1)
        p, border = size[0] * n, np.full(count, np.inf)
    elif kind in ("cylinder", "cone"):
        slope, height = (0.0, size[1]) if kind == "cylinder" else (np.tan(size[1]), size[2])
        # area-uniform along a cone: the circumference grows with z
        end = size[0] + slope * height
        r = np.sqrt(size[0] ** 2 + b * (end**2 - size[0] ** 2)) if slope else size[0] * one
        z = (r - size[0]) / slope if slope else b * height
        p = np.stack([r * np.cos(turn), r * np.sin(turn), z], 1)
        n = np.stack([np.cos(turn), np.sin(turn), -slope * one], 1) / np.hypot(1, slope)
        border = np.minimum(z, height - z)
    else:
        raise ValueError(kind)
    error = sigma * rng.standard_normal(count) * np.where(rng.uniform(size=count) < 0.9, 0.88, 1.7889)
    error += np.where(rng.uniform(size=count) < outlier_share, rng.uniform(-50, 50, count) * sigma, 0)
    share = np.clip(border / edge_fade, 0, 1) if edge_fade else one
    keep = rng.uniform(size=count) < share * share * (3 - 2 * share)
    return (p + error[:, None] * n)[keep]
