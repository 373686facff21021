"""Least squares against SciPy's least_squares (started at the truth) on random cases: arcs from 10 degrees, to 10 m."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

_spec = importlib.util.spec_from_file_location("fit_cases", Path(__file__).with_name("cases.py"))
cases = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(cases)


@pytest.mark.parametrize("kind", cases.KINDS)
def test_same_minimum_as_scipy(made, kind):
    rng = np.random.default_rng(20)
    costly = kind in ("cylinder", "cone", "torus", "round_slot", "square_slot")
    for k in range(200):
        automatic = k % 8 == 0 if costly else k % 2 == 0
        excess, reason, _, _ = cases.compare(made, kind, rng, automatic)
        assert not reason, f"case {k}: {reason}"
        assert excess < 1e-7, f"case {k}: rms above that of scipy by {excess:.3g}"
