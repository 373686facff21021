"""What is true of a demo piece: computed from the parameters it was built with, never by measuring.

The ids are those of the two recipes. Form and orientation values are those of the perfect surfaces; a measured value
holds some noise on top, so for these only the verdict is to be met.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from runner.records import Verdict
from runner.rehearse.demo_parts import BearingHousing, MastBracket

SURFACE_MM = 0.005
"""How near a value from surface points must come."""
EDGE_MM = 0.1125
"""How near a size or a coordinate from edge points must come: a quarter of the demo's widest spacing,
0.45 mm."""
POSITION_SURFACE_MM, POSITION_EDGE_MM = math.sqrt(8) * SURFACE_MM, math.sqrt(8) * EDGE_MM
"""A position is twice the distance of the axis from its true place; each coordinate of the axis must come near."""
ANGLE_DEG = 0.02


@dataclass(frozen=True)
class TrueValue:
    """What the result of one characteristic must say."""

    value: float | None
    """In the drawing's unit; of a pattern the member farthest from nominal. None where nothing is stated."""
    verdict: Verdict | None
    """None where nothing is expected."""
    tolerance: float | None = None
    """How near the measured value must come; None: only the verdict counts."""
    members: tuple[float, ...] = ()
    """Of a pattern: the true value of each member in order."""


def _within(value: float, lower: float, upper: float) -> Verdict:
    return Verdict.CONFORMS if lower <= value <= upper else Verdict.DOES_NOT_CONFORM


def _one(value: float, lower: float, upper: float, tolerance: float | None) -> TrueValue:
    return TrueValue(value, _within(value, lower, upper), tolerance)


def _each(values: list[float], allowed: list[tuple[float, float]], nominal: float, tolerance: float) -> TrueValue:
    verdicts = [_within(value, *limits) for value, limits in zip(values, allowed, strict=True)]
    worst = max(values, key=lambda value: abs(value - nominal))
    bad = Verdict.DOES_NOT_CONFORM in verdicts
    return TrueValue(worst, Verdict.DOES_NOT_CONFORM if bad else Verdict.CONFORMS, tolerance, tuple(values))


def _off(place: tuple[float, float], nominal: tuple[float, float]) -> float:
    """Diametral position of an axis that is parallel to its true position."""
    return 2 * math.hypot(place[0] - nominal[0], place[1] - nominal[1])


def bracket_truth(part: MastBracket) -> dict[str, TrueValue]:
    """Return the truth of a mast bracket whose mast hole and slot direction are nominal: the datums then are, too."""
    nominal = MastBracket()
    if part.mast_hole != nominal.mast_hole or part.slot[1] != nominal.slot[1]:
        raise ValueError("the truth of this demo assumes that the datum features lie at their nominal places")
    base = [_off(a, b) for a, b in zip(part.base_holes, nominal.base_holes, strict=True)]
    bonus = part.base_diameter - 6.5
    holes = [part.flange_hole(k) for k in range(2)]
    flange = [_off((p[0], p[2]), n) for p, n in zip(holes, nominal.flange_holes, strict=True)]
    tilt = math.radians(abs(90.0 - part.main_angle))
    start, direction, _ = part.flange_frame()
    straight = part.main_height - part.outer_radius
    tip = start[1] + straight * direction[1] - nominal.depth
    skin = max(
        abs(tip),
        abs(part.thickness - nominal.thickness),
        max(base) / 2 + abs(part.base_diameter - nominal.base_diameter) / 2,
        max(flange) / 2 + abs(part.flange_diameter - nominal.flange_diameter) / 2,
        *(abs(a - b) / 2 for a, b in zip(_bracket_sizes(part), _bracket_sizes(nominal), strict=True)),
    )
    return {
        "1": _one(0.0, 0, 0.3, None),
        "2": _one(part.thickness, 1.9, 2.1, SURFACE_MM),
        "3": _one(part.mast_diameter, 15.9, 16.3, EDGE_MM),
        "4": _one(part.slot_width, 7.9, 8.3, EDGE_MM),
        "5": _one(part.slot_length, 19.7, 20.3, EDGE_MM),
        "6": _one(part.slot[0] - part.mast_hole[0], 65.7, 66.3, EDGE_MM),
        "7": _each([part.base_diameter] * 4, [(6.5, 6.9)] * 4, 6.6, EDGE_MM),
        "8": _each(base, [(0.0, 0.6 + bonus)] * 4, 0.0, POSITION_EDGE_MM),
        "9": _one(180.0 - part.main_angle, 89.0, 91.0, ANGLE_DEG),
        "10": _one(straight * math.sin(tilt), 0, 0.6, None),
        "11": _one(0.0, 0, 0.3, None),
        "12": _each([part.flange_diameter] * 2, [(8.9, 9.3)] * 2, 9.0, EDGE_MM),
        "13": _each(flange, [(0.0, 0.8)] * 2, 0.0, POSITION_EDGE_MM),
        "14": _one(0.0, 0, 0.3, None),
        "15": _one(part.mast_hole[0], 41.7, 42.3, EDGE_MM),
        "16": _one(2 * skin, 0, 1.6, None),
    }


