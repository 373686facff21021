"""Two-point sizes (ISO 14405-1, modifier LP): distances of opposite points in sections across an axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.fits.circle import fit_circle2d
from runner.geometry.fits.hold import frame
from runner.geometry.fits.result import FailedFit
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cylinder


@dataclass(frozen=True, eq=False)
class LocalSizes:
    """Local diameters of a cylinder or circle."""

    diameters: Floats
    """(m,) mm."""
    heights: Floats
    """(m,) mm along the axis from the cylinder's point: middle of the section."""
    angles: Floats
    """(m,) rad, of the first point of each pair, from u of ``hold.frame(axis)``; in [0, pi)."""
    points: np.ndarray
    """(m,) points in both bins together."""
    sections: int
    sections_seen: int
    """Sections with at least one opposite pair."""

    @property
    def smallest(self) -> float:
        """Smallest local diameter, mm."""
        return float(self.diameters.min())

    @property
    def largest(self) -> float:
        """Largest local diameter, mm."""
        return float(self.diameters.max())

    @property
    def mean(self) -> float:
        """Mean local diameter, mm."""
        return float(self.diameters.mean())


def local_diameters(
    points: Floats, cylinder: Cylinder, *, sections: int = 5, bins: int = 24, least: int = 1
) -> LocalSizes | FailedFit:
    """Return the diameters between opposite points, section by section.

    In each section the least-squares circle gives the centre; the circumference is cut into ``bins`` (even) equal
    angles; the mean radii of two opposite bins add up to one local diameter. Averaging within a bin keeps the
    scanner's noise out; more bins and sections follow the form more closely.

    Parameters
    ----------
    points : (n, 3) mm of the surface.
    cylinder : the associated cylinder; only its axis is used.
    sections : slices along the axis, of equal height; 1 for a circle.
    bins : angles per section, even.
    least : points that each of the two bins must hold.

    Returns
    -------
    ``LocalSizes``; ``FailedFit`` when no section is seen from two opposite sides.
    """
    if bins < 2 or bins % 2:
        raise ValueError(f"bins must be even and at least 2, not {bins}")
    points = np.asarray(points, dtype=np.float64)
    if len(points) < 3:
        return FailedFit(f"too few points: {len(points)} given, a local size needs at least 3")
    if not np.all(np.isfinite(points)):
        return FailedFit("some points are not finite")
    turn = frame(unit(np.array(cylinder.axis)))
    seen = (points - np.array(cylinder.point)) @ turn.T
    low, high = float(seen[:, 2].min()), float(seen[:, 2].max())
    height = (high - low) / sections
    which = (
        np.zeros(len(seen), dtype=int)
        if height <= 0
        else np.minimum(((seen[:, 2] - low) / height).astype(int), sections - 1)
    )
    sizes, heights, angles, counts, seen_sections = [], [], [], [], 0
    for k in range(sections):
        flat = seen[which == k, :2]
        circle = fit_circle2d(flat)
        if isinstance(circle, FailedFit):
            continue
        across = flat - np.array(circle.shape.centre[:2])
        rho = np.hypot(across[:, 0], across[:, 1])
        bin_of = (
            np.floor(np.mod(np.arctan2(across[:, 1], across[:, 0]), 2 * np.pi) / (2 * np.pi) * bins).astype(int) % bins
        )
        number = np.bincount(bin_of, minlength=bins)
        mean = np.bincount(bin_of, weights=rho, minlength=bins) / np.maximum(number, 1)
        half = bins // 2
        both = np.flatnonzero((number[:half] >= least) & (number[half:] >= least))
        seen_sections += bool(len(both))
        sizes.append(mean[both] + mean[both + half])
        heights.append(np.full(len(both), low + (k + 0.5) * height))
        angles.append((both + 0.5) * 2 * np.pi / bins)
        counts.append(number[both] + number[both + half])
    if not seen_sections:
        return FailedFit("no two opposite points: a local size seen from one side only can't be measured")
    return LocalSizes(
        np.concatenate(sizes),
        np.concatenate(heights),
        np.concatenate(angles),
        np.concatenate(counts),
        sections,
        seen_sections,
    )
