"""What goes into an alignment and what comes out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import CLUTTER, KEPT, SPECK, TABLE, Floats
from runner.records import PoseStatus

__all__ = ["CLUTTER", "KEPT", "REMOVED_NAMES", "SPECK", "TABLE", "AlignSettings", "Alignment"]

REMOVED_NAMES = {TABLE: "table", CLUTTER: "clutter", SPECK: "speck"}


@dataclass(frozen=True)
class AlignSettings:
    """How the recipe wants the scan aligned."""

    start: str = "automatic"
    """``automatic`` (any pose) or ``as scanned`` (the scan already lies in the nominal's frame)."""
    fit_reach: float = 1.0
    """Points farther than this from nominal don't pull the fit, mm. For the fit only, never for judging."""
    expected_form_error: float = 1.0
    """How far, mm, a surface of a real part may be off and the scan must still be recognised."""
    keep_within: float = 5.0
    """Clean-up keeps every point nearer than this to the nominal, mm."""
    start_pose: Floats | None = None
    """(4, 4) nominal_from_scan, a hint; verified like any candidate."""
    up: tuple[Floats, ...] = ()
    """Directions (3,) of the nominal that may look away from the table, a hint; empty: any."""
    symmetric_axis: bool = True
    """Whether a turn about an axis of true symmetry may be left open."""


@dataclass(frozen=True, eq=False)
class Alignment:
    """The pose of one scan, with its evidence."""

    status: PoseStatus
    nominal_from_scan: Floats | None
    """(4, 4); for ``ambiguous`` the better of the poses in question."""
    reason: str
    """Empty when aligned; otherwise one sentence: what is wrong."""
    advice: str
    """What the operator should do; empty when aligned."""
    evidence: Mapping[str, float | str] = field(default_factory=dict)
    rivals: tuple[Floats, ...] = ()
    removed: NDArray[np.uint8] | None = None
    """(n,) ``KEPT``, ``TABLE``, ``CLUTTER`` or ``SPECK`` of ``geometry.mesh`` for each scan point."""
    covariance: Floats | None = None
    """(6, 6) of the pose: rotation vector (rad) about the nominal's centre, then translation (mm)."""
    normals: Floats | None = None
    """(n, 3) unit normals in the nominal frame, as used (estimated for clouds), or None."""
