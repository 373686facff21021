"""Profile of a surface: twice the largest deviation, or its own formula for an unequal zone; worst plus and minus.

Movements that the datums leave free, all six without datums, and those that a datum at maximum material allows, are
taken where the zones need least (ISO 1660:2017; ASME Y14.5.1-2019, 6.5): of each region by itself, or of all that hold
together. Every scan point within reach counts, also those that clean-up removed: clipping serves the
fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import KEPT, Floats
from runner.measure.characteristics.common import Context, Finding, Missing, Value
from runner.measure.characteristics.form import judged_as
from runner.measure.characteristics.noise_part import one_sided_details
from runner.measure.characteristics.patterns import Member, Placed, each_in_its_frame
from runner.measure.characteristics.smooth import longest_face, smoothed
from runner.measure.detached import detached
from runner.measure.extract import COVER_SPACINGS, nearest_point
from runner.measure.free_motion import Uses
from runner.measure.patch import NoPatch, Patch, find_patch, surface_places
from runner.measure.reframed import in_datum_frame
from runner.measure.sided import nominal_normals
from runner.measure.specs import CharacteristicSpec
from runner.measure.twists import rows_of_points

REACH_IN_ZONES = 3.0
LEAST_REACH = 1.0
LEAST_GAIN = 1e-5
"""mm: points at rims change their face as the part moves, and less is not to be had."""
ON_NOMINAL = 0.05
"""mm: a foot this near lies on the nominal's surface; triangles' normals and noise leave no more."""
SEEN_SPACINGS = 3.0
"""A place of the nominal was seen when a judged point stands over it within this many point spacings."""


@dataclass(frozen=True, eq=False)
class Deviations:
    """Deviations of one surface region in the datum frame."""

    rows: NDArray[np.int64]
    """Rows of the scene that are judged."""
    points: Floats
    """(n, 3) in the datum frame."""
    distance: Floats
    """(n,) signed, mm."""
    facing: Floats
    """(n, 3) normals of the nominal there."""
    face: NDArray[np.int32]
    """(n,) faces of the nominal."""
    removed_nearby: int
    """Points that clean-up removed although they stand over this surface where nothing else of it was seen."""
    specks: int
    largest_speck: float
    """Largest |deviation| among the specks, mm."""


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the profile deviation of each region named, in the frame that suits the zones best where one is free."""
    return each_in_its_frame(spec, context, _one)


def _one(spec: CharacteristicSpec, context: Context, name: str, frame: Placed) -> Finding:
    patch = _patch(context, name)
    if isinstance(patch, str):
        return Missing(name, patch)
    got = _judged(spec, context, patch, frame.drawing_from_fit)
    if isinstance(got, str):
        return Missing(name, got)
    return _finding(spec, context, name, patch, got, frame)


def _patch(context: Context, name: str) -> Patch | str:
    """The faces of the nominal that are meant, or why there are none."""
    feature_spec = context.specs.get(name)
    if feature_spec is None:
        return f'there is no feature "{name}"'
    feature = context.features.get(name)
    if feature is not None and feature.patch is not None:
        return feature.patch
    made = find_patch(feature_spec, context.nominal, max(context.scene.spacing, 1e-3))
    return made.reason if isinstance(made, NoPatch) else made


def member(spec: CharacteristicSpec, context: Context, name: str, start: Floats, centre: Floats) -> Member | str:
    """Return a region's deviations as they take part in a movement about ``centre`` (3,), or why they can't."""
    patch = _patch(context, name)
    if isinstance(patch, str):
        return patch
    first = _judged(spec, context, patch, start)
    if isinstance(first, str):
        return first

    def uses(frame: Floats) -> list[Uses] | str:
        got = first if frame is start else _judged(spec, context, patch, frame)
        if isinstance(got, str):
            return got
        rows = rows_of_points(got.seen.points[got.at], _slopes(got.seen, got.at, context), centre)
        return [Uses(got.values - spec.unequal, rows, 0.5 * (spec.zone or 0.0))]

    # what noise tilts at rims is no hold: the nominal tells which movements count
    return Member(uses, rows_of_points(*surface_places(patch, context.nominal), centre), LEAST_GAIN)


