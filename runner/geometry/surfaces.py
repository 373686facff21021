"""Points on plane, cylinder, cone, sphere and torus in closed form, float64, from rows of a ``FaceTable``.

A face's surface is taken without its borders here; ``runner.geometry.distance`` deals with the trimmed face.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.blocks import run_blocks
from runner.geometry.jit import kernel
from runner.geometry.mesh import FaceTable, Floats, Ints, SurfaceKind

_PLANE, _CYLINDER, _CONE = int(SurfaceKind.PLANE), int(SurfaceKind.CYLINDER), int(SurfaceKind.CONE)
_SPHERE, _TORUS = int(SurfaceKind.SPHERE), int(SurfaceKind.TORUS)


def pack(faces: FaceTable) -> Floats:
    """Return the table as (F, 10) rows for kernels: kind, origin, axis, radius, minor, outward."""
    rows = np.empty((len(faces), 10))
    rows[:, 0] = faces.kind
    rows[:, 1:4] = faces.origin
    rows[:, 4:7] = faces.axis
    rows[:, 7] = faces.radius
    rows[:, 8] = faces.minor
    rows[:, 9] = faces.outward
    return rows


@kernel(borrows=True)
def _across(ax: float, ay: float, az: float) -> Any:
    """Return any unit vector at right angles to a unit axis."""
    if abs(ax) <= abs(ay) and abs(ax) <= abs(az):
        x, y, z = 0.0, az, -ay
    elif abs(ay) <= abs(az):
        x, y, z = -az, 0.0, ax
    else:
        x, y, z = ay, -ax, 0.0
    length = np.sqrt(x * x + y * y + z * z)
    return x / length, y / length, z / length


@kernel(borrows=True)
def project_one(row: Any, x: float, y: float, z: float) -> Any:
    """Return foot (3), outward normal (3) and signed distance of one point to the surface of ``row`` (see ``pack``).

    On an axis, a ring's centre line or a centre, where every direction is equally near, one of them is returned.
    """
    kind = int(row[0])
    ox, oy, oz = row[1], row[2], row[3]
    ax, ay, az = row[4], row[5], row[6]
    side = row[9]
    vx, vy, vz = x - ox, y - oy, z - oz
    if kind == _PLANE:
        s = vx * ax + vy * ay + vz * az
        return x - s * ax, y - s * ay, z - s * az, side * ax, side * ay, side * az, side * s
    if kind == _SPHERE:
        length = np.sqrt(vx * vx + vy * vy + vz * vz)
        if length > 0.0:
            nx, ny, nz = vx / length, vy / length, vz / length
        else:
            nx, ny, nz = ax, ay, az
        r = row[7]
        return ox + r * nx, oy + r * ny, oz + r * nz, side * nx, side * ny, side * nz, side * (length - r)
    # the others turn about the axis: height h along it, radius r from it, radial direction e
    h = vx * ax + vy * ay + vz * az
    wx, wy, wz = vx - h * ax, vy - h * ay, vz - h * az
    r = np.sqrt(wx * wx + wy * wy + wz * wz)
    if r > 1e-300:
        ex, ey, ez = wx / r, wy / r, wz / r
    else:
        ex, ey, ez = _across(ax, ay, az)
    if kind == _CYLINDER:
        k = r - row[7]
        return x - k * ex, y - k * ey, z - k * ez, side * ex, side * ey, side * ez, side * k
    if kind == _CONE:
        sine, cosine = np.sin(row[8]), np.cos(row[8])
        along = h * cosine + r * sine
        if along <= 0.0:
            length = np.sqrt(vx * vx + vy * vy + vz * vz)
            if length > 0.0:
                nx, ny, nz = vx / length, vy / length, vz / length
            else:
                nx, ny, nz = -ax, -ay, -az
            return ox, oy, oz, side * nx, side * ny, side * nz, side * length
        s = r * cosine - h * sine
        nx, ny, nz = cosine * ex - sine * ax, cosine * ey - sine * ay, cosine * ez - sine * az
        return x - s * nx, y - s * ny, z - s * nz, side * nx, side * ny, side * nz, side * s
    if kind == _TORUS:
        # from the nearest point of the ring's centre line
        k = r - row[7]
        length = np.sqrt(k * k + h * h)
        if length > 0.0:
            nx, ny, nz = (k * ex + h * ax) / length, (k * ey + h * ay) / length, (k * ez + h * az) / length
        else:
            nx, ny, nz = ex, ey, ez
        s = length - row[8]
        return x - s * nx, y - s * ny, z - s * nz, side * nx, side * ny, side * nz, side * s
    return np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, np.nan


@kernel
def _project(start: int, end: int, rows: Any, face: Any, points: Any, foot: Any, normal: Any, distance: Any) -> None:
    for i in range(start, end):
        qx, qy, qz, nx, ny, nz, s = project_one(rows[face[i]], points[i, 0], points[i, 1], points[i, 2])
        foot[i, 0], foot[i, 1], foot[i, 2] = qx, qy, qz
        normal[i, 0], normal[i, 1], normal[i, 2] = nx, ny, nz
        distance[i] = s


@kernel
def _meet(
    start: int, end: int, rows: Any, face: Any, origins: Any, directions: Any, t_near: Any, reach: float, t_out: Any
) -> None:
    for i in range(start, end):
        t, step = t_near[i], np.inf
        for _ in range(60):
            x = origins[i, 0] + t * directions[i, 0]
            y = origins[i, 1] + t * directions[i, 1]
            z = origins[i, 2] + t * directions[i, 2]
            _, _, _, nx, ny, nz, s = project_one(rows[face[i]], x, y, z)
            slope = nx * directions[i, 0] + ny * directions[i, 1] + nz * directions[i, 2]
            if not abs(slope) > 1e-9:
                step = np.inf
                break
            step = s / slope
            t -= step
            if abs(step) <= 1e-14 * (1.0 + abs(t)) or abs(t - t_near[i]) > reach:
                break
        t_out[i] = t if abs(step) <= 1e-9 * (1.0 + abs(t)) and abs(t - t_near[i]) <= reach else np.nan


def _face_of_each(face: Ints | int, count: int) -> NDArray[np.int64]:
    return np.ascontiguousarray(np.broadcast_to(np.asarray(face, dtype=np.int64), (count,)))


def project(faces: FaceTable, face: Ints | int, points: Floats) -> tuple[Floats, Floats, Floats]:
    """Project points onto the untrimmed surfaces of faces.

    Parameters
    ----------
    faces
        The nominal's faces.
    face
        (n,) or one number: the face of each point.
    points
        (n, 3) mm.

    Returns
    -------
    tuple
        Feet (n, 3), outward unit normals there (n, 3), signed distances (n,), + outside the material. All NaN for
        faces of kind OTHER, which have no closed form.
    """
    points = np.ascontiguousarray(points, dtype=np.float64)
    foot, normal, distance = np.empty_like(points), np.empty_like(points), np.empty(len(points))
    run_blocks(_project, len(points), pack(faces), _face_of_each(face, len(points)), points, foot, normal, distance)
    return foot, normal, distance


def meet_rays(
    faces: FaceTable, face: Ints | int, origins: Floats, directions: Floats, t_near: Floats, reach_mm: float = 0.1
) -> Floats:
    """Return t (n,) where rays ``origins + t directions`` meet the untrimmed surfaces, next to ``t_near``.

    Newton steps on the signed distance, from a hit on the mesh. ``directions`` (n, 3) are unit vectors. NaN where the
    ray grazes or misses the surface, where they meet farther than ``reach_mm`` from ``t_near``, or for kind OTHER.
    """
    origins = np.ascontiguousarray(origins, dtype=np.float64)
    directions = np.ascontiguousarray(directions, dtype=np.float64)
    t_out = np.empty(len(origins))
    near = np.ascontiguousarray(t_near, dtype=np.float64)
    run_blocks(
        _meet, len(origins), pack(faces), _face_of_each(face, len(origins)), origins, directions, near, reach_mm, t_out
    )
    return t_out
