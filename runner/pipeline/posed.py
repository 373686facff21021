"""The scans of one part, each read and aligned by itself: points in the nominal's frame, and why that is believed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from runner.align.run import align
from runner.align.types import REMOVED_NAMES, Alignment
from runner.diagnostics import InputError
from runner.geometry.frames import move_points, turn_vectors
from runner.geometry.mesh import Floats
from runner.measure.scene import AlignedScan
from runner.pipeline.plan import Plan
from runner.pipeline.progress import Progress, silent
from runner.records import Matrix, PoseRecord, PoseStatus, ScanFile
from runner.scan.plausible import check_size, unit_suspicion
from runner.scan.read import Unit, read_scan
from runner.scan.scan import Scan

UNIT_ADVICE = "Check the unit that the scanner exports and the recipe's scan unit."


@dataclass(frozen=True, eq=False)
class Posed:
    """What became of the scan files of one part."""

    files: Mapping[Path, ScanFile]
    """Those that could be read."""
    poses: tuple[PoseRecord, ...]
    aligned: tuple[AlignedScan, ...]
    aligned_files: tuple[ScanFile, ...]
    """The files of ``aligned``, in the same order."""
    trouble: str = ""
    """Why the part can't be measured, of the first file that is no good; empty when all are aligned."""
    advice: str = ""

    def moved(self, movement: Floats, evidence: Mapping[str, float | str]) -> Posed:
        """Return the scans after one more rigid movement (4, 4) of them all, with its evidence in each pose."""
        return replace(
            self,
            aligned=tuple(moved_scan(scan, movement) for scan in self.aligned),
            poses=tuple(_moved_pose(pose, movement, evidence) for pose in self.poses),
        )


def pose_scans(
    plan: Plan, paths: Sequence[Path], *, start: Callable[[str], None], progress: Progress = silent
) -> Posed:
    """Read and align each file by itself; never raises for a bad one.

    ``start`` is told each step's name as it begins.
    """
    if plan.model is None:
        raise ValueError("the plan was loaded for checking only; load it with its alignment model")
    unit: Unit = plan.recipe.scan.unit or "mm"  # type: ignore[assignment]
    files: dict[Path, ScanFile] = {}
    poses: list[PoseRecord] = []
    aligned: list[AlignedScan] = []
    aligned_files: list[ScanFile] = []
    troubles: list[tuple[str, str]] = []
    for path in paths:
        start("read")
        try:
            scan = read_scan(path, unit=unit)
        except InputError as error:
            text = str(error.message if not error.place else f"{error.message} ({error.place})")
            advice = error.advice or "Scan the part again and drop the new file."
            troubles.append((text if path.name in text else f"{path.name}: {text}", advice))
            continue
        twin = next((name for name, file in files.items() if file.sha256 == scan.file.sha256), None)
        files[path] = scan.file
        if twin is not None:
            text = f"{path.name} holds the same bytes as {twin.name}: one scan, not two"
            troubles.append((text, "Drop the scan that is missing."))
            poses.append(_unposed(scan, text, troubles[-1][1]))
            continue
        size = check_size(scan.geometry, plan.nominal.diagonal)
        if size:
            troubles.append((f"{path.name}: {size}", UNIT_ADVICE))
            poses.append(_unposed(scan, size, UNIT_ADVICE))
            continue
        start("align")
        alignment = align(scan.geometry, plan.nominal, plan.index, plan.model, plan.align, progress=progress)
        alignment = _with_suspicion(alignment, scan, plan)
        poses.append(_pose_record(scan, alignment, plan))
        if alignment.status is not PoseStatus.ALIGNED or alignment.nominal_from_scan is None:
            troubles.append((f"{path.name}: {alignment.status}: {alignment.reason}", alignment.advice))
            continue
        aligned.append(_in_nominal_frame(scan, alignment))
        aligned_files.append(scan.file)
    trouble, advice = troubles[0] if troubles else ("", "")
    return Posed(files, tuple(poses), tuple(aligned), tuple(aligned_files), trouble, advice)


def moved_scan(scan: AlignedScan, movement: Floats) -> AlignedScan:
    """Return a scan after one more rigid movement (4, 4)."""
    return replace(
        scan,
        points=move_points(movement, scan.points),
        normals=None if scan.normals is None else turn_vectors(movement, scan.normals),
    )


def _with_suspicion(alignment: Alignment, scan: Scan, plan: Plan) -> Alignment:
    """A pose that was not found, with the mix-up of units that the scan's size suggests, unless it is named already."""
    if alignment.status is not PoseStatus.NOT_ALIGNED or "only when taken as" in alignment.reason:
        return alignment
    suspicion = unit_suspicion(scan.geometry, plan.nominal.diagonal)
    if suspicion is None:
        return alignment
    advice = f"{UNIT_ADVICE} {alignment.advice}".strip()
    return replace(alignment, reason=f"{alignment.reason}; by its size, {suspicion}", advice=advice)


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


def _moved_pose(pose: PoseRecord, movement: Floats, evidence: Mapping[str, float | str]) -> PoseRecord:
    """The record of a pose after one more movement, so that it says where the points were measured."""
    if pose.nominal_from_scan is None:
        return pose
    matrix = _matrix(movement @ np.array(pose.nominal_from_scan))
    return replace(pose, nominal_from_scan=matrix, evidence={**pose.evidence, **evidence})


def _in_nominal_frame(scan: Scan, alignment: Alignment) -> AlignedScan:
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
