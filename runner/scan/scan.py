"""A scan: the arrays of one incoming file in millimetres, and the record of that file."""

from __future__ import annotations

from dataclasses import dataclass

from runner.geometry.mesh import ScanGeometry
from runner.records import ScanFile


@dataclass(frozen=True, eq=False)
class Scan:
    """One scan file as read."""

    geometry: ScanGeometry
    """Points in mm, in the scan's own frame."""
    file: ScanFile
