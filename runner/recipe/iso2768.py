"""ISO 2768-1:1989 general tolerances: linear sizes (Table 1) and angles (Table 3), from memory."""

from __future__ import annotations

CLASSES = {"f": "fine", "m": "medium", "c": "coarse", "v": "very coarse"}

LINEAR: tuple[tuple[float, float, dict[str, float]], ...] = (
    (0.5, 3, {"f": 0.05, "m": 0.1, "c": 0.2}),
    (3, 6, {"f": 0.05, "m": 0.1, "c": 0.3, "v": 0.5}),
    (6, 30, {"f": 0.1, "m": 0.2, "c": 0.5, "v": 1.0}),
    (30, 120, {"f": 0.15, "m": 0.3, "c": 0.8, "v": 1.5}),
    (120, 400, {"f": 0.2, "m": 0.5, "c": 1.2, "v": 2.5}),
    (400, 1000, {"f": 0.3, "m": 0.8, "c": 2.0, "v": 4.0}),
    (1000, 2000, {"f": 0.5, "m": 1.2, "c": 3.0, "v": 6.0}),
    (2000, 4000, {"m": 2.0, "c": 4.0, "v": 8.0}),
)
"""Over, up to and including (mm; the first row includes 0.5), permissible deviation by class, mm."""

ANGULAR: tuple[tuple[float, dict[str, float]], ...] = (
    (10, {"f": 60, "m": 60, "c": 90, "v": 180}),
    (50, {"f": 30, "m": 30, "c": 60, "v": 120}),
    (120, {"f": 20, "m": 20, "c": 30, "v": 60}),
    (400, {"f": 10, "m": 10, "c": 15, "v": 30}),
    (float("inf"), {"f": 5, "m": 5, "c": 10, "v": 20}),
)
"""Length of the shorter side up to and including (mm), permissible deviation by class, minutes of arc."""


class NoGeneralTolerance(ValueError):
    """The class gives no tolerance there; the text says why."""


def linear_deviation(size_mm: float, tolerance_class: str) -> float:
    """Return the permissible deviation, mm, of a linear size."""
    if size_mm < 0.5:
        raise NoGeneralTolerance("ISO 2768-1 gives no general tolerance below 0.5 mm: state the limits")
    for _over, to, values in LINEAR:
        if size_mm <= to:
            if tolerance_class not in values:
                raise NoGeneralTolerance(f"ISO 2768-1 gives no class {tolerance_class} for {size_mm:g} mm")
            return values[tolerance_class]
    raise NoGeneralTolerance("ISO 2768-1 gives no general tolerance above 4000 mm: state the limits")


def angular_deviation(shorter_side_mm: float, tolerance_class: str) -> float:
    """Return the permissible deviation, degrees, of an angle whose shorter side has this length."""
    return next(values for to, values in ANGULAR if shorter_side_mm <= to)[tolerance_class] / 60.0
