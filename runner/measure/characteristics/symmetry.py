"""Symmetry of ISO 1101: the median plane, axis or centre lies on the datum's median plane.

Withdrawn from ASME Y14.5-2018, which asks for position or profile in its place: refused there.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from runner.geometry.shapes import Plane, Shape, Slot, vector
from runner.measure.characteristics.coaxial import COAXIAL, WITHDRAWN, datum_shapes
from runner.measure.characteristics.common import Context, Finding, Missing
from runner.measure.characteristics.position import evaluate as position
from runner.measure.element import array, direction, place, slot_axes
from runner.measure.specs import CharacteristicSpec


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return twice the largest distance of each median plane, axis or centre from the datum's median plane."""
    if context.plan.standard.startswith("ASME"):
        return [Missing(spec.id, WITHDRAWN.format(spec.kind))]
    if spec.datum_system is None:
        return [Missing(spec.id, "symmetry needs a datum")]
    findings: list[Finding] = []
    for name in spec.features:
        feature = context.specs.get(name)
        shape = None if feature is None else feature.shape
        if shape is None:
            findings.append(Missing(name, "symmetry is asked of a median plane, a slot, an axis or a centre"))
            continue
        across = _across(shape, datum_shapes(spec, context), spec)
        if isinstance(across, str):
            findings.append(Missing(name, across))
            continue
        one = replace(spec, features=(name,), zone_shape="two planes")
        if not isinstance(shape, Plane | Slot):
            one = replace(one, direction=vector(across))
        elif isinstance(shape, Slot):
            one = replace(one, across=spec.across or "width")
        findings += position(one, context)
    return findings


def _across(shape: Shape, datums: list[Shape], spec: CharacteristicSpec) -> np.ndarray | str:
    """Direction of the zone's thickness, the normal of the datum's median plane, or why there is none."""
    for datum in datums:
        way: np.ndarray | None = None
        if isinstance(datum, Plane):
            way = array(datum.normal)
        elif isinstance(datum, Slot):
            way = slot_axes(datum)[2]
        elif spec.direction is not None:
            way = array(spec.direction)
        elif isinstance(shape, Plane):
            # a median plane through a datum axis
            way = array(shape.normal)
        if way is None:
            continue
        axis = direction(datum)
        if not isinstance(datum, Plane | Slot) and axis is not None and abs(float(axis @ way)) > 1e-4:
            continue
        if isinstance(shape, Plane) and float(np.linalg.norm(np.cross(array(shape.normal), way))) > 1e-4:
            continue
        if abs(float((place(shape) - place(datum)) @ way)) <= COAXIAL:
            return way
    return "its nominal does not lie on a median plane or axis of the datums: ask for position"
