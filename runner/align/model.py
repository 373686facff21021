"""What alignment prepares once per nominal and keeps: search arrays and the symmetry table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from runner.align.bins import DirectionBins
from runner.align.search import PROBE_STEP, SearchModel, build_search_model
from runner.align.symmetry import SymmetryTable, find_symmetries
from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import Nominal

FORMAT = 2
"""Raise it whenever the arrays change their meaning: caches with another number are made anew."""
_LEAST_SEEN = 0.4
"""Share of a triangle in sight from outside, from which it is not hidden: a through bore four diameters deep isn't."""


@dataclass(frozen=True, eq=False)
class AlignmentModel:
    """Everything the search needs to know about one nominal."""

    search: SearchModel
    symmetry: SymmetryTable
    _bins: list[DirectionBins] = field(default_factory=list, repr=False)

    def bins(self, nominal: Nominal) -> DirectionBins:
        """Return the exact direction bins; built on first use, then kept (they hold no arrays worth storing)."""
        if not self._bins:
            self._bins.append(DirectionBins(nominal))
        if self._bins[0].hidden is None:
            self._bins[0].hidden = hidden_triangles(self.search, self._bins[0], len(nominal.mesh.triangles))
        return self._bins[0]

    def to_arrays(self) -> dict[str, NDArray[np.generic]]:
        """Return plain arrays by name, to be stored under the nominal's content hash."""
        arrays: dict[str, NDArray[np.generic]] = {"format": np.array(FORMAT)}
        for prefix, part in (("search", self.search), ("symmetry", self.symmetry)):
            for f in fields(part):
                arrays[f"{prefix}_{f.name}"] = np.asarray(getattr(part, f.name))
        return arrays

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[np.generic]]) -> AlignmentModel:
        """Make the model from ``to_arrays``; ValueError when the arrays are of another format."""
        if "format" not in arrays or int(arrays["format"]) != FORMAT:
            raise ValueError("these arrays are not an alignment model of this version")
        search = {f.name: arrays[f"search_{f.name}"] for f in fields(SearchModel)}
        search["cell"] = float(search["cell"])  # type: ignore[assignment]
        table = {f.name: arrays[f"symmetry_{f.name}"] for f in fields(SymmetryTable)}
        return cls(SearchModel(**search), SymmetryTable(**table))  # type: ignore[arg-type]


def hidden_triangles(search: SearchModel, bins: DirectionBins, count: int) -> NDArray[np.bool_]:
    """Tell for each of ``count`` triangles whether (nearly) all of it is out of sight from outside."""
    probes, normals = search.samples[::PROBE_STEP], search.sample_normals[::PROBE_STEP]
    triangle = bins.triangle_at(probes, normals)
    on = triangle >= 0
    seen = np.bincount(triangle[on], weights=search.probe_seen[on], minlength=count)
    probed = np.bincount(triangle[on], minlength=count)
    return np.asarray((probed > 0) & (seen < _LEAST_SEEN * probed))


def prepare_model(nominal: Nominal, index: SurfaceIndex) -> AlignmentModel:
    """Prepare the alignment of scans to ``nominal`` (seconds to half a minute; meant to be cached).

    Parameters
    ----------
    nominal
        The design geometry.
    index
        Its exact index over all triangles.
    """
    search = build_search_model(nominal, index)
    bins = DirectionBins(nominal)
    return AlignmentModel(search, find_symmetries(nominal, search, bins), [bins])
