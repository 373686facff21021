"""What a fit gives back: an element with its evidence, or the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Generic, TypeVar

import numpy as np

from runner.geometry.mesh import Floats
from runner.records import Vector

S = TypeVar("S")


@dataclass(frozen=True, eq=False)
class Fit(Generic[S]):
    """An element fitted to points, mm and rad.

    The covariance belongs to *local increments* of the element, named in ``names``. They are counted in the
    right-handed ``frame`` (rows u, v, w), rotations about ``reference`` (the centroid, or the held point):

    ``tilt u``, ``tilt v``
        the element turns about ``reference`` so that w becomes w + (tilt u) u + (tilt v) v, rad;
    ``turn``
        the element turns about the line through ``reference`` along w, rad;
    ``shift u``, ``shift v``, ``shift w``
        then it moves along u, v, w, mm;
    ``radius``, ``minor``, ``half angle``, ``length``, ``width``
        change of that size, mm or rad;
    ``offset``
        movement of a cone's surface along its own normal, mm.

    For a plane w is the normal, for every element with an axis w is that axis, for a straight line its direction.
    Held parameters have no row. The covariance is the residual variance, sum of w r^2 / (n - p), times the
    inverse of the normal matrix: right for independent noise of equal size, which must be scaled up by the
    caller for correlated noise.
    """

    shape: S
    covariance: Floats
    """(p, p) of the increments in ``names``."""
    names: tuple[str, ...]
    frame: Floats
    """(3, 3) rows u, v, w."""
    reference: Vector
    rms: float
    """Square root of the (weighted) mean squared orthogonal distance, mm."""
    sigma: float
    """Standard deviation of one distance, mm: the rms corrected for the fitted parameters; 0 when none is left over."""
    points: int
    iterations: int
    residuals: Floats | None = field(default=None, repr=False)
    """(n,) signed distance, mm, + away from the axis, centre or outline, or on the normal's side of a plane."""

    def standard(self, name: str) -> float:
        """Return the standard uncertainty of one increment, mm or rad; 0 for one that is held."""
        if name not in self.names:
            return 0.0
        k = self.names.index(name)
        return float(np.sqrt(max(self.covariance[k, k], 0.0)))

    def covariance_at(self, point: Vector | Floats) -> Floats:
        """Return the (3, 3) covariance, mm^2, of the movement of a point carried by the element.

        For the axis at some depth take a point of the axis; for a centre the centre. Along directions in which the
        element slides into itself (along a cylinder's axis) the entry says nothing and is left as the shifts give it.
        """
        u, v, w = self.frame
        arm = np.asarray(point, dtype=np.float64) - np.array(self.reference)
        moves = {
            "shift u": u,
            "shift v": v,
            "shift w": w,
            "tilt u": np.cross(v, arm),
            "tilt v": np.cross(-u, arm),
            "turn": np.cross(w, arm),
        }
        rigid = [k for k, name in enumerate(self.names) if name in moves]
        jacobian = np.array([moves[self.names[k]] for k in rigid]).reshape(-1, 3).T
        result: Floats = jacobian @ self.covariance[np.ix_(rigid, rigid)] @ jacobian.T
        return result


@dataclass(frozen=True)
class FailedFit:
    """Why there is no element. Falsy, so that ``if not fit`` reads as it should."""

    reason: str

    def __bool__(self) -> bool:
        """Return False."""
        return False


@dataclass(frozen=True)
class Fixed:
    """What a fit holds: None leaves it free. Directions need not have length 1."""

    axis: Vector | None = None
    """Direction of the axis, normal or line."""
    perpendicular_to: Vector | None = None
    """The axis, normal or line stays perpendicular to this direction (a plane under a primary datum plane)."""
    point: Vector | None = None
    """The plane, line or axis passes through it; the centre of a sphere, circle, torus or slot lies on it."""
    radius: float | None = None
    minor: float | None = None
    half_angle: float | None = None
    length: float | None = None
    width: float | None = None
