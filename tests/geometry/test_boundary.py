from __future__ import annotations

import numpy as np
import pytest

from runner.geometry.boundary import boundary_half_edges, boundary_loops


def sheet(n: int, m: int) -> np.ndarray:
    """Triangles of an n x m grid of vertices, wound anticlockwise seen from +z (x along rows)."""
    index = np.arange(n * m).reshape(n, m)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    return np.concatenate(
        [np.stack(s, axis=-1).reshape(-1, 3) for s in ((a, b, c), (a, c, d))]
    ).astype(np.int32)  # fmt: skip


def area(points: np.ndarray) -> float:
    """Signed area of a polygon in x, y."""
    x, y = points.T
    return 0.5 * float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())


def test_sheet_with_a_hole_runs_with_the_surface_on_its_left() -> None:
    n = 9
    triangles = sheet(n, n)
    keep = [t for t in range(len(triangles)) if not {n * 4 + 4} & set(triangles[t].tolist())]
    loops = boundary_loops(triangles[keep], n * n)
    assert len(loops) == 2 and loops.closed.all() and loops.non_manifold_edges == 0
    points = np.stack([np.arange(n * n) // n, np.arange(n * n) % n], axis=1).astype(float)
    areas = sorted(area(points[loops.loop(i)]) for i in range(2))
    # The outer loop runs anticlockwise, the hole clockwise: the star of one vertex of a grid has area 3.
    assert areas == [-3.0, 64.0]
    for i in range(2):
        loop = loops.loop(i)
        owners = triangles[keep][loops.triangles[loops.offsets[i] : loops.offsets[i + 1]]]
        for vertex, after, owner in zip(loop, np.roll(loop, -1), owners, strict=True):
            pairs = [(owner[k], owner[(k + 1) % 3]) for k in range(3)]
            assert (vertex, after) in pairs


def test_closed_surface_has_none() -> None:
    tetrahedron = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]], dtype=np.int32)
    loops = boundary_loops(tetrahedron, 4)
    assert len(loops) == 0 and loops.non_manifold_edges == 0


def test_single_triangle_and_no_triangle() -> None:
    loops = boundary_loops(np.array([[5, 2, 7]], dtype=np.int32), 9)
    assert len(loops) == 1 and sorted(loops.loop(0).tolist()) == [2, 5, 7]
    assert len(boundary_loops(np.empty((0, 3), dtype=np.int32), 0)) == 0


def test_two_triangles_touching_in_a_vertex() -> None:
    loops = boundary_loops(np.array([[0, 1, 2], [0, 3, 4]], dtype=np.int32), 5)
    assert loops.closed.all()
    assert sorted(loops.vertices.tolist()) == [0, 0, 1, 2, 3, 4]


def test_three_sheets_on_one_edge_are_counted() -> None:
    fan = np.array([[0, 1, 2], [1, 0, 3], [0, 1, 4]], dtype=np.int32)
    half_edges, odd = boundary_half_edges(fan, 5)
    assert odd == 1 and len(half_edges) == 6
    assert boundary_loops(fan, 5).non_manifold_edges == 1


def test_inconsistent_winding_is_counted_and_all_edges_are_kept() -> None:
    loops = boundary_loops(np.array([[0, 1, 2], [0, 1, 3]], dtype=np.int32), 4)
    assert loops.non_manifold_edges == 1
    edges = sum(len(loops.loop(i)) - (0 if loops.closed[i] else 1) for i in range(len(loops)))
    assert edges == 4


@pytest.mark.parametrize("seed", range(5))
def test_each_edge_once_against_counting(seed: int) -> None:
    """Oracle: a dictionary of edges, on sheets with triangles taken out at random; and libigl's boundary edges."""
    rng = np.random.default_rng(seed)
    triangles = sheet(12, 10)
    triangles = triangles[rng.random(len(triangles)) > 0.3]
    counted: dict[tuple[int, int], int] = {}
    for t in triangles.tolist():
        for k in range(3):
            key = (min(t[k], t[(k + 1) % 3]), max(t[k], t[(k + 1) % 3]))
            counted[key] = counted.get(key, 0) + 1
    expected = {key for key, times in counted.items() if times == 1}
    loops = boundary_loops(triangles, 120)
    found = []
    for i in range(len(loops)):
        loop = loops.loop(i).tolist()
        assert loops.closed[i]
        found += [(min(a, b), max(a, b)) for a, b in zip(loop, [*loop[1:], loop[0]], strict=True)]
    assert len(found) == len(expected) and set(found) == expected
    import igl

    theirs = igl.boundary_facets(triangles.astype(np.int64))
    theirs = theirs[0] if isinstance(theirs, tuple) else theirs
    assert {(min(a, b), max(a, b)) for a, b in np.asarray(theirs).tolist()} == expected