@dataclass(frozen=True, eq=False)
class Judged:
    """Deviations as the zone has to hold them."""

    seen: Deviations
    values: Floats
    """(k,) mm: all of them, filtered, or the central ones."""
    at: NDArray[np.int64]
    """(k,) where: rows of ``seen``."""


def _judged(spec: CharacteristicSpec, context: Context, patch: Patch, move: Floats) -> Judged | str:
    """Deviations after a movement, by the stated filter; or why there are none."""
    seen = deviations(spec, context, patch, move)
    if isinstance(seen, str):
        return seen
    if spec.judge.kind == "gaussian":
        if spec.judge.cutoff is None or spec.judge.cutoff <= 0:
            return "a gaussian filter needs a cut-off"
        longest = longest_face(seen.points, seen.face)
        if spec.judge.cutoff > longest:
            return (
                f"the cut-off {spec.judge.cutoff:g} mm would take away all form: no face seen is over {longest:.4g} mm"
            )
        return Judged(seen, *smoothed(seen.points, seen.distance, spec.judge.cutoff, seen.facing, seen.face))
    if spec.judge.kind == "central 95 %":
        low, high = np.quantile(seen.distance, [0.025, 0.975])
        central = np.flatnonzero((seen.distance >= low) & (seen.distance <= high))
        return Judged(seen, seen.distance[central], central)
    return Judged(seen, seen.distance, np.arange(len(seen.distance)))


def _slopes(seen: Deviations, at: NDArray[np.int64], context: Context) -> Floats:
    """Directions (k, 3) in which the deviations grow: exact normals, at a rim the way from it."""
    points, distance, slopes = seen.points[at], seen.distance[at], seen.facing[at].copy()
    closest = context.index.closest(points)
    same = np.abs(closest.distance - distance) < 1e-9
    slopes[same] = closest.normal[same]
    far = same & (np.abs(distance) > 1e-4)
    slopes[far] = (points[far] - closest.point[far]) / distance[far, None]
    return slopes


def _finding(
    spec: CharacteristicSpec, context: Context, name: str, patch: Patch, judged: Judged, frame: Placed
) -> Finding:
    got, places = judged.seen, judged.seen.points[judged.at]
    values = judged.values
    plus, minus = float(values.max()), float(values.min())
    value = profile_value(plus, minus, spec.unequal)
    spacing = context.scene.spacing
    reach = COVER_SPACINGS * spacing + max(abs(plus), abs(minus))
    reach = min(reach, COVER_SPACINGS * spacing + 1.0)
    away = nearest_point(patch.samples, got.points, spacing)
    coverage = float((away <= reach).mean()) if len(away) else 0.0
    gap = largest_gap(away, reach)
    worst = places[int(np.argmax(np.abs(values - spec.unequal)))]
    details: dict[str, float | str] = {
        "worst plus": plus,
        "worst minus": minus,
        "worst at x": float(worst[0]),
        "worst at y": float(worst[1]),
        "worst at z": float(worst[2]),
        "largest gap": gap,
        "rms": float(np.sqrt(np.mean(values**2))),
        "isolated points left out": float(got.specks),
        "unequal": float(spec.unequal),
        "judged": judged_as(spec),
        "definition": "2 x largest deviation" if spec.unequal == 0 else "2 x largest deviation from the zone's middle",
    }
    if got.specks:
        details["largest deviation left out"] = got.largest_speck
    if spec.judge.kind != "none":
        plain = profile_value(float(got.distance.max()), float(got.distance.min()), spec.unequal)
        details["plain zone"] = plain
    details |= one_sided_details(got.points, got.distance, value, plus - minus, spec.judge)
    details |= frame.details
    blocked = ""
    if spec.largest_gap is not None and gap > spec.largest_gap:
        blocked = f"a patch {gap:.1f} mm across was not seen; {spec.largest_gap:g} mm is allowed"
    if got.removed_nearby:
        details["removed points near the surface"] = float(got.removed_nearby)
        blocked = blocked or (
            f"{got.removed_nearby} points over the surface were removed as not belonging to the part, and the surface "
            "under them was not seen"
        )
    return Value(name, value, points=len(got.rows), coverage=coverage, blocked=blocked, details=details)


