"""Recipe × scan set → inspection: read, align, clean, measure, decide. Never raises for a bad scan: that is a hold."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from runner.diagnostics import InputError
from runner.measure.devmap import DeviationMap
from runner.measure.faults import Fault
from runner.measure.outcome import decide_outcome, hold_for_faults, hold_for_overlaps, undecided
from runner.measure.overlap import compare_scans
from runner.measure.run import Measured, measure, not_measured
from runner.measure.scene import Scene, build_scene
from runner.pipeline.entries import entries_file, read_entries, with_entries
from runner.pipeline.identity import Identity
from runner.pipeline.plan import Plan
from runner.pipeline.posed import Posed, pose_scans
from runner.pipeline.progress import Progress, silent
from runner.pipeline.refitted import refitted
from runner.pipeline.stamp import Clock, file_hash, set_hash, unread, utc_now, versions
from runner.recipe.entries import Entry
from runner.records import DatumRecord, Inspection, MeasuredFeature, Outcome, OverlapRecord, Provenance, Result

__all__ = ["Inspected", "file_hash", "inspect", "set_hash", "utc_now", "versions"]

DATUM_ADVICE = "Scan the part again with a clear view of its datum features."


@dataclass(frozen=True, eq=False)
class Inspected:
    """An inspection with the arrays that are stored beside it."""

    inspection: Inspection
    deviation_map: DeviationMap | None
    measured: Measured | None


@dataclass(frozen=True, eq=False)
class _Found:
    """What measuring gave, or why it gave nothing."""

    posed: Posed
    measured: Measured | None
    overlaps: tuple[OverlapRecord, ...] = ()
    trouble: str = ""
    advice: str = ""
    unposed: bool = False


def inspect(
    plan: Plan,
    scan_paths: Sequence[Path],
    identity: Identity,
    *,
    progress: Progress = silent,
    recipe_status: str = "unreleased",
    hashes: Mapping[Path, str] | None = None,
) -> Inspected:
    """Measure one part from its 1..n scan files.

    A file that can't be read, a pose that isn't proven, or scans that contradict each other give an inspection on hold
    that says why. ``hashes`` holds what is already known of the files' bytes; of a file that is read, the hash of the
    bytes that were read is used instead.
    """
    clock = Clock(progress)
    posed = pose_scans(plan, scan_paths, start=clock.start, progress=progress)
    entries, trouble, advice = _read_entries(plan, scan_paths)
    if posed.trouble or not posed.aligned:
        found = _Found(posed, None, trouble=posed.trouble or "no scan was given", advice=posed.advice, unposed=True)
    elif trouble:
        found = _Found(posed, None, trouble=trouble, advice=advice)
    else:
        found = _find(plan, posed, clock)
    results, outcome, why, what_to_do = _decide(plan, found, entries)
    clock.stop()

    known = {**(hashes or {}), **{path: file.sha256 for path, file in posed.files.items()}}
    measured = found.measured
    features: tuple[MeasuredFeature, ...] = measured.features if measured else ()
    systems: tuple[DatumRecord, ...] = measured.datum_systems if measured else ()
    faults: tuple[Fault, ...] = measured.faults if measured else ()
    inspection = Inspection(
        id=uuid.uuid4().hex,
        part_number=plan.recipe.part.number,
        part_revision=plan.recipe.part.revision,
        part_name=plan.recipe.part.name or "",
        serial=identity.serial,
        lot=identity.lot,
        outcome=outcome,
        reason=why,
        advice=what_to_do,
        scans=tuple(posed.files.get(path) or unread(path, known) for path in scan_paths),
        poses=found.posed.poses,
        datum_systems=systems,
        features=features,
        results=results,
        provenance=Provenance(
            recipe_file=plan.path.name,
            recipe_fingerprint=plan.fingerprint,
            recipe_text=plan.text,
            recipe_status=recipe_status,
            nominal_file=plan.nominal_path.name,
            nominal_sha256=plan.nominal.sha256,
            scan_set_sha256=set_hash(scan_paths, known),
            versions=versions(),
            started_utc=clock.started_utc,
            finished_utc=utc_now(),
            operator=identity.operator,
            station=identity.station,
            seconds=clock.seconds,
            faults=tuple(fault.text for fault in faults),
        ),
        overlaps=found.overlaps,
    )
    deviation_map = measured.deviation_map if measured else None
    if deviation_map is not None:
        inspection = replace(inspection, deviation_map_sha256=deviation_map.sha256)
    return Inspected(inspection, deviation_map, measured)


def _find(plan: Plan, posed: Posed, clock: Clock) -> _Found:
    """Measure the posed scans: by the fit, by the recipe's own way of fitting, or in its datum system."""
    clock.start("distances")
    scene = _scene(plan, posed)
    if plan.measure.refit is not None:
        clock.start("fit")
        posed, trouble, advice = refitted(plan, posed, scene)
        if trouble:
            return _Found(posed, None, trouble=trouble, advice=advice)
        clock.start("distances")
        scene = _scene(plan, posed)
    clock.start("measure")
    measured = measure(plan.measure, plan.nominal, plan.index, scene)
    if plan.method == "datums":
        posed, trouble = _into_datums(plan, posed, measured)
        if trouble:
            return _Found(posed, measured, trouble=trouble, advice=DATUM_ADVICE)
        clock.start("distances")
        scene = _scene(plan, posed)
        clock.start("measure")
        measured = measure(plan.measure, plan.nominal, plan.index, scene)
    overlaps: tuple[OverlapRecord, ...] = ()
    if len(posed.aligned) > 1:
        clock.start("overlaps")
        limit = plan.measure.overlap_limit
        overlaps = compare_scans(scene, plan.nominal, posed.aligned_files, plan.measure.noise, limit)
    return _Found(posed, measured, overlaps)


