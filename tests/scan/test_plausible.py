from __future__ import annotations

import numpy as np
import pytest

from runner.geometry.mesh import ScanGeometry
from runner.scan.plausible import check_size, robust_diagonal, unit_suspicion

DIAGONAL = 200.0


def part(factor: float = 1.0, *, clutter: float = 0.0) -> ScanGeometry:
    """A box-like part of 200 mm diagonal times ``factor``; with a table ``clutter`` times as large under it."""
    rng = np.random.default_rng(1)
    points = rng.uniform(-0.5, 0.5, (20000, 3)) * (160.0, 112.0, 48.0)
    if clutter:
        table = rng.uniform(-0.5, 0.5, (20000, 3)) * (DIAGONAL * clutter, DIAGONAL * clutter, 1.0) - (0, 0, 30)
        points = np.concatenate([points, table])
    return ScanGeometry(points * factor)


@pytest.mark.parametrize("clutter", [0.0, 2.0, 10.0, 20.0])
def test_right_unit_with_and_without_table(clutter: float) -> None:
    assert check_size(part(clutter=clutter), DIAGONAL) is None


def test_stray_points_do_not_count() -> None:
    points = part().points.copy()
    points[:150] *= 1e6
    assert robust_diagonal(points) == pytest.approx(DIAGONAL, rel=0.05)


@pytest.mark.parametrize(
    ("factor", "text"),
    [
        (1 / 1000, "metres, read as millimetres"),
        (1 / 25.4, "inches, read as millimetres"),
        (1000.0, "millimetres, read as metres"),
        (1000.0 / 25.4, "inches, read as metres"),
        (25.4 / 1000, "metres, read as inches"),
    ],
)
def test_mixed_up_units_are_named(factor: float, text: str) -> None:
    reason = check_size(part(factor), DIAGONAL)
    assert reason is not None and text in reason and "the part 200 mm" in reason
    assert text in (unit_suspicion(part(factor), DIAGONAL) or "")


def test_millimetres_read_as_inches_look_like_a_large_table() -> None:
    """25.4 times too large is within the clutter allowed: only the alignment can tell, and then this says why."""
    assert check_size(part(25.4), DIAGONAL) is None
    assert "millimetres, read as inches" in (unit_suspicion(part(25.4), DIAGONAL) or "")
    assert unit_suspicion(part(), DIAGONAL) is None


@pytest.mark.parametrize("factor", [1e-5, 1e5])
def test_no_unit_explains_it(factor: float) -> None:
    reason = check_size(part(factor), DIAGONAL)
    assert reason is not None and "this can't be a scan of the part" in reason


def test_all_points_in_one_place() -> None:
    assert check_size(ScanGeometry(np.ones((10, 3))), DIAGONAL) == "all points of the scan lie in one place"
