"""Three small parts for the known-truth study: bent sheet, machined block, turned spindle.

Each has a nominal, a few pieces that were made differently, the recipe that measures it, and the truth of each piece
from its parameters alone. They are small so that hundreds of scans take minutes, not hours.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from runner.rehearse.demo_parts import BearingHousing, MastBracket, build_bracket, build_housing

X, Z = (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)


@dataclass(frozen=True)
class Truth:
    """What a characteristic (or ``feature: parameter``) of one piece must be."""

    values: tuple[float, ...]
    """One, or one for each member of a pattern; mm or degrees."""
    of: str
    """``surface`` or ``edges``: which aim holds; ``zone`` for values that noise can only make larger."""


@dataclass(frozen=True)
class StudyPart:
    """One part of the study."""

    name: str
    nominal: Any
    pieces: tuple[Any, ...]
    build: Callable[[Any, Path, str], None]
    recipe: str
    truth: Callable[[Any], dict[str, Truth]]
    bounded: dict[str, str]
    """Characteristic of size -> the feature whose least-squares fit gives it."""


def surface(*values: float) -> Truth:
    """Return the truth of a value from surface points."""
    return Truth(values, "surface")


def edges(*values: float) -> Truth:
    """Return the truth of a value from edge points."""
    return Truth(values, "edges")


def zone(*values: float) -> Truth:
    """Return the truth of a value that can't be negative."""
    return Truth(values, "zone")


HEAD = """recipe: 1
part: {{number: ST-{number}, revision: A, name: {name}}}
drawing: {{standard: ISO GPS, edition: 2017, units: mm}}
part state: {{restraint: free, coating: none}}
nominal: {{file: {name}.step}}
scan:
  surface: {{noise: 0.02, spacing: {spacing}}}
alignment:
  start: automatic
decision: {{rule: simple}}
defaults:
  characteristics: {{judge: {{filter: gaussian, cutoff: 2.5}}}}
"""

# --- bent sheet ------------------------------------------------------------------------------------------------------

SHEET = MastBracket(
    thickness=1.5, inner_radius=2.0, length=76.0, depth=46.0, main_height=22.0, main_span=(14.0, 70.0),
    end_height=16.0, end_span=(4.0, 32.0), mast_hole=(22.0, 18.0), mast_diameter=12.0, slot=(56.0, 18.0),
    slot_length=14.0, slot_width=6.0, base_holes=((39.0, 8.0), (39.0, 30.0)), base_diameter=5.0,
    flange_holes=((28.0, 14.0), (56.0, 14.0)), flange_diameter=6.0,
)  # fmt: skip

SHEET_RECIPE = """sheet: {thickness: 1.5}
features:
  base:        {plane: {at: [48, 6, 0], normal: [0, 0, -1]}}
  base upper:  {plane: {at: [48, 6, 1.5], normal: [0, 0, 1]}}
  main flange: {plane: {at: [42, 46, 16], normal: [0, 1, 0]}}
  end flange:  {plane: {at: [0, 18, 10], normal: [-1, 0, 0]}}
  mast hole:   {circle: {at: [22, 18, 0], axis: [0, 0, -1], diameter: 12}, from: edges}
  slot:        {slot: {at: [56, 18, 0], axis: [0, 0, -1], along: [1, 0, 0], length: 14, width: 6}, from: edges}
  base holes:
    pattern: {places: {at: [[39, 8, 0], [39, 30, 0]], axis: [0, 0, -1]}}
    of: {circle: {diameter: 5}}
    from: edges
  flange holes:
    pattern: {places: {at: [[28, 46, 14], [56, 46, 14]], axis: [0, 1, 0]}}
    of: {circle: {diameter: 6}}
    from: edges
datums:
  A: {feature: base}
  B: {feature: mast hole, associate: least squares}
  C: {feature: slot, associate: least squares}
datum systems:
  main: [A, B, C]
characteristics:
  thickness:      {distance: [base, base upper], limits: 1.5 ±0.1}
  mast size:      {size: mast hole, limits: 12 ±0.3, by: GG}
  slot width:     {size: slot, across: width, limits: 6 ±0.3, by: GG}
  slot length:    {size: slot, across: length, limits: 14 ±0.3, by: GG}
  mast to slot:   {distance: [mast hole, slot], limits: 34 ±0.3, along: [1, 0, 0], datums: main}
  base size:      {size: each of base holes, limits: 5 ±0.3, by: GG}
  base hole x:    {distance: [mast hole, base holes 1], limits: 17 ±0.3, along: [1, 0, 0], datums: main}
  base hole y:    {distance: [mast hole, base holes 2], limits: 12 ±0.3, along: [0, 1, 0], datums: main}
  base position:  {position: each of base holes, zone: 0.6, shape: diametral, datums: main}
  flange size:    {size: each of flange holes, limits: 6 ±0.3, by: GG}
  flange hole x:  {distance: [mast hole, flange holes 1], limits: 6 ±0.3, along: [1, 0, 0], datums: main}
  flange position: {position: each of flange holes, zone: 0.8, shape: diametral, datums: main}
  flange angle:   {angle: [base, main flange], limits: 90° ±1°}
  end to mast:    {distance: [end flange, mast hole], limits: 22 ±0.3, along: [1, 0, 0], datums: main}
  base flatness:  {flatness: base, zone: 0.3}
  flange square:  {perpendicularity: end flange, zone: 0.3, datums: A}
"""


