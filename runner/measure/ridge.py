"""A straight edge of the nominal where two flat faces meet, and the line in which the two measured planes meet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits.result import Fit
from runner.geometry.frames import perpendicular, unit
from runner.geometry.mesh import Floats, Nominal
from runner.geometry.shapes import Line, Plane, vector
from runner.measure.construct import meeting_line
from runner.measure.element import anchored, array, axial
from runner.measure.patch import LENGTH_TOLERANCE, MESH_TOLERANCE, connected_at, on_element
from runner.measure.sampling import triangle_normals

ALIKE = np.cos(np.radians(1.0))
"""Triangles at the edge belong to one face when their normals agree within this."""


@dataclass(frozen=True, eq=False)
class Ridge:
    """Two flat faces of the nominal and the edge between them."""

    planes: tuple[Plane, Plane]
    """Both through one point of the edge."""
    triangles: NDArray[np.bool_]
    """(m,) of both faces."""
    span: tuple[float, float]
    """Ends of the edge along the line from its given point, mm."""


def ridge_of(line: Line, nominal: Nominal, span: tuple[float, float] | None) -> Ridge | str:
    """Return the two flat faces that meet in a line of the nominal, or why there are not two."""
    along, origin = unit(array(line.direction)), array(line.point)
    vertices, triangles = nominal.mesh.vertices, nominal.mesh.triangles
    height, away, _ = axial(vertices, origin, along)
    on_line = away <= (LENGTH_TOLERANCE if nominal.source == "step" else MESH_TOLERANCE)
    if span is not None:
        reach = height[on_line & (height >= span[0] - 1.0) & (height <= span[1] + 1.0)]
    else:
        reach = height[on_line]
    rows = np.flatnonzero(on_line[triangles].sum(axis=1) == 2)
    if len(rows) < 2 or not len(reach):
        return "the line lies on no edge between flat faces of the nominal"
    normals = triangle_normals(vertices, triangles[rows])
    heights = np.where(on_line[triangles[rows]], height[triangles[rows]], np.nan)
    low, high = np.nanmin(heights, axis=1), np.nanmax(heights, axis=1)
    # of several edges in one line the one at the given point, or at the stated extent
    wanted = 0.0 if span is None else 0.5 * (span[0] + span[1])
    middle = float(np.clip(wanted, low, high)[np.argmin(np.abs(np.clip(wanted, low, high) - wanted))])
    here = (low <= middle + 1e-6) & (high >= middle - 1e-6)
    first = normals[np.flatnonzero(here)[0]]
    others = np.flatnonzero(here & (normals @ first < ALIKE))
    if not len(others):
        return "the line lies on no edge between flat faces of the nominal: only one face is there"
    second = normals[others[0]]
    if np.any(here & (normals @ first < ALIKE) & (normals @ second < ALIKE)):
        return "more than two faces meet at the line: name the planes and construct their intersection"
    at = origin + middle * along
    planes, chosen = [], np.zeros(len(triangles), dtype=bool)
    ends = []
    for normal in (first, second):
        normal = unit(normal - (normal @ along) * along)
        plane = Plane(vector(at), vector(normal))
        face = on_element(plane, nominal)
        if not face.any():
            return "a face at the line is not flat: a line from surfaces needs two flat faces"
        face = connected_at(nominal, face, at)
        touching = face[rows]
        if not touching.any():
            return "a face at the line is not flat: a line from surfaces needs two flat faces"
        ends.append((float(low[touching].min()), float(high[touching].max())))
        planes.append(plane)
        chosen |= face
    extent = (max(e[0] for e in ends), min(e[1] for e in ends))
    if span is not None:
        extent = (max(extent[0], span[0]), min(extent[1], span[1]))
    if not extent[1] - extent[0] > 0:
        return "the line lies on no edge between flat faces of the nominal"
    return Ridge((planes[0], planes[1]), chosen, extent)


def line_fit(nominal: Line, fits: tuple[Fit[Plane], Fit[Plane]]) -> Fit[Line] | str:
    """Return the line in which two fitted planes meet, with the covariance that theirs give it.

    Increments ``shift u``, ``shift v`` about the nominal's point and ``tilt u``, ``tilt v``; the derivatives by
    differences of the construction itself.
    """

    def met(change: Floats) -> Line | str:
        planes = []
        for fit, own in zip(fits, (change[:3], change[3:]), strict=True):
            u, v, w = fit.frame
            values = dict(zip(("shift w", "tilt u", "tilt v"), own, strict=True))
            normal = unit(w + values["tilt u"] * u + values["tilt v"] * v)
            at = np.array(fit.reference)
            on_plane = at - ((at - array(fit.shape.point)) @ w) * w + values["shift w"] * w
            planes.append(Plane(vector(on_plane), vector(normal)))
        found = meeting_line(planes[0], planes[1])
        if isinstance(found, str):
            return found
        line = anchored(found, nominal)
        assert isinstance(line, Line)
        return line

    best = met(np.zeros(6))
    if isinstance(best, str):
        return best
    along, at = array(best.direction), array(best.point)
    u, v = perpendicular(along)
    jacobian = np.zeros((4, 6))
    for k in range(6):
        step = np.zeros(6)
        step[k] = 1e-5 if k % 3 == 0 else 1e-7
        ends = []
        for sign in (1.0, -1.0):
            line = met(sign * step)
            if isinstance(line, str):
                return line
            way, here = array(line.direction), array(line.point)
            here = here + ((at - here) @ along) / float(way @ along) * way
            ends.append(np.array([(here - at) @ u, (here - at) @ v, way @ u, way @ v]))
        jacobian[:, k] = (ends[0] - ends[1]) / (2.0 * step[k])
    covariance = np.zeros((6, 6))
    for k, fit in enumerate(fits):
        order = [fit.names.index(name) for name in ("shift w", "tilt u", "tilt v")]
        covariance[3 * k : 3 * k + 3, 3 * k : 3 * k + 3] = fit.covariance[np.ix_(order, order)]
    counts = np.array([fit.points for fit in fits], dtype=np.float64)
    squares = np.array([[fit.rms**2, fit.sigma**2] for fit in fits])
    rms, sigma = np.sqrt(counts @ squares / counts.sum())
    return Fit(
        shape=best,
        covariance=jacobian @ covariance @ jacobian.T,
        names=("shift u", "shift v", "tilt u", "tilt v"),
        frame=np.array([u, v, along]),
        reference=best.point,
        rms=float(rms),
        sigma=float(sigma),
        points=int(counts.sum()),
        iterations=max(fit.iterations for fit in fits),
    )
