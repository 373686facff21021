"""What one seed of the campaign stands for: how the part lies, what is seen, what is in the way, what is written."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
import sampler

from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import Nominal, ScanGeometry

NOISE = 0.02
POINTS = 90_000


@dataclass(frozen=True)
class Scene:
    """The circumstances of one scan."""

    seed: int
    views: str
    """``all`` round, ``table`` (from above, table in view) or ``one`` side."""
    table: bool
    clutter: float
    """Share of all points that is neither part nor table, as wished."""
    stray: float
    form: float
    """Amplitude of a smooth bulge, mm."""
    hidden: float
    """Share of the visible surface that is taken away in patches, as wished."""
    output: str
    """``cloud`` without normals, ``normals`` (signed) or ``mesh``."""
    lying: bool
    """Whether the part lies in a random attitude and not as it was drawn."""


def scene_of(seed: int) -> Scene:
    """Return the circumstances that belong to a seed; independent of the part."""
    rng = np.random.default_rng([seed, 20_26])
    views = str(rng.choice(["table", "one", "all"], p=[0.4, 0.3, 0.3]))
    return Scene(
        seed=seed,
        views=views,
        table=views == "table",
        clutter=float(rng.uniform(0.0, 0.4)) if rng.random() < 0.6 else 0.0,
        stray=0.01,
        form=float(rng.uniform(0.1, 1.0)) if rng.random() < 0.4 else 0.0,
        hidden=float(rng.uniform(0.0, 0.4)) if rng.random() < 0.5 else 0.0,
        output=str(rng.choice(["cloud", "normals", "mesh"], p=[0.4, 0.25, 0.35])),
        lying=bool(rng.random() < 0.5),
    )


@dataclass(frozen=True, eq=False)
class Made:
    """A scan with its truth."""

    scene: Scene
    scan: ScanGeometry
    nominal_from_scan: np.ndarray
    part: np.ndarray
    """(n,) which points lie on the part."""
    facing: np.ndarray
    """(n, 3) true normals in the scan frame (zero for strays)."""
    coverage: float
    """Share of the surface that can be seen from outside with a point near it."""

    def row(self) -> dict:
        """What is logged of it."""
        return asdict(self.scene) | {
            "points": len(self.scan.points),
            "part_share": float(np.mean(self.part)),
            "covered": self.coverage,
        }


def make(nominal: Nominal, index: SurfaceIndex, model, seed: int, count: int = POINTS, noise: float = NOISE) -> Made:
    """Scan a part as its seed says."""
    scene = scene_of(seed)
    rng = np.random.default_rng([seed, 7])
    d = nominal.diagonal
    turn = sampler.random_rotation(rng) if scene.lying else None
    fixtures = 0 if scene.clutter == 0 else 1 + int(6 * scene.clutter)
    hide = None
    if scene.hidden:
        samples = model.search.samples
        middles = samples[rng.choice(len(samples), 6, replace=False)]
        # patches grow together until the wished share of the surface is gone
        gap = np.min(np.linalg.norm(samples[::20, None] - middles[None], axis=2), axis=1)
        radius = float(np.quantile(gap, scene.hidden))

        def hide(points):
            return np.min(np.linalg.norm(points[:, None] - middles[None], axis=2), axis=1) < radius

    simulated = sampler.simulate(
        nominal, index, seed, count=count, views=scene.views, table=scene.table, fixtures=fixtures, noise=noise,
        stray=scene.stray, form=scene.form, normals="signed", hide=hide, turn=turn,
    )  # fmt: skip
    points, facing, kind = simulated.scan.points, simulated.scan.normals, simulated.kind
    if scene.clutter:
        # thin the clutter or the part out until the share is what was wished
        other = (kind == 2) | (kind == 3)
        now = other.mean()
        if now > scene.clutter:
            rows = np.flatnonzero(other)
            lose = rng.choice(rows, int((now - scene.clutter) / (1 - scene.clutter) * len(points)), replace=False)
            keep = np.ones(len(points), dtype=bool)
            keep[lose] = False
            points, facing, kind = points[keep], facing[keep], kind[keep]
    truth = simulated.nominal_from_scan
    on_part = kind == 0
    on_nominal = points[on_part] @ truth[:3, :3].T + truth[:3, 3]
    coverage = _coverage(model, on_nominal, facing[on_part] @ truth[:3, :3].T, d / 60 + scene.form)
    if scene.output == "mesh":
        return _as_mesh(scene, points, facing, kind, truth, coverage, d)
    normals = facing if scene.output == "normals" else None
    scan = ScanGeometry(points, normals=normals, normals_signed=normals is not None)
    return Made(scene, scan, truth, on_part, facing, coverage)


def _coverage(model, points, facing, reach: float) -> float:
    """Return the share of the surface that can be seen at all which has scan points (n, 3) of its own side near it."""
    from scipy.spatial import cKDTree

    if not len(points):
        return 0.0
    seen = model.search.probe_seen
    probes, normals = model.search.samples[::5][seen], model.search.sample_normals[::5][seen]
    gap, nearest = cKDTree(points).query(probes, k=8, distance_upper_bound=reach)
    found = np.isfinite(gap)
    alike = np.einsum("nkj,nj->nk", facing[np.where(found, nearest, 0)], normals) > 0.5
    return float(np.mean((found & alike).any(axis=1)))


def _as_mesh(scene, points, facing, kind, truth, coverage, d) -> Made:
    """Join the points of a scan to triangles: neighbours that face alike, by a Delaunay net in six directions."""
    from scipy.spatial import Delaunay

    axis = np.argmax(np.abs(facing), axis=1)
    side = 2 * axis + (facing[np.arange(len(points)), axis] < 0)
    # places per piece of surface: the part, the table, the blocks; strays stay without triangles
    piece = side + 6 * np.minimum(kind, 2)
    found = []
    limit = 4.0 * np.sqrt(_area_per_point(points, kind))
    for value in np.unique(piece[kind < 3]):
        rows = np.flatnonzero((piece == value) & (kind < 3))
        if len(rows) < 10:
            continue
        a = axis[rows[0]]
        flat = np.delete(points[rows], a, axis=1)
        net = Delaunay(flat + 1e-9 * np.random.default_rng(1).normal(size=flat.shape)).simplices
        corner = points[rows[net]]
        longest = np.max(np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2), axis=1)
        cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        mean = facing[rows[net]].mean(axis=1)
        length = np.linalg.norm(cross, axis=1) * np.linalg.norm(mean, axis=1)
        cosine = np.einsum("ij,ij->i", cross, mean) / np.maximum(length, 1e-12)
        net = np.where((cosine < 0)[:, None], net[:, ::-1], net)
        good = (longest < limit) & (np.abs(cosine) > 0.5)
        found.append(rows[net[good]])
    triangles = np.vstack([np.zeros((0, 3), dtype=np.int64), *found]).astype(np.int32)
    used = np.unique(triangles)
    back = np.full(len(points), -1)
    back[used] = np.arange(len(used))
    scan = ScanGeometry(points[used], triangles=back[triangles].astype(np.int32))
    return Made(scene, scan, truth, (kind == 0)[used], facing[used], coverage)


def _area_per_point(points, kind) -> float:
    """A rough area per point of the part, mm^2: from the spacing of neighbours."""
    from scipy.spatial import cKDTree

    part = points[kind == 0]
    some = part[:: max(1, len(part) // 2000)]
    gap, _ = cKDTree(part).query(some, k=7)
    return float(np.median(gap[:, 6]) ** 2)