def profile_value(plus: float, minus: float, unequal: float) -> float:
    """Return the width of the zone, equal about its middle, that holds deviations from ``minus`` to ``plus``.

    ``unequal`` is the shift of the zone's middle out of the material: 2 x max |deviation - shift|
    (ISO 1101:2017 with UZ; ASME Y14.5-2018 11.3.2, Y14.5.1 6.5 for the equal zone).
    """
    return 2.0 * max(abs(plus - unequal), abs(minus - unequal))


def deviations(spec: CharacteristicSpec, context: Context, patch: Patch, move: Floats) -> Deviations | str:
    """Return the deviations of all scan points that belong to a region, in the datum frame."""
    scene = context.scene
    zone = spec.zone or 0.0
    reach = spec.reach if spec.reach is not None else max(REACH_IN_ZONES * zone, LEAST_REACH)
    seen = in_datum_frame(scene, context.nominal, context.index, patch, move, reach)
    near = seen.here & (np.abs(seen.distance) <= reach)
    rows = seen.rows[near]
    if not len(rows):
        return "not seen: no scan points near it"
    points, distance, triangle = seen.points[near], seen.distance[near], seen.triangle[near]
    facing = nominal_normals(context.nominal)[triangle]
    lonely = scene.specks[rows]
    # a stray point by a surface that is seen thinly: the surface is its company, but not at its height
    kept = np.flatnonzero(~lonely)
    lonely[kept[detached(points[kept], distance[kept], scene.spacing)]] = True
    removed = (scene.removed[rows] != KEPT) & ~lonely
    judged = ~lonely & ~removed
    if not judged.any():
        return "only removed or isolated points lie near it"
    feet = points - distance[:, None] * facing
    # what lies sideways of a rim has its foot off the nominal: it stands over nothing
    stands = removed.copy()
    stands[removed] = np.abs(context.index.closest(feet[removed]).distance) <= ON_NOMINAL
    return Deviations(
        rows=rows[judged],
        points=points[judged],
        distance=distance[judged],
        facing=facing[judged],
        face=context.nominal.triangle_face[triangle[judged]],
        removed_nearby=_unexplained(feet[stands], feet[judged], SEEN_SPACINGS * scene.spacing),
        specks=int(lonely.sum()),
        largest_speck=float(np.abs(distance[lonely]).max(initial=0.0)),
    )


def _unexplained(removed: Floats, seen: Floats, reach: float) -> int:
    """Count the removed points without any judged point over the same place of the nominal (feet (k, 3), (n, 3)).

    Where the surface itself was seen, what stands over it is another body; where it was not, it may be the surface.
    """
    from scipy.spatial import cKDTree

    if not len(removed):
        return 0
    around = np.all((seen >= removed.min(axis=0) - reach) & (seen <= removed.max(axis=0) + reach), axis=1)
    if not around.any():
        return len(removed)
    nearest = cKDTree(seen[around]).query(removed, distance_upper_bound=reach)[0]
    return int(np.sum(~np.isfinite(nearest)))


def largest_gap(away: Floats, reach: float) -> float:
    """Return how far across the largest unseen patch is, mm: twice the largest distance (k,) to a point.

    Places within ``reach`` of a point count as seen; without such a place beyond, there is no gap.
    """
    if not len(away) or float(away.max()) <= reach:
        return 0.0
    return float(2.0 * away.max())