def _bracket_sizes(part: MastBracket) -> tuple[float, ...]:
    return (
        part.mast_diameter,
        part.slot_width,
        part.slot_length + 2 * abs(part.slot[0] - MastBracket().slot[0]),
    )


def housing_truth(part: BearingHousing) -> dict[str, TrueValue]:
    """Return the truth of a bearing housing whose foot, bore axis and dowel hole lie at their nominal places."""
    nominal = BearingHousing()
    if part.dowel[1] != nominal.dowel[1]:
        raise ValueError("the truth of this demo assumes that the dowel hole lies on the x axis")
    bolts = [_off(a, b) for a, b in zip(part.bolt_holes, nominal.bolt_holes, strict=True)]
    bonus = [diameter - 9.0 for diameter in part.bolt_diameters]
    rise = part.boss_diameter * math.tan(math.radians(abs(part.top_tilt)))
    skin = max(
        abs(part.height - nominal.height) + rise / 2,
        abs(part.pad_reach - nominal.pad_reach),
        abs(part.small_boss_height - nominal.small_boss_height),
        abs(part.height - part.seat_depth - (nominal.height - nominal.seat_depth)),
        abs(part.bore_diameter - nominal.bore_diameter) / 2,
        abs(part.seat_diameter - nominal.seat_diameter) / 2,
        abs(part.dowel[0] - nominal.dowel[0]),
        *(off / 2 + (d - 9.0) / 2 for off, d in zip(bolts, part.bolt_diameters, strict=True)),
    )
    return {
        "1": _one(0.0, 0, 0.1, None),
        "2": _one(part.bore_diameter, 35.0, 35.025, SURFACE_MM),  # ISO 286: 35 H7 is +0.025/0
        "3": _one(0.0, 0, 0.08, None),
        "4": _one(0.0, 0, 0.05, POSITION_SURFACE_MM),
        "5": _one(part.seat_diameter, 47.0, 47.039, SURFACE_MM),  # 47 H8 is +0.039/0
        "6": _one(0.0, 0, 0.08, None),
        "7": _one(0.0, 0, 0.08, POSITION_SURFACE_MM),
        "8": _one(part.height, 51.9, 52.1, SURFACE_MM),
        "9": _one(part.seat_depth, 9.9, 10.1, SURFACE_MM),
        "10": _one(rise, 0, 0.1, None),
        "11": _each(list(part.bolt_diameters), [(9.0, 9.2)] * 4, 9.0, SURFACE_MM),
        "12": _each(bolts, [(0.0, 0.3 + b) for b in bonus], 0.0, POSITION_SURFACE_MM),
        "13": _one(part.dowel_diameter, 8.0, 8.015, SURFACE_MM),  # 8 H7 is +0.015/0
        "14": _one(-part.dowel[0], 43.95, 44.05, SURFACE_MM),
        "15": _one(part.pad_reach, 40.85, 41.15, SURFACE_MM),
        "16": _one(0.0, 0, 0.1, None),
        "17": _one(part.small_boss_height, 19.85, 20.15, SURFACE_MM),
        "18": _one(0.0, 0, 0.3, None),
        "19": _one(2 * skin, 0, 1.0, None),
        "20": TrueValue(None, Verdict.CONFORMS),  # a thread: the scan can't say; entered beside the scan as passed
    }
