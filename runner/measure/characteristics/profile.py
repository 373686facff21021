"""Profile of a surface: twice the largest deviation, or its own formula for an unequal zone; worst plus and minus.

Every scan point within reach is judged, also those that clean-up removed: clipping serves the fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import move_points
from runner.geometry.mesh import KEPT, SPECK, Floats
from runner.measure.characteristics.common import Context, Finding, Missing, Value, datum_movement
from runner.measure.characteristics.smooth import smoothed
from runner.measure.extract import COVER_SPACINGS, nearest_point
from runner.measure.patch import NoPatch, Patch, find_patch
from runner.measure.sampling import triangle_normals
from runner.measure.scene import AGREEMENT, beside_rim
from runner.measure.specks import isolated
from runner.measure.specs import CharacteristicSpec

REACH_IN_ZONES = 3.0
LEAST_REACH = 1.0


@dataclass(frozen=True, eq=False)
class Deviations:
    """Deviations of one surface region in the datum frame."""

    rows: NDArray[np.int64]
    """Rows of the scene that are judged."""
    points: Floats
    """(n, 3) in the datum frame."""
    distance: Floats
    """(n,) signed, mm."""
    removed_nearby: int
    """Points that clean-up removed although they lie near this surface."""
    specks: int


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the profile deviation of each region named."""
    move = datum_movement(spec, context)
    if isinstance(move, Missing):
        return [move]
    return [_one(spec, context, name, move) for name in spec.features]


def _one(spec: CharacteristicSpec, context: Context, name: str, move: Floats) -> Finding:
    feature_spec = context.specs.get(name)
    if feature_spec is None:
        return Missing(name, f'there is no feature "{name}"')
    feature = context.features.get(name)
    patch = feature.patch if feature is not None and feature.patch is not None else None
    if patch is None:
        made = find_patch(feature_spec, context.nominal, max(context.scene.spacing, 1e-3))
        if isinstance(made, NoPatch):
            return Missing(name, made.reason)
        patch = made
    got = deviations(spec, context, patch, move)
    if isinstance(got, str):
        return Missing(name, got)
    judged = got.distance
    if spec.judge.kind == "gaussian":
        if spec.judge.cutoff is None or spec.judge.cutoff <= 0:
            return Missing(name, "a gaussian filter needs a cut-off")
        judged = smoothed(got.points, got.distance, spec.judge.cutoff)
    elif spec.judge.kind == "central 95 %":
        low, high = np.quantile(judged, [0.025, 0.975])
        judged = judged[(judged >= low) & (judged <= high)]
    return _finding(spec, context, name, patch, got, judged)


def _finding(
    spec: CharacteristicSpec, context: Context, name: str, patch: Patch, got: Deviations, judged: Floats
) -> Finding:
    plus, minus = float(judged.max()), float(judged.min())
    value = profile_value(plus, minus, spec.unequal)
    spacing = context.scene.spacing
    reach = COVER_SPACINGS * spacing + max(abs(plus), abs(minus))
    reach = min(reach, COVER_SPACINGS * spacing + 1.0)
    away = nearest_point(patch.samples, got.points, spacing)
    coverage = float((away <= reach).mean()) if len(away) else 0.0
    gap = largest_gap(away, reach)
    worst = got.points[int(np.argmax(np.abs(got.distance - spec.unequal)))]
    details: dict[str, float | str] = {
        "worst plus": plus,
        "worst minus": minus,
        "worst at x": float(worst[0]),
        "worst at y": float(worst[1]),
        "worst at z": float(worst[2]),
        "largest gap": gap,
        "rms": float(np.sqrt(np.mean(judged**2))),
        "isolated points left out": float(got.specks),
        "definition": "2 x largest deviation" if spec.unequal == 0 else "2 x largest deviation from the zone's middle",
    }
    blocked = ""
    if spec.largest_gap is not None and gap > spec.largest_gap:
        blocked = f"a patch {gap:.1f} mm across was not seen; {spec.largest_gap:g} mm is allowed"
    if got.removed_nearby:
        details["removed points near the surface"] = float(got.removed_nearby)
        blocked = blocked or f"{got.removed_nearby} points near the surface were removed as not belonging to the part"
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
    points = move_points(move, scene.points)
    still = bool(np.abs(points - scene.points).max(initial=0.0) < 1e-9) if len(points) else True
    if still:
        here = patch.triangles[scene.triangle] & scene.agrees & ~scene.beyond
        distance = scene.distance
    else:
        here, distance = _measured_again(context, patch, points, reach)
    rows = np.flatnonzero(here & (np.abs(distance) <= reach))
    if not len(rows):
        return "not seen: no scan points near it"
    lonely = isolated(points[rows], scene.spacing) | (scene.removed[rows] == SPECK)
    removed = (scene.removed[rows] != KEPT) & ~lonely
    judged = rows[~lonely & ~removed]
    if not len(judged):
        return "only removed or isolated points lie near it"
    return Deviations(judged, points[judged], distance[judged], int(removed.sum()), int(lonely.sum()))


