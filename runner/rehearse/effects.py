"""What a real scanner does to perfect points: noise, losses, stray points."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from runner.geometry.mesh import EdgeTable, Floats
from runner.rehearse.settings import ScannerSettings
from runner.rehearse.trim import edge_samples, onto_curve

WAVES = 48
SHARP_RAD = np.radians(25.0)


def white_noise(count: int, settings: ScannerSettings, random: np.random.Generator) -> Floats:
    """Return independent errors (n,), mm."""
    return settings.noise * random.standard_normal(count)


def smooth_noise(places: Floats, settings: ScannerSettings, random: np.random.Generator) -> Floats:
    """Return a smooth error field (n,), mm, at the places (n, 2) of one pass.

    A sum of cosines with Gaussian wave vectors: its correlation tends to exp(-(d / length)^2 / 2) (random Fourier
    features: A. Rahimi and B. Recht, 2007).
    """
    if settings.correlated_noise == 0.0:
        return np.zeros(len(places))
    waves = random.standard_normal((WAVES, 2)) / settings.correlation_length
    phases = random.uniform(0.0, 2 * np.pi, WAVES)
    field = np.zeros(len(places))
    for wave, phase in zip(waves, phases, strict=True):
        field += np.cos(places @ wave + phase)
    return settings.correlated_noise * np.sqrt(2.0 / WAVES) * field


def edge_distance(edges: EdgeTable, points: Floats, reach: float) -> Floats:
    """Return the distance (n,), mm, of points (n, 3) from the nearest sharp edge; inf beyond ``reach``.

    Sharp are edges whose faces meet at more than 25 degrees, and open borders.
    """
    distance = np.full(len(points), np.inf)
    open_border = (edges.faces < 0).any(axis=1)
    sharp = np.flatnonzero(open_border | (edges.angle > SHARP_RAD))
    if reach <= 0.0 or not len(sharp) or not len(points):
        return distance
    samples, owner = edge_samples(edges, reach / 4, sharp)
    found = cKDTree(samples).query(points, distance_upper_bound=1.2 * reach)
    rough, nearest = np.asarray(found[0]), np.asarray(found[1])
    close = np.flatnonzero(np.isfinite(rough))
    distance[close] = rough[close]
    for e in np.unique(owner[nearest[close]]):
        rows = close[owner[nearest[close]] == e]
        foot, _ = onto_curve(edges, int(e), points[rows])
        # the untrimmed curve is never farther than the sample; beyond a curve's end the sample tells
        exact = np.linalg.norm(points[rows] - foot, axis=1)
        at_end = np.linalg.norm(foot - samples[nearest[rows]], axis=1) > reach / 4
        distance[rows] = np.where(at_end, rough[rows], exact)
    distance[distance > reach] = np.inf
    return distance


def lost_at_edges(distance: Floats, settings: ScannerSettings, random: np.random.Generator) -> NDArray[np.bool_]:
    """Return which points (n,) the edge swallows, given their distance from it."""
    chance = np.where(np.isfinite(distance), settings.edge_loss, 0.0)
    if settings.edge_model == "ramp" and settings.edge_reach > 0:
        chance = settings.edge_loss * np.clip(1.0 - distance / settings.edge_reach, 0.0, 1.0)
    return random.uniform(size=len(distance)) < chance


def in_patches(points: Floats, settings: ScannerSettings, random: np.random.Generator) -> NDArray[np.bool_]:
    """Return which part points (n, 3) fall into missing patches: balls around random points."""
    gone = np.zeros(len(points), bool)
    if len(points):
        for centre in points[random.integers(0, len(points), settings.patches)]:
            gone |= np.einsum("ij,ij->i", points - centre, points - centre) < settings.patch_radius**2
    return gone


def stray_points(points: Floats, settings: ScannerSettings, random: np.random.Generator) -> Floats:
    """Return specks (k, 3) in the box of the scan, widened by a tenth; in threes for a mesh, 0.3 mm apart."""
    count = round(settings.specks * len(points))
    low, high = points.min(axis=0), points.max(axis=0)
    margin = 0.1 * (high - low)
    group = 3 if settings.output == "mesh" else 1
    centres = random.uniform(low - margin, high + margin, (count // group, 3))
    if group == 1:
        return centres
    offsets = 0.3 * np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    return np.asarray((centres[:, None] + offsets).reshape(-1, 3))


def shaken_normals(normals: Floats, settings: ScannerSettings, random: np.random.Generator) -> Floats:
    """Return unit normals (n, 3) with an error of direction, and a random sign where the settings say so."""
    noisy = normals + np.radians(settings.normal_noise) * random.standard_normal(normals.shape)
    noisy /= np.linalg.norm(noisy, axis=1, keepdims=True)
    if settings.normals == "unsigned":
        noisy *= random.choice([-1.0, 1.0], len(noisy))[:, None]
    return noisy