def sheet_truth(part: MastBracket) -> dict[str, Truth]:
    """Return the truth of a sheet piece; mast hole and slot direction are at their nominal places."""
    mast, base = part.mast_hole, part.base_holes
    holes = [part.flange_hole(k) for k in range(2)]

    def off(place: tuple[float, float], nominal: tuple[float, float]) -> float:
        return 2 * math.hypot(place[0] - nominal[0], place[1] - nominal[1])

    return {
        "thickness": surface(part.thickness),
        "mast size": edges(part.mast_diameter),
        "slot width": edges(part.slot_width),
        "slot length": edges(part.slot_length),
        "mast to slot": edges(part.slot[0] - mast[0]),
        "base size": edges(part.base_diameter, part.base_diameter),
        "base hole x": edges(base[0][0] - mast[0]),
        "base hole y": edges(base[1][1] - mast[1]),
        "base position": zone(*(off(a, b) for a, b in zip(base, SHEET.base_holes, strict=True))),
        "flange size": edges(part.flange_diameter, part.flange_diameter),
        "flange hole x": edges(holes[0][0] - mast[0]),
        "flange position": zone(*(off((p[0], p[2]), n) for p, n in zip(holes, SHEET.flange_holes, strict=True))),
        "flange angle": surface(180.0 - part.main_angle),
        "end to mast": edges(mast[0]),
        "base flatness": zone(0.0),
        "flange square": zone(0.0),
    }


# --- machined block --------------------------------------------------------------------------------------------------

BLOCK = BearingHousing(
    plate=(62.0, 50.0, 9.0), corner_radius=6.0, boss_diameter=36.0, height=28.0, bore_diameter=18.0,
    seat_diameter=26.0, seat_depth=7.0, lead_in_diameter=22.0, chamfer=1.0,
    bolt_holes=((24.5, 18.5), (-24.5, 18.5), (-24.5, -18.5), (24.5, -18.5)), bolt_diameters=(6.0,) * 4,
    dowel=(-25.0, 0.0), dowel_diameter=6.0, pad_reach=22.0, pad_width=18.0, pad_top=24.0, tapped_diameter=5.0,
    tapped_depth=3.0, tapped_z=16.0, small_boss=(25.0, 4.0), small_boss_diameter=9.0, small_boss_height=13.0,
)  # fmt: skip

