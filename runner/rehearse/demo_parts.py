"""The demo's two parts as parametric builders: an invented workshop that makes wind vanes.

A piece with a known defect is the same builder with other parameters, so that its truth *is* the parameters.
All lengths mm, angles degrees, in the frame of the nominal model.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from runner.records import Vector

X: Vector = (1.0, 0.0, 0.0)
Y: Vector = (0.0, 1.0, 0.0)
Z: Vector = (0.0, 0.0, 1.0)


@dataclass(frozen=True)
class MastBracket:
    """Bent sheet: a base plate with a long flange along +y and a short one at x = 0, both bent up.

    The base's lower side is z = 0. Flange heights are measured along the flange from the base's lower side as if
    bent square. Flange holes are placed along x and up the flange.
    """

    thickness: float = 2.0
    inner_radius: float = 3.0
    length: float = 140.0
    """Outer side of the end flange (x = 0) to the free end."""
    depth: float = 70.0
    """Free edge (y = 0) to the outer side of the main flange, when square."""
    main_height: float = 42.0
    main_span: tuple[float, float] = (22.0, 132.0)
    main_angle: float = 90.0
    """How far the main flange is bent up; less than 90 leaves it open."""
    end_height: float = 26.0
    end_span: tuple[float, float] = (6.0, 48.0)
    mast_hole: tuple[float, float] = (42.0, 28.0)
    mast_diameter: float = 16.0
    slot: tuple[float, float] = (108.0, 28.0)
    slot_length: float = 20.0
    slot_width: float = 8.0
    base_holes: tuple[tuple[float, float], ...] = ((70.0, 12.0), (70.0, 48.0), (128.0, 10.0), (128.0, 50.0))
    base_diameter: float = 6.6
    flange_holes: tuple[tuple[float, float], ...] = ((46.0, 27.0), (106.0, 27.0))
    flange_diameter: float = 9.0

    @property
    def outer_radius(self) -> float:
        """Outer bend radius."""
        return self.inner_radius + self.thickness

    def flange_frame(self) -> tuple[Vector, Vector, Vector]:
        """Start of the main flange's outer side (at x = 0), its direction up the flange, its outward normal."""
        angle = math.radians(self.main_angle)
        sine, cosine = math.sin(angle), math.cos(angle)
        bend_y = self.depth - self.outer_radius
        start = (0.0, bend_y + self.outer_radius * sine, self.outer_radius * (1 - cosine))
        return start, (0.0, cosine, sine), (0.0, sine, -cosine)

    def flange_hole(self, index: int) -> Vector:
        """Centre of a hole of the main flange on its outer side."""
        x, up = self.flange_holes[index]
        start, direction, _ = self.flange_frame()
        along = up - self.outer_radius
        return x, start[1] + along * direction[1], start[2] + along * direction[2]


@dataclass(frozen=True)
class BearingHousing:
    """Machined block: flange plate (lower side z = 0), round boss with a stepped bore, side pad, small boss.

    The bore's axis is z through the origin.
    """

    plate: tuple[float, float, float] = (112.0, 92.0, 12.0)
    corner_radius: float = 9.0
    boss_diameter: float = 64.0
    height: float = 52.0
    """Lower side of the plate to the top of the boss."""
    bore_diameter: float = 35.0
    seat_diameter: float = 47.0
    seat_depth: float = 10.0
    lead_in_diameter: float = 41.0
    """Opening of the 60 degree (included) cone at the bore's lower end."""
    lead_in_half_angle: float = 30.0
    chamfer: float = 1.5
    bolt_holes: tuple[tuple[float, float], ...] = ((43.0, 33.0), (-43.0, 33.0), (-43.0, -33.0), (43.0, -33.0))
    bolt_diameters: tuple[float, ...] = (9.0, 9.0, 9.0, 9.0)
    dowel: tuple[float, float] = (-44.0, 0.0)
    dowel_diameter: float = 8.0
    pad_reach: float = 41.0
    """Bore axis to the pad's face, along -y."""
    pad_width: float = 30.0
    pad_top: float = 42.0
    tapped_diameter: float = 6.8
    tapped_depth: float = 14.0
    tapped_z: float = 28.0
    small_boss: tuple[float, float] = (44.0, 4.0)
    small_boss_diameter: float = 15.0
    small_boss_height: float = 20.0
    """Lower side of the plate to the small boss's top."""
    top_tilt: float = 0.0
    """The boss's top is tilted about y by this angle: its height rises along +x about the axis."""


def build_bracket(part: MastBracket, path: Path, name: str = "mast bracket") -> None:
    """Write the bracket as STEP."""
    from runner.rehearse import solids

    t, outer = part.thickness, part.outer_radius
    bend_x, bend_y = outer, part.depth - outer
    base = solids.box((bend_x, 0.0, 0.0), (part.length, bend_y, t))
    first, last = part.main_span
    main = _bent_flange((first, bend_y, 0.0), Y, X, last - first, part, part.main_angle, part.main_height)
    first, last = part.end_span
    end = _bent_flange((bend_x, first, 0.0), (-1.0, 0.0, 0.0), Y, last - first, part, 90.0, part.end_height)
    tools = [
        solids.cylinder((x, y, -t), Z, diameter, 3 * t)
        for (x, y), diameter in [
            (part.mast_hole, part.mast_diameter),
            *((place, part.base_diameter) for place in part.base_holes),
        ]
    ]
    tools.append(solids.slot_tool((*part.slot, t / 2), Z, X, part.slot_length, part.slot_width, 2 * t))
    _, _, normal = part.flange_frame()
    for index in range(len(part.flange_holes)):
        centre = part.flange_hole(index)
        outside = (centre[0], centre[1] + t * normal[1], centre[2] + t * normal[2])
        tools.append(solids.cylinder(outside, (0.0, -normal[1], -normal[2]), part.flange_diameter, 3 * t))
    solids.write_step(solids.cut(solids.fuse(base, main, end), *tools), path, name)


