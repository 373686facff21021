"""What the synthetic scanner is told."""

from __future__ import annotations

from dataclasses import dataclass

from runner.records import Vector

MODES = ("all round", "on table", "one side")
EDGE_MODELS = ("even", "ramp")
OUTPUTS = ("cloud", "mesh")
NORMALS = ("none", "signed", "unsigned")
POSES = ("random", "as nominal")


@dataclass(frozen=True)
class ScannerSettings:
    """One scan as a hand-guided laser line scanner gives it. Lengths mm, angles degrees.

    The scanner stands far away: the rays of one pass are parallel. Everything random follows from ``seed`` alone.
    """

    seed: int = 0
    mode: str = "all round"
    """``all round``: upper views, then the part turned over and its lower views (the table cut away there);
    ``on table``: upper views only; ``one side``: three views within 40 degrees of ``up``."""
    up: Vector = (0.0, 0.0, 1.0)
    """Which way is up in the nominal's frame while the part lies on the table."""
    views_each_side: int = 7
    """Passes from above, and as many from below: one nearly straight down, the others tilted 52 and 36 degrees."""
    stripe_spacing: float = 0.4
    """Between neighbouring stripes of a pass, mean."""
    point_spacing: float = 0.3
    """Between neighbouring points of a stripe."""
    hand: float = 0.1
    """Unsteadiness of the hand: standard deviation of the stripe distance, as a share of it."""
    layers: int = 2
    """Overlap: each place is kept only in the passes that see it best, at most this many. A fused mesh has 1."""
    grazing_limit: float = 75.0
    """Largest angle between ray and surface normal, for laser and camera."""
    camera_angle: float = 22.0
    """Angle at which the camera looks, turned about the stripe; what it cannot see is missing. 0: no camera."""
    noise: float = 0.02
    """Standard deviation of each point, white."""
    noise_along: str = "normal"
    """``normal`` of the surface or ``ray``."""
    correlated_noise: float = 0.0
    """Standard deviation of a smooth error field of each pass, in the same direction."""
    correlation_length: float = 15.0
    """Its correlation falls as exp(-(distance / length)^2 / 2)."""
    edge_reach: float = 0.0
    """Points nearer than this to a sharp edge may be lost ..."""
    edge_loss: float = 0.0
    """... with this probability (``even``), or falling linearly from it at the edge to 0 at the reach (``ramp``)."""
    edge_model: str = "even"
    mixed_points: float = 0.0
    """Share of the points within the edge reach that slip off the edge along the ray."""
    mixed_depth: float = 1.0
    """How far they slip at most."""
    patches: int = 0
    """Missing patches on the part."""
    patch_radius: float = 6.0
    table: bool = True
    table_margin: float = 25.0
    """How far around the part the table is scanned."""
    table_gap: float = 0.0
    """How far below the part the table lies: the part stands on pads, which are not scanned. 0: it lies flush."""
    fixtures: int = 0
    """Blocks that stand on the table beside the part."""
    fixture_gap: float = 0.0
    """Between block and part; 0: they touch."""
    fixture_size: tuple[float, float, float] = (18.0, 24.0, 14.0)
    """Along the touching direction, across, height."""
    specks: float = 0.0
    """Stray points, as a share of all points."""
    pose: str = "random"
    """``random``: uniform rotation and up to ``pose_range`` in each coordinate; ``as nominal``: unmoved."""
    pose_range: float = 500.0
    output: str = "cloud"
    normals: str = "none"
    """Normals written with the points: ``none``, ``signed`` (out of the material) or ``unsigned`` (sign at random)."""
    normal_noise: float = 2.0
    """Standard deviation of the direction of those normals, each of two directions."""
    shuffle: bool = False
    """Points in random order instead of stripe by stripe."""

    def __post_init__(self) -> None:
        for name, allowed in (
            ("mode", MODES),
            ("edge_model", EDGE_MODELS),
            ("output", OUTPUTS),
            ("normals", NORMALS),
            ("pose", POSES),
            ("noise_along", ("normal", "ray")),
        ):
            if getattr(self, name) not in allowed:
                raise ValueError(f"{name} is one of {', '.join(allowed)}; not {getattr(self, name)!r}")
        if not (self.stripe_spacing > 0 and self.point_spacing > 0):
            raise ValueError("stripe_spacing and point_spacing are positive lengths in mm")
        if not 0 < self.grazing_limit < 88:
            raise ValueError(f"grazing_limit lies between 0 and 88 degrees; not {self.grazing_limit}")
        if self.layers < 1 or self.views_each_side < 1:
            raise ValueError("layers and views_each_side are at least 1")
        for name in ("seed", "hand", "noise", "correlated_noise", "edge_reach", "patches", "fixtures", "fixture_gap"):
            if not getattr(self, name) >= 0:
                raise ValueError(f"{name} is not negative; not {getattr(self, name)}")
        for name in ("edge_loss", "mixed_points", "specks"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name} is a share from 0 to 1; not {getattr(self, name)}")
        if not (self.correlation_length > 0 and 0 <= self.camera_angle < 90):
            raise ValueError("correlation_length is positive, and camera_angle lies from 0 to below 90 degrees")
