from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@dataclass
class Prepared:
    nominal: object
    index: object
    model: object


@pytest.fixture(scope="session")
def prepared():
    """Nominal, index and alignment model of a part, made once."""
    import parts

    from runner.align.model import prepare_model
    from runner.geometry.distance import SurfaceIndex

    made = {}

    def get(name: str) -> Prepared:
        if name not in made:
            nominal = parts.build(name)
            index = SurfaceIndex.build(nominal)
            made[name] = Prepared(nominal, index, prepare_model(nominal, index))
        return made[name]

    return get
