"""Recipe × scan set → inspection: read, align, clean, measure, decide. Never raises for a bad scan: that is a hold."""

from __future__ import annotations

import hashlib
import platform
import time
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path

import numpy as np

from runner import __version__
from runner.align.run import align
from runner.align.types import REMOVED_NAMES, Alignment
from runner.diagnostics import InputError
from runner.geometry.frames import move_points, turn_vectors
from runner.geometry.mesh import Floats
from runner.measure.devmap import DeviationMap
from runner.measure.outcome import decide_outcome
from runner.measure.run import Measured, measure, not_measured
from runner.measure.scene import AlignedScan, build_scene
from runner.pipeline.entries import entries_file, read_entries, with_entries
from runner.pipeline.identity import Identity
from runner.pipeline.plan import Plan
from runner.pipeline.progress import Progress, silent
from runner.recipe.entries import Entry
from runner.records import (
    DatumRecord,
    Inspection,
    Matrix,
    MeasuredFeature,
    Outcome,
    PoseRecord,
    PoseStatus,
    Provenance,
    ScanFile,
)
from runner.scan.plausible import check_size
from runner.scan.read import Unit, read_scan
from runner.scan.scan import Scan

LIBRARIES = ("numpy", "scipy", "numba", "cadquery-ocp-novtk")


@dataclass(frozen=True, eq=False)
class Inspected:
    """An inspection with the arrays that are stored beside it."""

    inspection: Inspection
    deviation_map: DeviationMap | None
    measured: Measured | None


def inspect(
    plan: Plan,
    scan_paths: Sequence[Path],
    identity: Identity,
    *,
    progress: Progress = silent,
    recipe_status: str = "draft",
) -> Inspected:
    """Measure one part from its 1..n scan files.

    A file that can't be read, or a pose that isn't proven, gives an inspection on hold that says why; every
    characteristic is then ``not measured``.
    """
    if plan.model is None:
        raise ValueError("the plan was loaded for checking only; load it with its alignment model")
    unit: Unit = plan.recipe.scan.unit or "mm"  # type: ignore[assignment]
    clock = _Clock(progress)
    scans: list[Scan] = []
    poses: list[PoseRecord] = []
    aligned: list[AlignedScan] = []
    trouble = ""
    advice = ""
    for path in scan_paths:
        clock.start("read")
        try:
            scan = read_scan(path, unit=unit)
        except InputError as error:
            trouble = trouble or str(error.message if not error.place else f"{error.message} ({error.place})")
            trouble = trouble if path.name in trouble else f"{path.name}: {trouble}"
            advice = advice or error.advice or "Scan the part again and drop the new file."
            continue
        scans.append(scan)
        size = check_size(scan.geometry, plan.nominal.diagonal)
        if size:
            trouble = trouble or f"{path.name}: {size}"
            advice = advice or "Check the unit that the scanner exports and the recipe's scan unit."
            poses.append(_unposed(scan, size, advice))
            continue
        clock.start("align")
        alignment = align(scan.geometry, plan.nominal, plan.index, plan.model, plan.align, progress=progress)
        poses.append(_pose_record(scan, alignment, plan))
        if alignment.status is not PoseStatus.ALIGNED or alignment.nominal_from_scan is None:
            trouble = trouble or f"{path.name}: {alignment.status}: {alignment.reason}"
            advice = advice or alignment.advice
            continue
        aligned.append(_moved(scan, alignment))

    entries: dict[str, Entry] = {}
    for path in filter(Path.is_file, map(entries_file, scan_paths)):
        try:
            entries.update(read_entries(path, plan.measure))
        except InputError as error:
            trouble = trouble or str(error)
            advice = advice or error.advice

    measured: Measured | None = None
    features: tuple[MeasuredFeature, ...] = ()
    systems: tuple[DatumRecord, ...] = ()
    if trouble or not aligned:
        reason = trouble or "no scan was given"
        results = not_measured(plan.measure, f"no proven pose: {reason}")
        outcome, why, what_to_do = Outcome.HOLD, reason, advice
    else:
        measured = _measured(plan, aligned, clock)
        if plan.method == "datums":
            aligned, trouble = _into_datums(plan, aligned, measured)
            if not trouble:
                measured = _measured(plan, aligned, clock)
        features, systems = measured.features, measured.datum_systems
        results = with_entries(measured.results, plan.measure, entries)
        outcome, why, what_to_do = decide_outcome(results, poses)
        if trouble:
            results = not_measured(plan.measure, trouble)
            outcome, why, what_to_do = (
                Outcome.HOLD,
                trouble,
                "Scan the part again with a clear view of its datum features.",
            )
    clock.stop()

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
        scans=tuple(s.file for s in scans) or tuple(_unread(path) for path in scan_paths),
        poses=tuple(poses),
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
            scan_set_sha256=set_hash(scan_paths),
            versions=versions(),
            started_utc=clock.started_utc,
            finished_utc=utc_now(),
            operator=identity.operator,
            station=identity.station,
            seconds=clock.seconds,
        ),
    )
    deviation_map = measured.deviation_map if measured else None
    if deviation_map is not None:
        inspection = replace(inspection, deviation_map_sha256=deviation_map.sha256)
    return Inspected(inspection, deviation_map, measured)


