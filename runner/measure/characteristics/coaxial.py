"""Coaxiality and concentricity of ISO 1101: the axis or the centre lies on the datum axis.

Withdrawn from ASME Y14.5-2018, which asks for position or runout in their place: refused there.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from runner.geometry.frames import unit
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Point, Shape, Sphere, vector
from runner.measure.characteristics.common import Context, Finding, Missing
from runner.measure.characteristics.position import evaluate as position
from runner.measure.element import direction, place
from runner.measure.specs import CharacteristicSpec

COAXIAL = 2e-3
"""mm that the nominal may lie off the datum."""
WITHDRAWN = "{} was withdrawn from ASME Y14.5-2018: ask for position, profile or runout"


def coaxiality(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return twice the largest distance of each axis, over its extent, from the datum axis."""
    return _on_datum(spec, context, (Cylinder, Cone, Line), "an axis")


def concentricity(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return twice the distance of each centre from the datum axis or point."""
    return _on_datum(spec, context, (Circle, Sphere, Point), "a centre")


def _on_datum(spec: CharacteristicSpec, context: Context, kinds: tuple[type[Shape], ...], what: str) -> list[Finding]:
    if context.plan.standard.startswith("ASME"):
        return [Missing(spec.id, WITHDRAWN.format(spec.kind))]
    if spec.datum_system is None:
        return [Missing(spec.id, f"{spec.kind} needs a datum")]
    findings: list[Finding] = []
    for name in spec.features:
        feature = context.specs.get(name)
        shape = None if feature is None else feature.shape
        if feature is not None and not isinstance(shape, kinds):
            findings.append(Missing(name, f"{spec.kind} is asked of {what}, not of a {feature.kind}"))
        elif shape is not None and not _lies_on(shape, datum_shapes(spec, context)):
            findings.append(
                Missing(name, "its nominal does not lie on an axis or a centre of the datums: ask for position")
            )
    if findings:
        return findings
    return position(_round_zone(spec, context), context)


def _round_zone(spec: CharacteristicSpec, context: Context) -> CharacteristicSpec:
    """The requirement as one of position: diametral about the datum's axis, or spherical about its point."""
    if spec.zone_shape != "two planes" or spec.direction is not None:
        return spec
    shapes = [context.specs[name].shape for name in spec.features if name in context.specs]
    centres = [shape for shape in shapes if isinstance(shape, Sphere | Point)]
    along: np.ndarray | None = None
    for datum in datum_shapes(spec, context):
        # a centre on a datum axis may lie anywhere along it
        if along is None and not isinstance(datum, Plane) and any(_lies_on(centre, [datum]) for centre in centres):
            along = direction(datum)
    return replace(spec, zone_shape="diametral", direction=None if along is None else vector(along))


def datum_shapes(spec: CharacteristicSpec, context: Context) -> list[Shape]:
    """Return the nominal elements of a characteristic's datums."""
    names = [
        name
        for system in context.plan.datum_systems
        if system.name == spec.datum_system
        for datum in system.datums
        for name in datum.features
    ]
    shapes = [context.specs[name].shape for name in names if name in context.specs]
    return [shape for shape in shapes if shape is not None]


def _lies_on(shape: Shape, datums: list[Shape]) -> bool:
    """Whether the nominal lies on one of the datums' axes or centres."""
    for datum in datums:
        if isinstance(datum, Plane):
            continue
        axis = direction(datum)
        away = place(shape) - place(datum)
        if axis is None:
            if float(np.linalg.norm(away)) <= COAXIAL:
                return True
            continue
        axis = np.asarray(unit(axis))
        own = direction(shape)
        parallel = own is None or isinstance(shape, Point) or float(np.linalg.norm(np.cross(own, axis))) < 1e-4
        if parallel and float(np.linalg.norm(away - (away @ axis) * axis)) <= COAXIAL:
            return True
    return False