def _measured_again(context: Context, patch: Patch, points: Floats, reach: float) -> tuple[NDArray[np.bool_], Floats]:
    """Distances after the move into the datum frame, for the points that can matter to the region."""
    scene, nominal = context.scene, context.nominal
    # who was nearest to the region may have changed by the move only near its border
    distance = np.full(len(points), np.inf)
    here = np.zeros(len(points), dtype=bool)
    shift = float(np.linalg.norm(points - scene.points, axis=1).max())
    low = nominal.mesh.vertices[nominal.mesh.triangles[patch.triangles]].min(axis=(0, 1)) - reach - shift
    high = nominal.mesh.vertices[nominal.mesh.triangles[patch.triangles]].max(axis=(0, 1)) + reach + shift
    rows = scene.cells.in_box(scene.points, low, high)
    if not len(rows):
        return here, distance
    same_side = scene.agrees[rows]
    rows = rows[same_side]
    closest = context.index.closest(points[rows], reach)
    facing = triangle_normals(nominal.mesh.vertices, nominal.mesh.triangles)
    agrees = np.ones(len(rows), dtype=bool)
    if scene.normals is not None:
        cosine = np.einsum("ij,ij->i", scene.normals[rows], closest.normal)
        agrees = (cosine if scene.normals_signed else np.abs(cosine)) >= AGREEMENT
    wrong = np.flatnonzero(~agrees)
    good = closest.found & agrees & patch.triangles[closest.triangle] & ~beside_rim(points[rows], closest, facing)
    here[rows[good]] = True
    distance[rows[good]] = closest.distance[good]
    if len(wrong) and scene.normals_signed:
        _second_look(context, patch, points, rows[wrong], reach, here, distance)
    return here, distance


def _second_look(
    context: Context,
    patch: Patch,
    points: Floats,
    rows: NDArray[np.int64],
    reach: float,
    here: NDArray[np.bool_],
    distance: Floats,
) -> None:
    """Points whose nearest surface looks the other way are compared with their own triangle's side (thin sheet)."""
    scene, nominal = context.scene, context.nominal
    own = rows[patch.triangles[scene.triangle[rows]]]
    if not len(own):
        return
    closest = SurfaceIndex.build(nominal, triangles=patch.triangles).closest(points[own], reach)
    assert scene.normals is not None
    good = closest.found & (np.einsum("ij,ij->i", scene.normals[own], closest.normal) >= AGREEMENT)
    facing = triangle_normals(nominal.mesh.vertices, nominal.mesh.triangles)
    good &= ~beside_rim(points[own], closest, facing)
    here[own[good]], distance[own[good]] = True, closest.distance[good]


def largest_gap(away: Floats, reach: float) -> float:
    """Return how far across the largest unseen patch is, mm: twice the largest distance (k,) to a point.

    Places within ``reach`` of a point count as seen; without such a place beyond, there is no gap.
    """
    if not len(away) or float(away.max()) <= reach:
        return 0.0
    return float(2.0 * away.max())
