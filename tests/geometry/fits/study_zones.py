"""1,000 random cases per minimax element against SciPy's general minimiser (SLSQP), started at the least squares.

Run: python tests/geometry/fits/study_zones.py [number of cases] [seed] [kind ...]. Prints per element how many agree
or are better, are refused (with reasons), are wrong (SciPy found a value lower by more than a millionth); CPU seconds.
"""

import importlib.util
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

from runner.geometry import fits
from runner.geometry.fits import zones

# kind of element, the function under test, what is minimised
KINDS = {
    "zone plane": ("plane", fits.zone_plane, "zone"),
    "zone arc": ("circle", zones.zone_arc, "zone"),
    "zone cylinder": ("cylinder", zones.zone_cylinder_part, "zone"),
    "zone cone": ("cone", zones.zone_cone, "zone"),
    "zone sphere": ("sphere", zones.zone_sphere_part, "zone"),
    "zone torus": ("torus", zones.zone_torus, "zone"),
    "zone slot": ("round_slot", zones.zone_slot, "zone"),
    "zone rectangle": ("square_slot", zones.zone_slot, "zone"),
    "inscribed circle": ("circle", fits.inscribed_circle, "inner"),
    "circumscribed circle": ("circle", fits.circumscribed_circle, "outer"),
    "inscribed sphere": ("sphere", fits.inscribed_sphere, "inner"),
    "circumscribed sphere": ("sphere", fits.circumscribed_sphere, "outer"),
    "inscribed cylinder": ("cylinder", fits.inscribed_cylinder, "inner"),
    "circumscribed cylinder": ("cylinder", fits.circumscribed_cylinder, "outer"),
}


def load(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def sampled(made, kind, goal, rng):
    """Local points (n, d) of an element, its true parameters, and a size of the form deviation."""
    n = int(rng.integers(15, 60))
    r = 10 ** rng.uniform(0, 2)
    # inscribed and circumscribed elements need more than half a turn
    arc = np.radians(10 ** rng.uniform(1, np.log10(360))) if goal == "zone" else 2 * np.pi
    noise = r * 10 ** rng.uniform(-5, -2) * min(1.0, arc**2)
    if kind == "plane":
        return made.plane(rng, n, r, rng.uniform(0.01, 1)), [0, 0, 0], noise
    if kind == "circle":
        return made.circle(rng, n, r, arc)[:, :2], [0, 0, r], noise
    if kind == "cylinder":
        return made.cylinder(rng, n, r, r * rng.uniform(0.5, 5), arc), [0, 0, 0, 0, r], noise
    if kind == "cone":
        angle = np.radians(rng.uniform(5, 75))
        return made.cone(rng, n, r, r * rng.uniform(0.5, 3), angle, arc), [0, 0, 0, 0, r, angle], noise
    if kind == "sphere":
        return made.sphere(rng, n, r, arc / 2), [0, 0, 0, r], noise
    if kind == "torus":
        ring, low = r * rng.uniform(1.5, 6), rng.uniform(0, 2 * np.pi)
        points = made.torus(rng, n, ring, r, max(arc, 0.5), low, low + max(arc, 1.0))
        return points, [0, 0, 0, 0, 0, ring, r], 0.2 * noise
    length = r * rng.uniform(1.2, 5)
    return made.slot(rng, n + 20, length, r, kind == "round_slot"), [0, 0, 0, length, r], 0.1 * noise


def scipy_value(made, kind, goal, points, truth, noise):
    """Return the least value that SLSQP finds: half the zone, or the (negative) radius."""
    f = made.distance(kind)
    _, first = made.scipy(kind, points, truth)
    if goal != "zone":
        # the size is the value itself: the other parameters are moved
        first = first[:-1]

        def rho(x):
            return f(points, np.append(x, 0.0))

        def worth(x):
            return rho(x).max() if goal == "outer" else -rho(x).min()
    else:

        def rho(x):
            return f(points, x)

        def worth(x):
            return np.abs(rho(x)).max()

    # parameters in units that move some point by one unit of noise
    step = np.array([1e-6 * max(1.0, abs(v)) for v in first])
    move = np.array(
        [np.abs(rho(first + h) - rho(first - h)).max() / (2 * s) for h, s in zip(np.diag(step), step, strict=True)]
    )
    unit = noise / move
    base = worth(first)

    def gaps(v):
        d = (rho(first + unit * v[:-1]) - (0.0 if goal == "zone" else np.sign(base) * abs(base))) / noise
        if goal == "zone":
            return np.concatenate([v[-1] - d, v[-1] + d])
        return v[-1] - d if goal == "outer" else d - v[-1]

    if goal == "inner":

        def gaps(v):  # the radius grows: every point stays outside it
            return (rho(first + unit * v[:-1]) + base) / noise - v[-1]

    sign = -1.0 if goal == "inner" else 1.0
    start = np.append(np.zeros(len(first)), (base / noise) if goal == "zone" else 0.0)
    found = minimize(
        lambda v: sign * v[-1],
        start,
        jac=lambda v: np.append(np.zeros(len(first)), sign),
        constraints={"type": "ineq", "fun": gaps},
        method="SLSQP",
        options={"ftol": 1e-12, "maxiter": 300},
    )
    here = first + unit * found.x[:-1]
    value = worth(here) if np.all(np.isfinite(here)) else np.inf
    return min(base, value)


def compare(made, name, rng):
    """Return (our value minus SciPy's in units of the zone or noise, reason) of one random case up to 10 m away."""
    kind, fit, goal = KINDS[name]
    points, truth, noise = sampled(made, kind, goal, rng)
    outward = points / np.maximum(np.linalg.norm(points, axis=1, keepdims=True), 1e-12)
    shake = (
        rng.uniform(-1, 1, points.shape)
        if kind == "plane" or "slot" in kind
        else outward * rng.uniform(-1, 1, (len(points), 1))
    )
    points = points + noise * shake
    turn = made.turn(rng) if points.shape[1] == 3 else np.eye(2)
    moved = points @ turn.T + rng.uniform(-1, 1, points.shape[1]) * 10 ** rng.uniform(0, 4)
    arguments = {"round_ends": kind == "round_slot"} if "slot" in kind else {}
    found = fit(moved, **arguments)
    best = scipy_value(made, kind, goal, points, truth, noise)
    if not found:
        return np.inf, found.reason
    ours = {"zone": 0.5 * found.width, "outer": size(found), "inner": -size(found)}[goal]
    rounding = 4e-16 * np.abs(moved).max()
    return (ours - best - rounding) / (best if goal == "zone" else noise), ""


def size(found):
    return getattr(found.shape, "radius", 0.0)


def main(count=1000, seed=1, *names):
    made = load("conftest").Made()
    for name in names or KINDS:
        rng = np.random.default_rng([seed, list(KINDS).index(name)])
        began, tally, refused = time.process_time(), Counter(), Counter()
        for _ in range(count):
            excess, reason = compare(made, name, rng)
            if reason:
                tally["refused"] += 1
                refused[reason[:60]] += 1
            else:
                tally["wrong" if excess > 1e-6 else "better" if excess < -1e-6 else "same"] += 1
        print(
            f"{name:22s} same {tally['same']} better {tally['better']} refused {tally['refused']} "
            f"wrong {tally['wrong']}  {time.process_time() - began:.0f} CPU s with scipy  {dict(refused)}",
            flush=True,
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]), *sys.argv[3:])