BLOCK_RECIPE = """features:
  foot:        {plane: {at: [15, 12, 0], normal: [0, 0, -1]}}
  top:         {plane: {at: [15.5, 0, 28], normal: [0, 0, 1]}}
  seat floor:  {plane: {at: [11, 0, 21], normal: [0, 0, 1]}}
  pad:         {plane: {at: [6, -22, 20], normal: [0, -1, 0]}}
  small boss:  {plane: {at: [25, 4, 13], normal: [0, 0, 1]}}
  bore:        {cylinder: {at: [0, 0, 0], axis: [0, 0, 1], diameter: 18}}
  seat:        {cylinder: {at: [0, 0, 21], axis: [0, 0, 1], diameter: 26}}
  dowel hole:  {cylinder: {at: [-25, 0, 0], axis: [0, 0, 1], diameter: 6}}
  lead-in:     {cone: {at: [0, 0, 0], diameter: 22, axis: [0, 0, -1], angle: 60}}
  bolt holes:
    pattern: {places: {at: [[24.5, 18.5, 0], [-24.5, 18.5, 0], [-24.5, -18.5, 0], [24.5, -18.5, 0]], axis: [0, 0, 1]}}
    of: {cylinder: {diameter: 6}}
datums:
  A: {feature: foot}
  B: {feature: bore, associate: least squares}
  C: {feature: dowel hole, associate: least squares}
datum systems:
  foot: [A]
  bore: [A, B]
  main: [A, B, C]
characteristics:
  bore size:      {size: bore, limits: 18 ±0.1, by: GG}
  seat size:      {size: seat, limits: 26 ±0.1, by: GG}
  dowel size:     {size: dowel hole, limits: 6 ±0.1, by: GG}
  bolt size:      {size: each of bolt holes, limits: 6 ±0.3, by: GG}
  height:         {distance: [foot, top], limits: 28 ±0.1}
  seat depth:     {distance: [top, seat floor], limits: 7 ±0.1}
  small boss:     {distance: [foot, small boss], limits: 13 ±0.15}
  bore to dowel:  {distance: [bore, dowel hole], limits: 25 ±0.1, along: [1, 0, 0]}
  pad to bore:    {distance: [pad, bore], limits: 22 ±0.15, along: [0, 1, 0]}
  bolt 1 x:       {distance: [bore, bolt holes 1], limits: 24.5 ±0.3, along: [1, 0, 0], datums: main}
  bolt 2 y:       {distance: [bore, bolt holes 2], limits: 18.5 ±0.3, along: [0, 1, 0], datums: main}
  bolt position:  {position: each of bolt holes, zone: 0.5, shape: diametral, datums: main}
  seat position:  {position: seat, zone: 0.2, shape: diametral, datums: bore}
  bore square:    {perpendicularity: bore, zone: 0.2, shape: diametral, datums: foot}
  top parallel:   {parallelism: top, zone: 0.2, datums: foot}
  foot flatness:  {flatness: foot, zone: 0.2}
"""


def block_truth(part: BearingHousing) -> dict[str, Truth]:
    """Return the truth of a machined piece whose foot, bore axis and dowel direction are nominal."""
    bolts = part.bolt_holes
    off = [2 * math.hypot(a[0] - b[0], a[1] - b[1]) for a, b in zip(bolts, BLOCK.bolt_holes, strict=True)]
    return {
        "bore size": surface(part.bore_diameter),
        "seat size": surface(part.seat_diameter),
        "dowel size": surface(part.dowel_diameter),
        "bolt size": surface(*part.bolt_diameters),
        "height": surface(part.height),
        "seat depth": surface(part.seat_depth),
        "small boss": surface(part.small_boss_height),
        "bore to dowel": surface(-part.dowel[0]),
        "pad to bore": surface(part.pad_reach),
        "bolt 1 x": surface(bolts[0][0]),
        "bolt 2 y": surface(bolts[1][1]),
        "bolt position": zone(*off),
        "seat position": zone(0.0),
        "bore square": zone(0.0),
        "top parallel": zone(0.0),
        "foot flatness": zone(0.0),
        "lead-in: half_angle": surface(part.lead_in_half_angle),
    }


# --- turned spindle --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Spindle:
    """Turned part about z: flange on z = 0, body, cone, journal with a ball end; blind bore from below.

    The flange has a flat at +x and three bolt holes, the first on the x axis.
    """

    flange_diameter: float = 40.0
    flange_height: float = 6.0
    body_diameter: float = 24.0
    body_end: float = 22.0
    cone_end: float = 28.0
    journal_diameter: float = 16.0
    ball_height: float = 42.0
    bore_diameter: float = 10.0
    bore_depth: float = 18.0
    flat: float = 18.5
    bolt_radius: float = 15.5
    bolt_diameter: float = 4.0
    bolt_shift: tuple[float, float] = (0.0, 0.0)
    """Of the second bolt hole."""
    journal_shift: float = 0.0
    """Journal and ball off the bore's axis, along x."""

    def bolt(self, index: int) -> tuple[float, float]:
        """Centre of a bolt hole."""
        turn = math.pi + 2 * math.pi * index / 3
        dx, dy = self.bolt_shift if index == 1 else (0.0, 0.0)
        return self.bolt_radius * math.cos(turn) + dx, self.bolt_radius * math.sin(turn) + dy


