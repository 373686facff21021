"""Elements fitted to points: least squares, minimum zone, inscribed, circumscribed, outside the material.

The public names are taken from their modules when first asked for, so that importing the results alone costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from runner.geometry.fits.circle import fit_circle2d, fit_circle3d
    from runner.geometry.fits.cone import fit_cone
    from runner.geometry.fits.cylinder import fit_cylinder
    from runner.geometry.fits.cylindricity import circumscribed_cylinder, inscribed_cylinder, zone_cylinder
    from runner.geometry.fits.filters import (
        Filtered,
        filter_cylinder,
        filter_plane,
        filtered_noise,
        filtered_noise_zone,
        noise_zone,
    )
    from runner.geometry.fits.flatness import zone_line2d, zone_line3d, zone_plane
    from runner.geometry.fits.line import fit_line2d, fit_line3d
    from runner.geometry.fits.local_size import LocalSizes, local_diameters
    from runner.geometry.fits.plane import fit_plane
    from runner.geometry.fits.result import FailedFit, Fit, Fixed
    from runner.geometry.fits.roundness import (
        circumscribed_circle,
        circumscribed_sphere,
        inscribed_circle,
        inscribed_sphere,
        zone_circle,
        zone_sphere,
    )
    from runner.geometry.fits.slot import fit_slot
    from runner.geometry.fits.sphere import fit_sphere
    from runner.geometry.fits.tangent import Tangent, tangent_line2d, tangent_plane
    from runner.geometry.fits.torus import fit_torus
    from runner.geometry.fits.zone import Zone

_HOME = {
    "FailedFit": "result",
    "Filtered": "filters",
    "Fit": "result",
    "Fixed": "result",
    "LocalSizes": "local_size",
    "Tangent": "tangent",
    "Zone": "zone",
    "circumscribed_circle": "roundness",
    "circumscribed_cylinder": "cylindricity",
    "circumscribed_sphere": "roundness",
    "filter_cylinder": "filters",
    "filter_plane": "filters",
    "filtered_noise": "filters",
    "filtered_noise_zone": "filters",
    "fit_circle2d": "circle",
    "fit_circle3d": "circle",
    "fit_cone": "cone",
    "fit_cylinder": "cylinder",
    "fit_line2d": "line",
    "fit_line3d": "line",
    "fit_plane": "plane",
    "fit_slot": "slot",
    "fit_sphere": "sphere",
    "fit_torus": "torus",
    "inscribed_circle": "roundness",
    "inscribed_cylinder": "cylindricity",
    "inscribed_sphere": "roundness",
    "local_diameters": "local_size",
    "noise_zone": "filters",
    "tangent_line2d": "tangent",
    "tangent_plane": "tangent",
    "zone_circle": "roundness",
    "zone_cylinder": "cylindricity",
    "zone_line2d": "flatness",
    "zone_line3d": "flatness",
    "zone_plane": "flatness",
    "zone_sphere": "roundness",
}

__all__ = [
    "FailedFit",
    "Filtered",
    "Fit",
    "Fixed",
    "LocalSizes",
    "Tangent",
    "Zone",
    "circumscribed_circle",
    "circumscribed_cylinder",
    "circumscribed_sphere",
    "filter_cylinder",
    "filter_plane",
    "filtered_noise",
    "filtered_noise_zone",
    "fit_circle2d",
    "fit_circle3d",
    "fit_cone",
    "fit_cylinder",
    "fit_line2d",
    "fit_line3d",
    "fit_plane",
    "fit_slot",
    "fit_sphere",
    "fit_torus",
    "inscribed_circle",
    "inscribed_cylinder",
    "inscribed_sphere",
    "local_diameters",
    "noise_zone",
    "tangent_line2d",
    "tangent_plane",
    "zone_circle",
    "zone_cylinder",
    "zone_line2d",
    "zone_line3d",
    "zone_plane",
    "zone_sphere",
]


def __getattr__(name: str) -> Any:
    """Load a public name from its module."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
