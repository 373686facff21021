"""A measured feature with everything that characteristics need, before it is reduced to a record."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits.result import Fit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Shape, parameters
from runner.measure.border import BorderFit
from runner.measure.edge_places import EdgePlaces
from runner.measure.patch import Patch
from runner.measure.specs import FeatureSpec
from runner.records import MeasuredFeature


@dataclass(frozen=True, eq=False)
class FoundFeature:
    """One feature on one part, in the fitted nominal frame."""

    spec: FeatureSpec
    shape: Shape | None
    """The measured element; None for a surface region or when ``reason`` says why there is none."""
    reason: str = ""
    patch: Patch | None = None
    rows: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    """Rows of the scene's points that were used."""
    points: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    """(n, 3) the same points."""
    fit: Fit | None = None
    border: BorderFit | None = None
    """For a feature from edges: where the material ends, place by place."""
    places: EdgePlaces | None = None
    """For trim edges and edge points: the edge place by place."""
    coverage: float | None = None
    rejected: int = 0
    notes: tuple[str, ...] = ()
    extent: tuple[float, float] | None = None
    """Constructed line: how far it reaches from its nominal point along its nominal direction, mm."""

    @property
    def axial(self) -> tuple[float, float] | None:
        """How far it reaches along its nominal axis from the nominal's point, mm: by its faces, else as stated."""
        if self.patch is not None and self.patch.axial is not None:
            return self.patch.axial
        return self.extent if self.extent is not None else self.spec.span

    @property
    def ok(self) -> bool:
        """Whether it was measured."""
        return not self.reason

    def record(self) -> MeasuredFeature:
        """The record that goes into the ledger."""
        rms = None
        if self.ok:
            rms = self.fit.rms if self.fit is not None else self.border.rms if self.border is not None else None
        return MeasuredFeature(
            name=self.spec.name,
            kind=self.spec.kind,
            source=self.spec.source,
            parameters=parameters(self.shape) if self.shape is not None and self.ok else {},
            points=len(self.points),
            rejected=self.rejected,
            coverage=self.coverage,
            rms=None if rms is None else float(rms),
            reason=self.reason,
            notes=self.notes,
        )