def build_spindle(part: Spindle, path: Path, name: str) -> None:
    """Write a spindle as STEP."""
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeSphere
    from OCP.gp import gp_Pnt

    from runner.rehearse import solids

    e, top = part.journal_shift, part.cone_end
    body = solids.fuse(
        solids.cylinder((0, 0, 0), Z, part.flange_diameter, part.flange_height),
        solids.cylinder((0, 0, 1.0), Z, part.body_diameter, part.body_end - 1.0),
        solids.cone((0, 0, part.body_end), Z, part.body_diameter, 16.0, top - part.body_end),
        solids.cylinder((e, 0, top - 2.0), Z, part.journal_diameter, part.ball_height - top + 2.0),
        BRepPrimAPI_MakeSphere(gp_Pnt(e, 0, part.ball_height), part.journal_diameter / 2).Shape(),
    )
    tools = [
        solids.cylinder((0, 0, -1.0), Z, part.bore_diameter, part.bore_depth + 1.0),
        solids.box((part.flat, -30.0, -1.0), (30.0, 30.0, part.flange_height + 1.0)),
        *(solids.cylinder((*part.bolt(k), -1.0), Z, part.bolt_diameter, part.flange_height + 2.0) for k in range(3)),
    ]
    solids.write_step(solids.cut(body, *tools), path, name)


SPINDLE = Spindle()
_PLACES = ", ".join(f"[{SPINDLE.bolt(k)[0]:.12g}, {SPINDLE.bolt(k)[1]:.12g}, 0]" for k in range(3))

SPINDLE_RECIPE = """features:
  foot:     {plane: {at: [8, 8, 0], normal: [0, 0, -1]}}
  shoulder: {plane: {at: [0, 15, 6], normal: [0, 0, 1]}}
  flat:     {plane: {at: [18.5, 0, 3], normal: [1, 0, 0]}}
  body:     {cylinder: {at: [0, 0, 6], axis: [0, 0, 1], diameter: 24}}
  journal:  {cylinder: {at: [0, 0, 28], axis: [0, 0, 1], diameter: 16}}
  bore:     {cylinder: {at: [0, 0, 0], axis: [0, 0, 1], diameter: 10}}
  taper:    {cone: {at: [0, 0, 22], diameter: 24, axis: [0, 0, -1], angle: 67.38013505195957}}
  ball:     {sphere: {at: [0, 0, 42], diameter: 16}}
  bolt holes:
    pattern: {places: {at: [PLACES], axis: [0, 0, 1]}}
    of: {cylinder: {diameter: 4}}
datums:
  A: {feature: foot}
  B: {feature: bore, associate: least squares}
  C: {feature: flat, associate: least squares}
datum systems:
  foot: [A]
  bore: [A, B]
  main: [A, B, C]
characteristics:
  body size:       {size: body, limits: 24 ±0.1, by: GG}
  journal size:    {size: journal, limits: 16 ±0.1, by: GG}
  bore size:       {size: bore, limits: 10 ±0.1, by: GG}
  ball size:       {size: ball, limits: 16 ±0.1, by: GG}
  bolt size:       {size: each of bolt holes, limits: 4 ±0.2, by: GG}
  flange height:   {distance: [foot, shoulder], limits: 6 ±0.1}
  flat to bore:    {distance: [flat, bore], limits: 18.5 ±0.1, along: [1, 0, 0]}
  ball height:     {distance: [foot, ball], limits: 42 ±0.2, along: [0, 0, 1], datums: main}
  journal x:       {distance: [flat, journal], limits: 18.5 ±0.2, along: [1, 0, 0], datums: main}
  bolt 1 x:        {distance: [bore, bolt holes 1], limits: 15.5 ±0.2, along: [1, 0, 0], datums: main}
  bolt position:   {position: each of bolt holes, zone: 0.5, shape: diametral, datums: main}
  journal position: {position: journal, zone: 0.2, shape: diametral, datums: bore}
  bore square:     {perpendicularity: bore, zone: 0.2, shape: diametral, datums: foot}
  shoulder parallel: {parallelism: shoulder, zone: 0.2, datums: foot}
  foot flatness:   {flatness: foot, zone: 0.2}
  journal round:   {roundness: journal, zone: 0.2}
""".replace("PLACES", _PLACES)