def set_hash(scan_paths: Sequence[Path]) -> str:
    """One hash for a set of scan files and the entries beside them, whatever their order."""
    notes = [path for path in map(entries_file, scan_paths) if path.is_file()]
    return hashlib.sha256("\n".join(sorted(file_hash(path) for path in [*scan_paths, *notes])).encode()).hexdigest()


def utc_now() -> str:
    """The time now, UTC, ISO 8601, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def versions() -> dict[str, str]:
    """Versions of this program and of the libraries that numbers depend on."""
    found = {"runner": __version__, "python": platform.python_version()}
    for library in LIBRARIES:
        try:
            found[library] = metadata.version(library)
        except metadata.PackageNotFoundError:
            found[library] = "missing"
    return found


class _Clock:
    """Seconds per step, for the provenance, and the progress of steps."""

    def __init__(self, progress: Progress) -> None:
        self.seconds: dict[str, float] = {}
        self.started_utc = utc_now()
        self._progress = progress
        self._step = ""
        self._since = time.perf_counter()

    def start(self, step: str) -> None:
        self.stop()
        self._step, self._since = step, time.perf_counter()
        self._progress(step, 0.0)

    def stop(self) -> None:
        if self._step:
            spent = time.perf_counter() - self._since
            self.seconds[self._step] = round(self.seconds.get(self._step, 0.0) + spent, 4)
            self._step = ""


def file_hash(path: Path) -> str:
    """Hash of a file's bytes; of its name when it can't be read, so that the set still has a key."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return hashlib.sha256(b"unreadable " + path.name.encode("utf-8", "surrogateescape")).hexdigest()


def _unread(path: Path) -> ScanFile:
    """The record of a file that could not be read as a scan."""
    try:
        size = path.stat().st_size
    except OSError:
        size = 0
    return ScanFile(name=path.name, sha256=file_hash(path), size_bytes=size, points=0, triangles=0, unit="")


def _matrix(matrix: Floats | None) -> Matrix | None:
    return None if matrix is None else tuple(tuple(float(v) for v in row) for row in matrix)


def _unposed(scan: Scan, reason: str, advice: str) -> PoseRecord:
    return PoseRecord(
        scan_sha256=scan.file.sha256,
        status=PoseStatus.NOT_ALIGNED,
        method="none",
        nominal_from_scan=None,
        reason=reason,
        advice=advice,
    )


def _pose_record(scan: Scan, alignment: Alignment, plan: Plan) -> PoseRecord:
    removed: dict[str, int] = {}
    if alignment.removed is not None:
        removed = {name: int(np.count_nonzero(alignment.removed == code)) for code, name in REMOVED_NAMES.items()}
    return PoseRecord(
        scan_sha256=scan.file.sha256,
        status=alignment.status,
        method=plan.method,
        nominal_from_scan=_matrix(alignment.nominal_from_scan),
        reason=alignment.reason,
        advice=alignment.advice,
        evidence=dict(alignment.evidence),
        rivals=tuple(m for m in (_matrix(r) for r in alignment.rivals) if m is not None),
        removed=removed,
    )


def _moved(scan: Scan, alignment: Alignment) -> AlignedScan:
    """The scan in the nominal's frame, with the clean-up's labels."""
    pose = alignment.nominal_from_scan
    assert pose is not None
    normals = alignment.normals
    if normals is None and scan.geometry.normals is not None:
        normals = turn_vectors(pose, scan.geometry.normals)
    return AlignedScan(
        points=move_points(pose, scan.geometry.points),
        normals=normals,
        normals_signed=scan.geometry.normals_signed or scan.geometry.triangles is not None,
        triangles=scan.geometry.triangles,
        removed=alignment.removed,
        covariance=alignment.covariance,
    )


def _measured(plan: Plan, aligned: Sequence[AlignedScan], clock: _Clock) -> Measured:
    """Measure the aligned scans."""
    clock.start("distances")
    scene = build_scene(aligned, plan.nominal, plan.index, reach=_reach(plan))
    clock.start("measure")
    return measure(plan.measure, plan.nominal, plan.index, scene)


def _into_datums(plan: Plan, aligned: list[AlignedScan], measured: Measured) -> tuple[list[AlignedScan], str]:
    """Move the scans from the fitted frame into the recipe's datum system, or say why that can't be done."""
    alignment = plan.recipe.alignment
    name = alignment.datums if alignment is not None else None
    system = next((s for s in measured.datum_systems if s.name == name), None)
    if system is None or system.drawing_from_fit is None:
        return aligned, f"datum system {name} can't be established: {system.reason if system else 'not in the recipe'}"
    move = np.array(system.drawing_from_fit)
    moved = [
        replace(
            scan,
            points=move_points(move, scan.points),
            normals=None if scan.normals is None else turn_vectors(move, scan.normals),
        )
        for scan in aligned
    ]
    return moved, ""


def _reach(plan: Plan) -> float:
    """How far from nominal, mm, a point can still matter to any characteristic."""
    reaches = [feature.search for feature in plan.measure.features]
    for characteristic in plan.measure.characteristics:
        if characteristic.reach is not None:
            reaches.append(characteristic.reach)
        elif characteristic.zone is not None:
            reaches.append(3.0 * characteristic.zone)
    return max([2.0, *reaches])
