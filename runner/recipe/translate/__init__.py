"""A recipe to what the measuring core is asked to do, in millimetres and radians."""

from __future__ import annotations

import numpy as np

from runner.align.rough import pose_from_frame, pose_from_landmarks
from runner.align.types import AlignSettings
from runner.geometry.mesh import Floats
from runner.measure.specs import FitRegion, MeasurePlan, ReferencePoint, RefitSpec
from runner.recipe.defaults import resolve
from runner.recipe.hints import Hints
from runner.recipe.schema import Recipe
from runner.recipe.translate.characteristics import characteristic_spec
from runner.recipe.translate.datums import datum_system, members
from runner.recipe.translate.features import all_features
from runner.recipe.translate.shapes import scaled, unit_vector


def to_plan(recipe: Recipe) -> MeasurePlan:
    """Return the plan of everything to be measured on one part."""
    full = resolve(recipe)
    mm = full.millimetres
    frames = dict(full.datum_systems or {})
    for item in full.characteristics.values():
        frame = getattr(item, "datums", None)
        if frame is not None and frame not in frames:
            frames[frame] = frame
    if full.alignment is not None and full.alignment.datums is not None:
        frames.setdefault(full.alignment.datums, full.alignment.datums)
    return MeasurePlan(
        standard=full.drawing.standard,
        features=all_features(full),
        datum_systems=tuple(datum_system(full, name, text) for name, text in frames.items()),
        characteristics=tuple(characteristic_spec(full, name) for name in full.characteristics),
        noise=full.scan.surface.noise * mm,
        spacing=full.scan.surface.spacing * mm,
        sheet_thickness=full.sheet.thickness * mm if full.sheet is not None else None,
        refit=to_refit(full),
        overlap_limit=None if full.scan.overlap_limit is None else full.scan.overlap_limit * mm,
    )


def to_refit(full: Recipe) -> RefitSpec | None:
    """Return how a resolved recipe fits beyond the plain best fit of all surfaces; None where it does not."""
    alignment, mm = full.alignment, full.millimetres
    if alignment is None or alignment.fit is None or alignment.method == "as scanned":
        return None
    fit = alignment.fit
    reach = (fit.ignore_beyond or 0.0) * mm
    if alignment.method == "reference points":
        points = tuple(
            ReferencePoint(
                name,
                scaled(point.at, mm),
                tuple(unit_vector(direction) for direction in point.fixes),
                point.feature,
                None if point.normal is None else unit_vector(point.normal),
                1.0 if point.search is None else point.search * mm,
            )
            for name, point in (alignment.reference_points or {}).items()
        )
        return RefitSpec("reference points", points=points, reach=reach)
    if fit.to == "all surfaces" and fit.by == "least squares" and not fit.hold:
        return None
    regions = (
        ()
        if fit.to == "all surfaces"
        else tuple(
            FitRegion(tuple(one for name in part.names for one in members(full, name)), float(part.weight or 1.0))
            for part in fit.to or ()
        )
    )
    return RefitSpec("best fit", regions, fit.by or "least squares", tuple(fit.hold or ()), reach=reach)


def to_align_settings(recipe: Recipe) -> AlignSettings:
    """Return how the recipe wants the scan aligned. Whether a fit is made at all says ``recipe.alignment.method``."""
    full = resolve(recipe)
    alignment, mm = full.alignment, full.millimetres
    assert alignment is not None and alignment.fit is not None
    assert alignment.fit.ignore_beyond and alignment.expected_form_error and alignment.keep_within
    return AlignSettings(
        start=alignment.start or "automatic",
        fit_reach=alignment.fit.ignore_beyond * mm,
        expected_form_error=alignment.expected_form_error * mm,
        keep_within=alignment.keep_within * mm,
        start_pose=rough_pose(alignment.hints, mm),
        up=tuple(np.array(unit_vector(side)) for side in (alignment.hints and alignment.hints.up) or ()),
        symmetric_axis=alignment.symmetry != "held",
    )


def rough_pose(hints: Hints | None, mm: float) -> Floats | None:
    """Return nominal_from_scan (4, 4) as the hints of a recipe state it, roughly; None where they don't."""
    if hints is not None and hints.frame is not None:
        frame = hints.frame
        return pose_from_frame(mm * np.array(frame.origin), np.array(frame.x), np.array(frame.y))
    if hints is not None and hints.landmarks:
        nominal, scan = (np.array([getattr(one, key) for one in hints.landmarks]) for key in ("nominal", "scan"))
        return pose_from_landmarks(mm * nominal, mm * scan)[0]
    return None


def alignment_method(recipe: Recipe) -> str:
    """Return ``best fit``, ``datums`` or ``as scanned``; reference points begin with a best fit."""
    full = resolve(recipe)
    assert full.alignment is not None
    method = full.alignment.method or "best fit"
    return "best fit" if method == "reference points" else method
