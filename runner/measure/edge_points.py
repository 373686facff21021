"""Trim edges and edge points as measured features."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from runner.geometry.mesh import Nominal
from runner.geometry.shapes import Point, vector
from runner.measure.edge_places import (
    BREAK_DEPTH,
    CELL,
    LEAST_ROOM,
    EdgeFrames,
    EdgePlaces,
    measure_places,
    point_frames,
)
from runner.measure.element import array
from runner.measure.found import FoundFeature
from runner.measure.patch import NoPatch
from runner.measure.scene import Scene
from runner.measure.specs import FeatureSpec, MeasurePlan
from runner.measure.trim_edge import find_trim_edge

NO_SHEET = "the nominal has no sheet that ends there, looking in the stated direction"
INCOMPLETE = "an edge point needs its place, the sheet's side and the way outwards"
SHORTEST = 2.0
"""mm of edge about an edge point that are looked at, at least."""


FARTHER = (2.0, 4.0)
"""Where no edge is found, it is looked for within these multiples of the search, to say where it is."""


def beyond(away: float, search: float) -> str:
    """Return that something was found too far from nominal, in words."""
    return f"what was found lies {away:.2f} mm from nominal, beyond the search of {search:g} mm"


def farther(
    frames: EdgeFrames, scene: Scene, spacing: float, search: float, width: float | None, seen: float
) -> str | None:
    """Return that the edge lies beyond its search, if more of it is seen there than within (``seen``, a share)."""
    for factor in FARTHER:
        wide = min(factor * search, scene.reach)
        if wide <= search:
            return None
        places = measure_places(frames, scene, spacing, wide, width)
        away = np.abs(places.deviation[places.seen])
        if places.coverage >= seen + 0.2 and np.any(away > search):
            return beyond(float(away.max()), search)
    return None


def measure_trim_edge(
    spec: FeatureSpec, plan: MeasurePlan, nominal: Nominal, scene: Scene, step: float | None = None
) -> FoundFeature:
    """Measure a free edge place by place."""
    spacing = scene.spacing if scene.spacing > 0 else plan.spacing
    frames = find_trim_edge(spec, nominal, spacing)
    if isinstance(frames, NoPatch):
        return FoundFeature(spec, None, reason=frames.reason)
    frames = replace(frames, break_depth=spec.edge_depth)
    places = measure_places(frames, scene, spacing, spec.search, step)
    base = FoundFeature(spec, None, rows=places.rows, points=scene.points[places.rows], places=places)
    if not places.wanted.any():
        return replace(base, reason=f"the sheet beside the edge is too narrow for points {spacing:.2g} mm apart")
    base = replace(base, coverage=places.coverage)
    if places.coverage < spec.least_coverage or not places.seen.any():
        far = farther(frames, scene, spacing, spec.search, step, places.coverage)
        if far is not None:
            return replace(base, reason=far)
        if not places.seen.any():
            return replace(base, reason="the sheet beside the edge was not seen")
        few = f"only {places.coverage:.0%} of the edge was seen; at least {spec.least_coverage:.0%} is needed"
        return replace(base, reason=few)
    return replace(base, notes=(told(places),))


def told(places: EdgePlaces) -> str:
    """Return raw value, correction and uncertainty as text."""
    seen = places.seen
    raw, value = float(places.raw[seen].mean()), float(places.deviation[seen].mean())
    return (
        f"outermost points alone: {raw:+.4f} mm on average; correction {value - raw:+.4f} mm, standard uncertainty "
        f"of a place {float(np.median(places.standard[seen])):.4f} mm; {int(seen.sum())} of {int(places.wanted.sum())} "
        f"places, {places.by_wall:.0%} told by the wall"
    )


def one_edge_point(
    at: np.ndarray,
    normal: np.ndarray,
    outward: np.ndarray,
    nominal: Nominal,
    scene: Scene,
    spacing: float,
    search: float,
    depth: float = BREAK_DEPTH,
) -> EdgePlaces | str:
    """Return one place of an edge about a point, or why there is none."""
    width = max(CELL * spacing, SHORTEST)
    frames = replace(point_frames(at, normal, outward, nominal, spacing, width), break_depth=depth)
    if float(np.median(frames.room)) <= LEAST_ROOM * spacing:
        return NO_SHEET
    places = measure_places(frames, scene, spacing, search, frames.length)
    if places.seen.all():
        return places
    far = farther(frames, scene, spacing, search, frames.length, places.coverage)
    return far or "the sheet beside the edge was not seen"


def find_edge_point(spec: FeatureSpec, nominal: Nominal, spacing: float) -> EdgeFrames | NoPatch:
    """Return the piece of nominal edge about an edge point, or why there is none."""
    if not isinstance(spec.shape, Point) or spec.normal is None or spec.direction is None:
        return NoPatch(INCOMPLETE)
    width = max(CELL * spacing, SHORTEST)
    at, normal, outward = array(spec.shape.point), array(spec.normal), array(spec.direction)
    frames = point_frames(at, normal, outward, nominal, spacing, width)
    return frames if float(np.median(frames.room)) > LEAST_ROOM * spacing else NoPatch(NO_SHEET)


def measure_edge_point(spec: FeatureSpec, plan: MeasurePlan, nominal: Nominal, scene: Scene) -> FoundFeature:
    """Measure where the edge stands at one point, along ``direction``."""
    if not isinstance(spec.shape, Point) or spec.normal is None or spec.direction is None:
        return FoundFeature(spec, None, reason=INCOMPLETE)
    spacing = scene.spacing if scene.spacing > 0 else plan.spacing
    at = array(spec.shape.point)
    normal, outward = array(spec.normal), array(spec.direction)
    places = one_edge_point(at, normal, outward, nominal, scene, spacing, spec.search, spec.edge_depth)
    if isinstance(places, str):
        return FoundFeature(spec, None, reason=places)
    measured = (
        at - float(places.deviation[0]) * places.frames.inward[0] + float(places.level[0]) * places.frames.normal[0]
    )
    return FoundFeature(
        spec,
        Point(vector(measured)),
        rows=places.rows,
        points=scene.points[places.rows],
        places=places,
        coverage=places.coverage,
        notes=(told(places),),
    )
