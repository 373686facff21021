"""Exact distance against the CAD kernel's own extrema and classifier (BRepExtrema, BRepClass3d), on hard points.

Where the *file* lets a trim curve run beside the surfaces that it bounds (seen: up to 3.4 um), the kernel keeps to
the curve and ours to the surfaces; there the comparison allows what the curve is off.
"""

from __future__ import annotations

import numpy as np
import pytest

from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import CurveKind, SurfaceKind
from runner.geometry.surfaces import project


def loose_curves(nominal):
    """Points along the trim curves that lie beside their surfaces, and by how much at most."""
    points, off = [np.full((1, 3), 1e9)], [0.0]
    edges = nominal.edges
    for e in range(len(edges)):
        polyline = edges.points[edges.offsets[e] : edges.offsets[e + 1]]
        beside = [np.abs(project(nominal.faces, int(f), polyline)[2]).max() for f in edges.faces[e] if f >= 0]
        if max(beside) > 1e-8:
            share = np.linspace(0, 1, 50)[:, None, None]
            points.append((polyline[:-1] * (1 - share) + polyline[1:] * share).reshape(-1, 3))
            off.append(float(max(beside)))
    return np.concatenate(points), max(off)


def compare(nominal, shape, parts, count, seed):
    from scipy.spatial import cKDTree

    points = parts.hard_points(nominal, count, seed)
    closest = SurfaceIndex.build(nominal).closest(points)
    distance, inside = parts.kernel_distances(shape, points)
    error = np.abs(np.abs(closest.distance) - distance)
    exact = nominal.faces.kind[closest.face] != SurfaceKind.OTHER
    loose, off = loose_curves(nominal)
    # what the two answers may differ in reaches as far as the curve's distance, seen from the query point
    near_loose = cKDTree(loose).query(points)[0] < distance + 10 * off + 0.02
    clear = exact & ~near_loose
    assert clear.sum() > count / 2
    assert error[clear].max() <= 1e-7
    assert error[exact].max() <= max(2 * off, 1e-7)
    assert error.max() <= max(2 * off, 1.5 * nominal.chord_mm)
    wrong = ((closest.distance < 0) != inside) & (distance > max(2 * off, 1e-6))
    assert not wrong.any()
    # the parts of an answer agree with each other
    assert np.linalg.norm(points - closest.point, axis=1) == pytest.approx(np.abs(closest.distance), abs=1e-9)
    away = (np.abs(closest.distance) > 1e-3) & ~closest.on_border & exact
    along = np.einsum("ij,ij->i", points - closest.point, closest.normal)
    assert along[away] == pytest.approx(closest.distance[away], abs=1e-9)
    assert (nominal.triangle_face[closest.triangle] == closest.face).all()
    assert closest.on_border.any() or len(nominal.edges) == 0
    return closest


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize(
    "name", ["plate", "plate moved", "plate mirrored", "plate as splines", "sphere", "torus", "cone", "frustum"]
)
def test_small_parts(name, seed, nominals, part_files, parts):
    compare(nominals(name), parts.read_shape(part_files[name]), parts, 240, seed)


@pytest.mark.parametrize(
    "name",
    [
        "nist_ctc_01_asme1_ap242-e1.stp",
        "nist_ctc_03_asme1_ap242-e2.stp",
        "nist_ctc_03_asme1_rc.stp",
        "nist_ftc_06_asme1_ap242-e2.stp",
    ],
)
def test_public_models(name, shared_model, read_step, parts):
    path = shared_model(name)
    compare(read_step(path), parts.read_shape(path), parts, 400, 7)


def test_border_points_lie_on_both_surfaces(nominals):
    """Where two analytic faces meet in a free curve, the answer lies on both: better than any polyline."""
    plate = nominals("plate")
    edges = plate.edges
    index = SurfaceIndex.build(plate)
    rng = np.random.default_rng(3)
    for e in np.flatnonzero(edges.kind == CurveKind.OTHER):
        polyline = edges.points[edges.offsets[e] : edges.offsets[e + 1]]
        closest = index.closest(np.repeat(polyline, 5, axis=0) + rng.uniform(-0.02, 0.02, (5 * len(polyline), 3)))
        border = closest.point[closest.on_border]
        assert len(border) > 20
        for face in edges.faces[e]:
            assert np.abs(project(plate.faces, int(face), border)[2]).max() < 1e-9


def test_index_over_some_triangles(nominals):
    """A part of the mesh answers like the whole where its own faces are nearest, and never with another face."""
    plate = nominals("plate")
    top = np.flatnonzero((plate.faces.kind == SurfaceKind.PLANE) & (plate.faces.axis[:, 2] > 0.9))
    mask = np.isin(plate.triangle_face, top)
    part, whole = SurfaceIndex.build(plate, triangles=mask), SurfaceIndex.build(plate)
    rng = np.random.default_rng(4)
    points = rng.uniform((-2, -2, 15), (62, 42, 25), (3000, 3))
    a, b = part.closest(points), whole.closest(points)
    assert np.isin(a.face, top).all()
    same = np.isin(b.face, top) & ~b.on_border
    assert same.sum() > 300
    assert a.distance[same] == pytest.approx(b.distance[same], abs=1e-12)
    assert (np.abs(a.distance) >= np.abs(b.distance) - 1e-9).all()


def test_index_cut_through_a_face(nominals):
    """Half of a bore, cut where no border is: right on the half, and no nearer than the mesh allows elsewhere."""
    plate = nominals("plate")
    bore = np.flatnonzero(np.isclose(plate.faces.radius, 6.0) & (plate.faces.kind == SurfaceKind.CYLINDER))
    centre = plate.mesh.vertices[plate.mesh.triangles].mean(axis=1)
    half = SurfaceIndex.build(plate, triangles=np.isin(plate.triangle_face, bore) & (centre[:, 0] > 18))
    closest = half.closest(np.array([[23.0, 20.0, 8.0], [13.0, 20.0, 8.0], [22.0, 22.0, 8.0]]))
    assert closest.distance[0] == pytest.approx(1.0, abs=1e-12)
    assert closest.distance[2] == pytest.approx(6 - np.hypot(4, 2), abs=1e-12)
    assert list(closest.on_border) == [False, True, False]
    assert closest.distance[1] == pytest.approx(np.hypot(5, 6), abs=0.35)
