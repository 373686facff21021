"""What is known about a synthetic scan because it was put in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats, Ints
from runner.rehearse.deviate import Deviation
from runner.rehearse.settings import ScannerSettings

PART, TABLE, FIXTURE, SPECK = 0, 1, 2, 3


@dataclass(frozen=True, eq=False)
class ScanTruth:
    """The parameters of one synthetic scan; rows go with the points of the scan."""

    nominal_from_scan: Floats
    """(4, 4)."""
    label: NDArray[np.uint8]
    """(n,) PART, TABLE, FIXTURE or SPECK."""
    face: Ints
    """(n,) face of the nominal that the point was seen on; -1 off the part."""
    view: Ints
    """(n,) pass that saw it; -1 for specks."""
    exact: Floats
    """(n, 3) where the point would be without any noise, in the nominal's frame; specks as they are."""
    directions: Floats
    """(v, 3) travel direction of the rays of each pass, nominal's frame."""
    stripes: Floats
    """(v, 3) direction of the laser line of each pass, nominal's frame."""
    cameras: Floats
    """(v, 3) direction from the camera of each pass to the part, nominal's frame."""
    settings: ScannerSettings
    deviation: Deviation
