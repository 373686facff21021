"""Borders of any kind, spacing and shadow: found, or given up with a reason, and never a covariance that is none."""

import numpy as np
import pytest

from runner.measure.border import fit_border
from runner.measure.edge_loss import with_loss
from runner.measure.outline import CircleOutline, LineOutline, SlotOutline
from runner.measure.unseen import without_unseen


def outline(random, spacing):
    kind = random.integers(0, 5)
    if kind < 2:
        return CircleOutline(*random.uniform(-5, 5, 2), random.uniform((1.2 + kind) * spacing, 20.0), hole=kind == 0)
    if kind == 2:
        return LineOutline(0.1, 0.01, 0.0, random.uniform(5 * spacing, 60.0))
    width = random.uniform(4 * spacing, 10.0)
    turn, corner = random.uniform(-1, 1), random.uniform(0, 1)
    return SlotOutline(0.0, 0.0, turn, width + random.uniform(1, 30), width, kind == 3, corner if kind == 4 else 0.0)


def sheet(random, border, spacing):
    """Points around a border, some of them lost beside it, some in shadow."""
    places = border.at(np.linspace(0, border.length, 200) * (1 - 1e-9)).points
    low, high = places.min(axis=0) - 8 * spacing, places.max(axis=0) + 8 * spacing
    p = random.uniform(low, high, (int(min(np.prod(high - low) / spacing**2, 60_000)), 2))
    found = border.locate(p)
    kept = np.isfinite(found.depth) & (found.depth > 0)
    if random.uniform() < 0.5:
        turned = (found.along / border.length - random.uniform()) % 1.0
        kept &= (turned > random.uniform(0.05, 0.5)) | (found.depth > random.uniform(0, 3 * spacing))
    if random.uniform() < 0.3:
        kept &= (random.uniform(size=len(p)) < 0.5) | (found.depth > spacing)
    return p[kept]


@pytest.mark.parametrize("seed", [108, 290, 735, *range(40)])
def test_any_border(seed):
    random = np.random.default_rng([seed, 123])
    spacing = float(np.exp(random.uniform(np.log(0.2), 0.0)))
    border = outline(random, spacing)
    p = sheet(random, border, spacing)
    room = np.full(180, random.uniform(3, 12) * spacing)
    counted = fit_border(border, p, np.ones(len(p)), spacing, room, random.uniform(0.5, 3) * spacing)
    if isinstance(counted, str):
        assert counted
        return
    seen = without_unseen(counted, p, spacing, room)
    if seen is None:
        return
    fixed = seen.doubted(with_loss(seen.border, p, spacing, 0.02, room, seen.course) if seen.settled else seen.border)
    assert np.isfinite(fixed.covariance).all()
    assert np.linalg.eigvalsh(fixed.covariance).min() > -1e-9 * np.abs(fixed.covariance).max()


def test_a_slot_that_comes_out_shorter_than_wide_is_none():
    """A round hole looked for as a slot: its length may come out below its width."""
    p = np.random.default_rng(3).uniform(-12, 12, (8000, 2))
    p = p[np.hypot(*p.T) > 5.0]
    made = fit_border(SlotOutline(0.0, 0.0, 0.3, 10.2, 10.0), p, np.ones(len(p)), 0.27, np.full(90, 6.0), 0.5)
    assert isinstance(made, str) or made.outline.overall > made.outline.width
