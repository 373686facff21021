"""Which surface a held part needs to have scanned again: the features of its open characteristics, on the nominal."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats, Nominal
from runner.geometry.shapes import Cone, Cylinder, Plane, Sphere, Torus
from runner.measure.devmap import DeviationMap
from runner.measure.patch import on_element
from runner.measure.specs import FeatureSpec
from runner.pipeline.plan import Plan
from runner.records import Inspection, Result, Verdict
from runner.report.again_picture import Region, again_picture

AROUND = 3.0
"""mm of surface around an edge feature that a scan should show."""


def draw_again(plan: Plan, inspection: Inspection, deviation_map: DeviationMap) -> bytes | None:
    """Return the picture of where to scan again; None where no scan would help.

    What is undecided was seen, and another gauge's result needs no scan: only what a scan should have shown counts.
    """
    if inspection.provenance.faults:
        return None  # the program failed: scanning again won't help
    opened = [result for result in inspection.results if result.verdict is Verdict.NOT_MEASURED and result.features]
    failed = {feature.name for feature in inspection.features if not feature.ok}
    regions = regions_of(opened, plan.measure.features, plan.nominal, deviation_map, failed)
    if not regions:
        return None
    title = f"{inspection.part_number} {inspection.serial}: {inspection.advice or 'scan again'}"
    return again_picture(plan.nominal, deviation_map, regions, title)


def regions_of(
    results: Iterable[Result],
    features: Iterable[FeatureSpec],
    nominal: Nominal,
    places: DeviationMap,
    failed: Collection[str] = (),
) -> list[Region]:
    """One region for each feature that an open result needs, with the numbers of all results that need it.

    Of a result with ``failed`` features only those are meant: the others were measured well enough.
    """
    specs = {spec.name: spec for spec in features}
    numbers: dict[str, list[str]] = {}
    for result in results:
        names = list(dict.fromkeys(n for feature in result.features for n in _measured(feature, specs)))
        for name in [n for n in names if n in failed] or names:
            numbers.setdefault(name, []).append(result.id)
    found: list[Region] = []
    for name, ids in numbers.items():
        mask = places_of(specs[name], nominal, places)
        if mask.any():
            found.append(Region(", ".join(dict.fromkeys(ids)), _anchor(specs[name], mask, places), mask))
    return found


def places_of(spec: FeatureSpec, nominal: Nominal, places: DeviationMap) -> NDArray[np.bool_]:
    """Return (k,) the places of the nominal that show a feature."""
    if spec.kind == "surface":
        if spec.region == "all":
            return np.ones(len(places.points), dtype=np.bool_)
        named = [int(places.face[np.argmin(_distance(places.points, point))]) for point in spec.region_points]
        return np.isin(places.face, named)
    if spec.source == "surface" and isinstance(spec.shape, Plane | Cylinder | Cone | Sphere | Torus):
        faces = np.unique(nominal.triangle_face[on_element(spec.shape, nominal)])
        return np.isin(places.face, faces)
    near = np.zeros(len(places.points), dtype=np.bool_)
    for centre, reach in _spots(spec):
        near |= _distance(places.points, centre) <= reach
    return near


def _spots(spec: FeatureSpec) -> list[tuple[tuple[float, ...], float]]:
    """Centres and radii of the balls in which an edge or a point is looked at."""
    around = AROUND + spec.search
    if spec.places:
        return [(point, around) for point in spec.places]
    centre = next((getattr(spec.shape, n) for n in ("centre", "point", "apex") if hasattr(spec.shape, n)), None)
    if centre is None:
        return []
    size = max(float(getattr(spec.shape, "radius", 0.0)), 0.5 * float(getattr(spec.shape, "length", 0.0)))
    return [(centre, size + around)]


def _measured(name: str, specs: Mapping[str, FeatureSpec]) -> list[str]:
    """The feature itself, or for a constructed one those that it is made of, all the way down."""
    found: list[str] = []
    todo, seen = [name], set[str]()
    while todo:
        current = todo.pop()
        spec = specs.get(current)
        if spec is None or current in seen:
            continue
        seen.add(current)
        if spec.parents:
            todo += spec.parents
        else:
            found.append(current)
    return found


def _anchor(spec: FeatureSpec, mask: NDArray[np.bool_], places: DeviationMap) -> Floats:
    """A place of the feature on the surface: the one nearest to the middle of what was not seen of it."""
    missing = mask & np.isnan(places.deviation)
    points = places.points[missing if missing.any() else mask]
    nearest: Floats = points[np.argmin(_distance(points, points.mean(axis=0)))]
    return nearest


def _distance(points: Floats, centre: tuple[float, ...] | Floats) -> Floats:
    lengths: Floats = np.linalg.norm(points - np.asarray(centre, dtype=np.float64), axis=1)
    return lengths
