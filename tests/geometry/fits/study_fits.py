"""1,000 random cases per element against SciPy, half of them without a start.

Run: python tests/geometry/fits/study_fits.py [number of cases] [seed]. Prints per element how many agree, are refused
(with reasons), are wrong; the largest difference of one size in units of the noise; CPU seconds.
"""

import importlib.util
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np


def load(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def main(count=1000, seed=1):
    cases, made = load("cases"), load("conftest").Made()
    for kind in cases.KINDS:
        rng = np.random.default_rng([seed, cases.KINDS.index(kind)])
        began, tally, refused, worst = time.process_time(), Counter(), Counter(), 0.0
        for k in range(count):
            excess, reason, difference, noise = cases.compare(made, kind, rng, k % 2 == 0)
            if reason:
                tally["refused"] += 1
                refused[reason] += 1
            elif excess < 1e-7:
                tally["better" if excess < -1e-6 else "same"] += 1
                if excess > -1e-6:
                    worst = max(worst, difference / noise)
            else:
                tally["wrong"] += 1
        seconds = time.process_time() - began
        bound = 3.0 / count if not tally["wrong"] else tally["wrong"] / count
        print(
            f"{kind:12s} same {tally['same']} lower or within rounding {tally['better']} refused {tally['refused']} "
            f"wrong {tally['wrong']} (95 % bound {bound:.2%})  size differs by at most {worst:.1e} noise  "
            f"{seconds:.0f} CPU s with scipy  {dict(refused)}",
            flush=True,
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