def spindle_truth(part: Spindle) -> dict[str, Truth]:
    """Return the truth of a spindle whose foot, bore and flat direction are nominal."""
    off = [2 * math.dist(part.bolt(k), SPINDLE.bolt(k)) for k in range(3)]
    turn = math.atan((part.body_diameter / 2 - 8.0) / (part.cone_end - part.body_end))
    return {
        "body size": surface(part.body_diameter),
        "journal size": surface(part.journal_diameter),
        "bore size": surface(part.bore_diameter),
        "ball size": surface(part.journal_diameter),
        "bolt size": surface(*[part.bolt_diameter] * 3),
        "flange height": surface(part.flange_height),
        "flat to bore": surface(part.flat),
        "ball height": surface(part.ball_height),
        "journal x": surface(part.flat - part.journal_shift),
        "bolt 1 x": surface(-part.bolt(0)[0]),
        "bolt position": zone(*off),
        "journal position": zone(2 * part.journal_shift),
        "bore square": zone(0.0),
        "shoulder parallel": zone(0.0),
        "foot flatness": zone(0.0),
        "journal round": zone(0.0),
        "taper: half_angle": surface(math.degrees(turn)),
    }


PARTS = {
    part.name: part
    for part in (
        StudyPart(
            "sheet",
            SHEET,
            (
                replace(SHEET, mast_diameter=12.08, slot_width=6.05, base_diameter=5.06, flange_diameter=6.04),
                replace(
                    SHEET,
                    thickness=1.53,
                    main_angle=90.25,
                    slot=(56.08, 18.0),
                    slot_length=14.1,
                    base_holes=((39.06, 8.08), (39.0, 30.0)),
                ),
                replace(
                    SHEET,
                    thickness=1.46,
                    main_angle=89.8,
                    mast_diameter=11.94,
                    flange_holes=((28.1, 14.0), (56.0, 14.1)),
                ),
            ),
            build_bracket,
            SHEET_RECIPE,
            sheet_truth,
            {},
        ),
        StudyPart(
            "block",
            BLOCK,
            (
                replace(BLOCK, bore_diameter=18.015, seat_diameter=26.02, dowel_diameter=6.01),
                replace(
                    BLOCK,
                    height=28.03,
                    small_boss_height=12.96,
                    pad_reach=22.05,
                    bolt_holes=((24.58, 18.44), (-24.5, 18.56), (-24.5, -18.5), (24.5, -18.5)),
                ),
                replace(BLOCK, bolt_diameters=(6.05, 6.0, 5.97, 6.1), seat_depth=7.04, dowel=(-25.03, 0.0)),
            ),
            build_housing,
            BLOCK_RECIPE,
            block_truth,
            {
                "bore size": "bore",
                "seat size": "seat",
                "dowel size": "dowel hole",
                "bolt size": "bolt holes 1",
            },
        ),
        StudyPart(
            "spindle",
            SPINDLE,
            (
                replace(SPINDLE, body_diameter=24.03, bore_diameter=10.02, flat=18.47),
                replace(SPINDLE, journal_diameter=15.98, journal_shift=0.03, bolt_shift=(0.05, -0.04)),
                replace(SPINDLE, flange_height=6.04, ball_height=42.06, bolt_diameter=4.03, bolt_radius=15.54),
            ),
            build_spindle,
            SPINDLE_RECIPE,
            spindle_truth,
            {
                "body size": "body",
                "journal size": "journal",
                "bore size": "bore",
                "ball size": "ball",
                "bolt size": "bolt holes 1",
            },
        ),
    )
}