def _bent_flange(
    start: Vector, out: Vector, width_direction: Vector, width: float, part: MastBracket, angle: float, height: float
) -> object:
    """Return bend and flange: a profile in the plane of ``out`` and z, swept along ``width_direction``."""
    from runner.rehearse import solids

    inner, outer = part.inner_radius, part.outer_radius
    straight = height - outer
    theta = math.radians(angle)

    def at(radius: float, turn: float, along: float = 0.0) -> Vector:
        u = radius * math.sin(turn) + along * math.cos(turn)
        w = outer - radius * math.cos(turn) + along * math.sin(turn)
        return start[0] + u * out[0], start[1] + u * out[1], start[2] + w

    outline: list[tuple[Vector, ...]] = [
        (at(outer, 0), at(outer, theta / 2), at(outer, theta)),
        (at(outer, theta), at(outer, theta, straight)),
        (at(outer, theta, straight), at(inner, theta, straight)),
        (at(inner, theta, straight), at(inner, theta)),
        (at(inner, theta), at(inner, theta / 2), at(inner, 0)),
        (at(inner, 0), at(outer, 0)),
    ]
    sweep = (width * width_direction[0], width * width_direction[1], width * width_direction[2])
    return solids.prism(outline, sweep)


def build_housing(part: BearingHousing, path: Path, name: str = "bearing housing") -> None:
    """Write the housing as STEP."""
    from runner.rehearse import solids

    length, width, plate = part.plate
    top, bore = part.height, part.bore_diameter
    body = solids.fuse(
        _rounded_plate(length, width, plate, part.corner_radius),
        solids.cylinder((0.0, 0.0, plate / 2), Z, part.boss_diameter, top + 5.0 - plate / 2),
        solids.box((-part.pad_width / 2, -part.pad_reach, plate / 2), (part.pad_width / 2, 0.0, part.pad_top)),
        solids.cylinder((*part.small_boss, plate / 2), Z, part.small_boss_diameter, part.small_boss_height - plate / 2),
    )
    lead_length = (part.lead_in_diameter - bore) / 2 / math.tan(math.radians(part.lead_in_half_angle))
    # the chamfer's tool runs 2 mm past the top, so that a tilted top leaves no lip
    opening = part.seat_diameter + 2 * (part.chamfer + 2.0)
    tools = [
        _above(part),
        solids.cylinder((0.0, 0.0, -1.0), Z, bore, top + 10.0),
        solids.cylinder((0.0, 0.0, top - part.seat_depth), Z, part.seat_diameter, part.seat_depth + 10.0),
        solids.cone((0.0, 0.0, top - part.chamfer), Z, part.seat_diameter, opening, part.chamfer + 2.0),
        solids.cone((0.0, 0.0, 0.0), Z, part.lead_in_diameter, bore, lead_length),
        solids.cylinder((*part.dowel, -1.0), Z, part.dowel_diameter, plate + 2.0),
        solids.cylinder((0.0, -part.pad_reach - 1.0, part.tapped_z), Y, part.tapped_diameter, part.tapped_depth + 1.0),
    ]
    for (x, y), diameter in zip(part.bolt_holes, part.bolt_diameters, strict=True):
        tools.append(solids.cylinder((x, y, -1.0), Z, diameter, plate + 2.0))
    solids.write_step(solids.cut(body, *tools), path, name)


def _rounded_plate(length: float, width: float, thickness: float, radius: float) -> object:
    """Return the base plate: corners rounded, lower side at z = 0, centred on the origin."""
    from runner.rehearse import solids

    a, b, r, d = length / 2, width / 2, radius, radius * (1 - math.sqrt(0.5))
    outline: list[tuple[Vector, ...]] = [
        ((-a + r, -b, 0.0), (a - r, -b, 0.0)),
        ((a - r, -b, 0.0), (a - d, -b + d, 0.0), (a, -b + r, 0.0)),
        ((a, -b + r, 0.0), (a, b - r, 0.0)),
        ((a, b - r, 0.0), (a - d, b - d, 0.0), (a - r, b, 0.0)),
        ((a - r, b, 0.0), (-a + r, b, 0.0)),
        ((-a + r, b, 0.0), (-a + d, b - d, 0.0), (-a, b - r, 0.0)),
        ((-a, b - r, 0.0), (-a, -b + r, 0.0)),
        ((-a, -b + r, 0.0), (-a + d, -b + d, 0.0), (-a + r, -b, 0.0)),
    ]
    return solids.prism(outline, (0.0, 0.0, thickness))


def _above(part: BearingHousing) -> object:
    """Return the tool that mills the boss's top: everything above it, tilted about y by ``top_tilt``."""
    from runner.rehearse import solids

    reach, rise = 60.0, 60.0 * math.tan(math.radians(part.top_tilt))
    low, high, lid = part.height - rise, part.height + rise, part.height + 20.0
    corners = [(-reach, -reach, low), (reach, -reach, high), (reach, -reach, lid), (-reach, -reach, lid)]
    outline: list[tuple[Vector, ...]] = [(corners[k], corners[(k + 1) % 4]) for k in range(4)]
    return solids.prism(outline, (0.0, 2 * reach, 0.0))
