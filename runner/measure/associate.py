"""Association of a feature by another criterion than least squares (``FeatureSpec.association``).

The points are those that the least-squares rounds chose; no point is left out and nothing is filtered, so that one burr
decides.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from runner.geometry.fits import (
    circumscribed_cylinder,
    circumscribed_sphere,
    inscribed_cylinder,
    inscribed_sphere,
    tangent_plane,
    zone_cylinder,
    zone_plane,
    zone_sphere,
)
from runner.geometry.fits.result import FailedFit, Fixed
from runner.geometry.fits.zone import Zone
from runner.geometry.fits.zones import zone_cone, zone_cylinder_part, zone_sphere_part, zone_torus
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cone, Cylinder, Plane, Shape, Sphere, Torus
from runner.measure.specs import FeatureSpec

ASSOCIATIONS = (
    "least squares",
    "minimum zone",
    "maximum inscribed",
    "minimum circumscribed",
    "outside material",
)

Associated = Callable[[Floats, Any, Fixed | None], "Zone[Any] | FailedFit"]


def associated(
    spec: FeatureSpec, points: Floats, fitted: Shape, outward: int, fixed: Fixed | None = None
) -> Shape | str:
    """Return the element associated as the feature asks, or why there is none.

    Parameters
    ----------
    spec : asks by ``association``.
    points : (n, 3) mm.
    fitted : the least-squares element, near which it is sought.
    outward : +1 where the element's natural normal points out of the material (a shaft), -1 for a bore.
    fixed : what stays held (the axis of a circle).
    """
    wish = spec.association
    if wish == "least squares":
        return fitted
    if wish not in ASSOCIATIONS:
        return f'there is no association "{wish}": {", ".join(ASSOCIATIONS)}'
    if wish == "minimum zone":
        return _shape(_zone(points, fitted, fixed))
    if isinstance(fitted, Plane):
        if wish != "outside material":
            return f"a plane has no {wish} association: minimum zone or outside material"
        found = tangent_plane(points, fitted.normal)
        return found.reason if isinstance(found, FailedFit) else found.shape
    if wish == "outside material":
        if isinstance(fitted, Cone | Torus):
            return _moved_out(points, fitted, outward)
        wish = "minimum circumscribed" if outward > 0 else "maximum inscribed"
    inner = wish == "maximum inscribed"
    if isinstance(fitted, Cylinder):
        touching = inscribed_cylinder if inner else circumscribed_cylinder
        return _shape(touching(points, fitted, fixed))
    if isinstance(fitted, Sphere):
        return _shape(inscribed_sphere(points) if inner else circumscribed_sphere(points))
    return f"a {type(fitted).__name__.lower()} has no {wish} association"


def _zone(points: Floats, fitted: Shape, fixed: Fixed | None) -> Zone[Any] | FailedFit:
    if isinstance(fitted, Plane):
        return zone_plane(points, fitted)
    if isinstance(fitted, Cylinder):
        found = zone_cylinder(points, fitted, fixed)
        return found if found else zone_cylinder_part(points, fitted, fixed)
    if isinstance(fitted, Sphere):
        whole = zone_sphere(points)
        return whole if whole else zone_sphere_part(points, fitted)
    if isinstance(fitted, Cone):
        return zone_cone(points, fitted, fixed)
    if isinstance(fitted, Torus):
        return zone_torus(points, fitted, fixed)
    return FailedFit(f"a {type(fitted).__name__.lower()} has no minimum zone association")


def _moved_out(points: Floats, fitted: Shape, outward: int) -> Shape | str:
    """The border of the minimum zone outside the material: touches, and is least far from its farthest point."""
    zone = _zone(points, fitted, None)
    if isinstance(zone, FailedFit):
        return zone.reason
    out = 0.5 * zone.width * outward
    found = zone.shape
    if isinstance(found, Torus):
        return Torus(found.centre, found.axis, found.radius, found.minor + out)
    # a cone moved along its normal slides along its axis
    apex = np.array(found.apex) - out / np.sin(found.half_angle) * np.array(found.axis)
    return Cone((float(apex[0]), float(apex[1]), float(apex[2])), found.axis, found.half_angle)


def _shape(found: Zone[Any] | FailedFit) -> Shape | str:
    if isinstance(found, FailedFit):
        return found.reason
    shape: Shape = found.shape
    return shape