def _decide(plan: Plan, found: _Found, entries: Mapping[str, Entry]) -> tuple[tuple[Result, ...], Outcome, str, str]:
    """Results, outcome, why, and what to do."""
    measured = found.measured
    if measured is None or found.trouble:
        reason = f"no proven pose: {found.trouble}" if found.unposed else found.trouble
        return not_measured(plan.measure, reason), Outcome.HOLD, found.trouble, found.advice
    results = tuple(measured.results)
    apart = hold_for_overlaps(found.overlaps)
    if apart is not None:
        results = undecided(results, apart[0])
    results = with_entries(results, plan.measure, entries)
    outcome, why, what_to_do = decide_outcome(results, found.posed.poses)
    if apart is not None:
        outcome, why, what_to_do = Outcome.HOLD, *apart
    if measured.faults:
        outcome, (why, what_to_do) = Outcome.HOLD, hold_for_faults(measured.faults)
    return results, outcome, why, what_to_do


def _read_entries(plan: Plan, scan_paths: Sequence[Path]) -> tuple[dict[str, Entry], str, str]:
    """What a person entered beside the scans, or what is wrong with it and what to do."""
    entries: dict[str, Entry] = {}
    trouble = advice = ""
    for path in filter(Path.is_file, map(entries_file, scan_paths)):
        try:
            entries.update(read_entries(path, plan.measure))
        except InputError as error:
            trouble, advice = trouble or str(error), advice or error.advice
    return entries, trouble, advice


def _scene(plan: Plan, posed: Posed) -> Scene:
    """All scans together, with nearest surfaces."""
    return build_scene(posed.aligned, plan.nominal, plan.index, reach=_reach(plan))


def _into_datums(plan: Plan, posed: Posed, measured: Measured) -> tuple[Posed, str]:
    """Move the scans from the fitted frame into the recipe's datum system, or say why that can't be done."""
    alignment = plan.recipe.alignment
    name = alignment.datums if alignment is not None else None
    system = next((s for s in measured.datum_systems if s.name == name), None)
    if system is None or system.drawing_from_fit is None:
        return posed, f"datum system {name} can't be established: {system.reason if system else 'not in the recipe'}"
    return posed.moved(np.array(system.drawing_from_fit), {"moved into datum system": str(name)}), ""


def _reach(plan: Plan) -> float:
    """How far from nominal, mm, a point can still matter to any characteristic."""
    reaches = [feature.search for feature in plan.measure.features]
    for characteristic in plan.measure.characteristics:
        if characteristic.reach is not None:
            reaches.append(characteristic.reach)
        elif characteristic.zone is not None:
            reaches.append(3.0 * characteristic.zone)
    return max([2.0, *reaches])
