"""The depth that still counts as the edge: an edge break 0.2 deep lies within 0.3, and widens a hole read at 0.05."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from study_edges import Bench, Cell


def test_a_shallow_depth_reads_the_broken_border_a_deeper_one_the_hole():
    bench = Bench()
    cell = replace(Cell(), edge="break", spacing=0.2)
    shallow = [replace(spec, edge_depth=0.05) for spec in bench.specs]
    deep, shown = [], []
    for seed in range(4):
        errors = bench.run(cell, seed)
        deep += [e[0] for e in errors.values() if isinstance(e, list)]
    bench.specs = shallow
    for seed in range(4):
        errors = bench.run(cell, seed)
        shown += [e[0] for e in errors.values() if isinstance(e, list)]
    assert len(deep) == len(shown) == 12
    assert abs(np.mean(deep)) < 0.1
    # the border 0.05 below a break of radius 0.2 stands back by 0.2 - sqrt(0.2^2 - 0.15^2) = 0.068 mm on either side;
    # the counted edge reads at least half of it
    assert np.mean(shown) > np.mean(deep) + 0.068 / 0.2
