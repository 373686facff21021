"""Chamfers: width, leg and angle of a bevel between two faces, or of a cone between a plane and a cylinder."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cone, Cylinder, Plane, vector
from runner.measure.characteristics.bend import turn_noise
from runner.measure.characteristics.between_faces import angle_of
from runner.measure.characteristics.common import Context, Finding, Missing, Value, middle
from runner.measure.characteristics.countersink import mouth
from runner.measure.characteristics.gather import (
    coverage_of,
    critical,
    gather,
    joined,
    points_of,
    spread_of,
    undecidable,
)
from runner.measure.element import array
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec

LEAST_ANGLE = float(np.radians(3.0))
"""Faces that meet at less have no corner that could be told."""
LEAST_LEG = 1e-6
"""mm."""


@dataclass(frozen=True)
class Section:
    """The triangle of a chamfer in one section square to the virtual edge, mm and rad."""

    width: float
    """Across the bevel."""
    leg: float
    """Along the first face, from the virtual edge to the bevel."""
    other: float
    """Along the second face."""
    angle: float
    """Between the first face and the bevel."""
    way: tuple[float, float, float]
    """Unit, from the virtual edge along the first face to the bevel."""


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the width or leg, mm, or the angle, rad, of a chamfer."""
    features = gather(spec, context, "a chamfer needs three: the bevel and the two faces that it lies between;", 3, 3)
    if isinstance(features, Missing):
        return [features]
    bevel, a, b = features
    name = joined(features)
    wanted = spec.quantity or "leg"
    if wanted not in ("width", "leg", "angle"):
        return [Missing(name, f"of a chamfer the width, leg or angle is asked, not {wanted!r}")]
    if isinstance(bevel.shape, Cone):
        sections: list[Section] | str = round_chamfer(bevel, a, b)
    else:
        sections = flat_chamfer(bevel, a, b)
    if isinstance(sections, str):
        return [Missing(name, sections)]
    values = [float(getattr(section, wanted)) for section in sections]
    middle_one = sections[len(sections) // 2]
    details: dict[str, float | str] = {
        "definition": _definition(wanted, len(sections) > 1),
        "width": middle_one.width,
        "leg along the first face": middle_one.leg,
        "leg along the second face": middle_one.other,
        "angle to the first face, deg": float(np.degrees(middle_one.angle)),
    }
    if len(sections) > 1 and wanted != "angle":
        details |= {"smallest": min(values), "largest": max(values)}
    standard = angle_standard(bevel, a) if wanted == "angle" else None
    if standard is not None:
        details["standard deviation from noise, deg"] = float(np.degrees(standard))
    return [
        Value(
            name,
            critical(values, spec),
            judged=tuple(values),
            points=points_of(features),
            coverage=coverage_of(features),
            blocked=undecidable(standard, spec),
            details=details,
        )
    ]


def _definition(wanted: str, along: bool) -> str:
    where = "; at both ends and the middle of the bevel, the worst is shown" if along and wanted != "angle" else ""
    words = {
        "width": "across the bevel, between its lines of intersection with both faces",
        "leg": "along the first face, from the virtual edge of both faces to the bevel",
        "angle": "between the first face and the bevel, least-squares elements",
    }
    return words[wanted] + where


def angle_standard(bevel: FoundFeature, a: FoundFeature) -> float | None:
    """Return the standard deviation of the angle, rad, that noise gives a narrow bevel (and the first face)."""
    if isinstance(bevel.shape, Cone):
        return spread_of(bevel.fit, {"half angle": 1.0})
    if not isinstance(bevel.shape, Plane) or not isinstance(a.shape, Plane):
        return None
    edge = np.cross(array(bevel.shape.normal), array(a.shape.normal))
    length = float(np.linalg.norm(edge))
    parts = [turn_noise(f, edge / length) for f in (bevel, a)] if length > 0 else []
    known = [p for p in parts if p is not None]
    return float(np.hypot(known[0], known[1])) if len(known) == 2 else None


def flat_chamfer(bevel: FoundFeature, a: FoundFeature, b: FoundFeature) -> list[Section] | str:
    """Return the sections of a flat bevel at one end, the middle and the other end, or why there are none."""
    for feature in (bevel, a, b):
        if not isinstance(feature.shape, Plane):
            return "a chamfer is asked of a flat bevel between two planes, or of a cone between a plane and a cylinder"
    c, first, second = bevel.shape, a.shape, b.shape
    assert isinstance(c, Plane) and isinstance(first, Plane) and isinstance(second, Plane)
    edge = np.cross(array(first.normal), array(second.normal))
    if float(np.linalg.norm(edge)) < np.sin(LEAST_ANGLE):
        return "the two faces are nearly parallel: they have no edge"
    edge = unit(edge)
    centre = middle(bevel)
    reach = 0.0
    if bevel.patch is not None:
        along = (bevel.patch.samples - bevel.patch.samples.mean(axis=0)) @ edge
        reach = 0.5 * float(np.ptp(along))
    sections = []
    for shift in (-reach, 0.0, reach) if reach > 0 else (0.0,):
        section = section_of(c, first, second, centre + shift * edge, edge)
        if isinstance(section, str):
            return section
        if beyond(section, bevel, a, b):
            return "the bevel lies beyond the virtual edge: there is no chamfer"
        sections.append(section)
    return sections


def beyond(section: Section, bevel: FoundFeature, a: FoundFeature, b: FoundFeature) -> bool:
    """Whether a section lies on the other side of the virtual edge than the nominal's."""
    c, first, second = bevel.spec.shape, a.spec.shape, b.spec.shape
    assert isinstance(c, Plane) and isinstance(first, Plane) and isinstance(second, Plane)
    edge = unit(np.cross(array(first.normal), array(second.normal)))
    nominal = section_of(c, first, second, array(c.point), edge)
    return not isinstance(nominal, str) and float(array(nominal.way) @ array(section.way)) < 0


def section_of(bevel: Plane, first: Plane, second: Plane, at: Floats, edge: Floats) -> Section | str:
    """Return the triangle of three planes in the section through ``at`` square to ``edge`` (unit)."""
    cut = Plane(vector(at), vector(edge))
    corner, start, end = (_meet(cut, *pair) for pair in ((first, second), (first, bevel), (second, bevel)))
    if corner is None or start is None or end is None:
        return "the bevel is nearly parallel to one of the faces: it has no corner with it"
    leg, other, width = (float(np.linalg.norm(q - p)) for p, q in ((corner, start), (corner, end), (start, end)))
    if min(leg, other, width) <= LEAST_LEG:
        return "the bevel runs through the virtual edge: there is no chamfer"
    return Section(width, leg, other, angle_of(corner - start, end - start), vector((start - corner) / leg))


def _meet(*planes: Plane) -> Floats | None:
    """The point (3,) of three planes; None where two of them are nearly parallel."""
    rows = np.array([p.normal for p in planes])
    if abs(float(np.linalg.det(rows))) < np.sin(LEAST_ANGLE):
        return None
    values = np.array([array(p.point) @ array(p.normal) for p in planes])
    return np.asarray(np.linalg.solve(rows, values), dtype=np.float64)


def round_chamfer(bevel: FoundFeature, a: FoundFeature, b: FoundFeature) -> list[Section] | str:
    """Return the section of a conical chamfer between a plane and a cylinder (a bore's or a shaft's), or why not."""
    cone = bevel.shape
    assert isinstance(cone, Cone)
    face = next((f for f in (a, b) if isinstance(f.shape, Plane)), None)
    wall = next((f for f in (a, b) if isinstance(f.shape, Cylinder | Circle)), None)
    if face is None or wall is None:
        return "a conical chamfer lies between a plane and a cylinder"
    assert isinstance(face.shape, Plane) and isinstance(wall.shape, Cylinder | Circle)
    plane, bore = face.shape, float(array(cone.axis) @ array(face.shape.normal)) > 0
    if not bore:
        # on a shaft the cone's apex lies outside the material
        plane = Plane(plane.point, vector(-array(plane.normal)))
    found = mouth(cone, plane)
    if isinstance(found, str):
        return found
    radial = (0.5 * found.diameter - wall.shape.radius) * (1.0 if bore else -1.0)
    if radial <= 0:
        return "the cone meets the face inside the cylinder's own edge: there is no chamfer"
    axial = radial / float(np.tan(cone.half_angle))
    width = float(np.hypot(radial, axial))
    if face is a:
        return [Section(width, radial, axial, float(np.pi / 2 - cone.half_angle), plane.normal)]
    return [Section(width, axial, radial, cone.half_angle, plane.normal)]
