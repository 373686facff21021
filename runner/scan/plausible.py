"""Can this scan be of this part at all, judged by size alone? Mixed-up units are named."""

from __future__ import annotations

import numpy as np

from runner.geometry.mesh import Floats, ScanGeometry

_CLUTTER_FACTOR = 30.0
"""A table or fixture may be this much larger than the part."""
_SMALLEST_SHARE = 0.2
"""Below this share of the part's diagonal too little of it can be in the scan."""
_SAMPLE = 200_000
_FACTORS: tuple[tuple[float, str], ...] = (
    (1000.0, "its numbers look like metres, read as millimetres"),
    (25.4, "its numbers look like inches, read as millimetres"),
    (1000.0 / 25.4, "its numbers look like metres, read as inches"),
    (1.0 / 1000.0, "its numbers look like millimetres, read as metres"),
    (1.0 / 25.4, "its numbers look like millimetres, read as inches"),
    (25.4 / 1000.0, "its numbers look like inches, read as metres"),
)


def robust_diagonal(points: Floats) -> float:
    """Diagonal of the box from the 1st to the 99th percentile along each axis, mm."""
    step = max(1, len(points) // _SAMPLE)
    low, high = np.percentile(points[::step], (1.0, 99.0), axis=0)
    return float(np.linalg.norm(high - low))


def check_size(geometry: ScanGeometry, nominal_diagonal_mm: float) -> str | None:
    """Reason why the scan can't be of the part, or None.

    A scan of part and table may be much larger than the part, one of a detail somewhat smaller. Outside that range it
    is refused; where a mix-up of units explains the size, the reason says so.

    Parameters
    ----------
    geometry
        The scan in mm, as read with the unit of the recipe.
    nominal_diagonal_mm
        Of the nominal's bounding box.
    """
    extent = robust_diagonal(geometry.points)
    ratio = extent / nominal_diagonal_mm
    if _SMALLEST_SHARE <= ratio <= _CLUTTER_FACTOR:
        return None
    if extent == 0.0:
        return "all points of the scan lie in one place"
    size = f"the scan measures {_length(extent)} across, the part {_length(nominal_diagonal_mm)}"
    # With the right factor it would be of the part's size, with or without some table.
    fitting = [text for factor, text in _FACTORS if 0.5 <= ratio * factor <= 5.0]
    if not fitting:
        return f"{size}: this can't be a scan of the part"
    return f"{size}: {' or '.join(fitting)}; check the unit of the scan"


def unit_suspicion(geometry: ScanGeometry, nominal_diagonal_mm: float) -> str | None:
    """A mix-up of units that would give the scan just the part's size, or None.

    For the message after an alignment that failed: a part without clutter, in inches, is within the range of
    ``check_size`` since a large table could look the same.
    """
    ratio = robust_diagonal(geometry.points) / nominal_diagonal_mm
    fitting = [text for factor, text in _FACTORS if 0.7 <= ratio * factor <= 1.4]
    return f"{' or '.join(fitting)}; check the unit of the scan" if fitting else None


def _length(value_mm: float) -> str:
    """A length with three significant digits."""
    return f"{value_mm:.3g} mm" if 1e-3 <= value_mm < 1e4 else f"{value_mm / 1000:.3g} m"
