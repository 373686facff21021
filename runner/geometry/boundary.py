"""Where a mesh ends: edges that belong to one triangle only, joined to loops."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.jit import kernel
from runner.geometry.mesh import Ints


@dataclass(frozen=True, eq=False)
class BoundaryLoops:
    """Boundary of a mesh as chains of vertices, in the direction in which their triangles run along them.

    The surface lies to the left of the chain, seen against the normal's direction (from outside the material).
    """

    vertices: Ints
    """Vertices of all chains, one after another. A closed chain does not repeat its first vertex."""
    triangles: Ints
    """Per entry of ``vertices``: the triangle along the edge from there to the next (-1 at an open chain's end)."""
    offsets: NDArray[np.int64]
    """(L + 1,) chain l is ``vertices[offsets[l]:offsets[l + 1]]``."""
    closed: NDArray[np.bool_]
    """(L,) False where a chain ends, which only happens when triangles are wound inconsistently."""
    non_manifold_edges: int
    """Edges with more than two triangles, or with two that run the same way; they bound nothing here."""

    def __len__(self) -> int:
        """Number of chains."""
        return len(self.offsets) - 1

    def loop(self, number: int) -> Ints:
        """Vertices of one chain."""
        return self.vertices[self.offsets[number] : self.offsets[number + 1]]


@kernel
def _buckets(triangles: Any, count: int) -> tuple[Any, Any]:
    """Edges sorted by their lower vertex: offsets per vertex, and 3 t + side of each edge."""
    offsets = np.zeros(count + 1, dtype=np.int64)
    for t in range(len(triangles)):
        for s in range(3):
            a, b = triangles[t, s], triangles[t, (s + 1) % 3]
            offsets[min(a, b) + 1] += 1
    for v in range(count):
        offsets[v + 1] += offsets[v]
    fill = offsets[:-1].copy()
    edges = np.empty(offsets[count], dtype=np.int64)
    for t in range(len(triangles)):
        for s in range(3):
            a, b = triangles[t, s], triangles[t, (s + 1) % 3]
            low = min(a, b)
            edges[fill[low]] = 3 * t + s
            fill[low] += 1
    return offsets, edges


@kernel
def _boundary_edges(triangles: Any, offsets: Any, edges: Any, found: Any) -> tuple[int, int]:
    """Mark half-edges without partner in ``found`` (3 t + side); returns how many, and the non-manifold edges."""
    count = 0
    odd = 0
    for v in range(len(offsets) - 1):
        for e in range(offsets[v], offsets[v + 1]):
            t, s = edges[e] // 3, edges[e] % 3
            a, b = triangles[t, s], triangles[t, (s + 1) % 3]
            other = max(a, b)
            same = opposite = 0
            first = True
            for f in range(offsets[v], offsets[v + 1]):
                u, r = edges[f] // 3, edges[f] % 3
                c, d = triangles[u, r], triangles[u, (r + 1) % 3]
                if max(c, d) != other:
                    continue
                if f < e:
                    first = False
                if c == a:
                    same += 1
                else:
                    opposite += 1
            if same == 1 and opposite == 0:
                found[count] = edges[e]
                count += 1
            elif first and not (same == 1 and opposite == 1):
                odd += 1
    return count, odd


@kernel
def _chain(
    triangles: Any, half_edges: Any, start_of: Any, follow: Any, vertices: Any, owners: Any, offsets: Any, closed: Any
) -> tuple[int, int]:
    """Walk the half-edges; ``start_of[v]`` is the first in a list (``follow``) of half-edges that leave v."""
    used = np.zeros(len(half_edges), dtype=np.bool_)
    has_entry = np.zeros(len(start_of), dtype=np.int64)
    for e in range(len(half_edges)):
        t, s = half_edges[e] // 3, half_edges[e] % 3
        has_entry[triangles[t, (s + 1) % 3]] += 1
        has_entry[triangles[t, s]] -= 1
    filled = 0
    loops = 0
    # First the chains that begin somewhere (more edges leave than arrive), then the closed ones.
    for turn in range(2):
        for e in range(len(half_edges)):
            if used[e]:
                continue
            first = triangles[half_edges[e] // 3, half_edges[e] % 3]
            if turn == 0 and has_entry[first] >= 0:
                continue
            if turn == 0:
                has_entry[first] += 1
            current = e
            vertex = first
            is_closed = False
            while True:
                used[current] = True
                t, s = half_edges[current] // 3, half_edges[current] % 3
                vertices[filled] = vertex
                owners[filled] = t
                filled += 1
                vertex = triangles[t, (s + 1) % 3]
                if vertex == first and turn == 1:
                    is_closed = True
                    break
                current = start_of[vertex]
                while current >= 0 and used[current]:
                    current = follow[current]
                start_of[vertex] = current
                if current < 0:
                    break
            if not is_closed:
                vertices[filled] = vertex
                owners[filled] = -1
                filled += 1
                has_entry[vertex] -= 1
            closed[loops] = is_closed
            loops += 1
            offsets[loops] = filled
    return loops, filled


def boundary_half_edges(triangles: Ints, vertex_count: int) -> tuple[NDArray[np.int64], int]:
    """Half-edges (``3 * triangle + side``) without a partner, and the number of non-manifold edges."""
    offsets, edges = _buckets(triangles, vertex_count)
    found = np.empty(len(edges), dtype=np.int64)
    count, odd = _boundary_edges(triangles, offsets, edges, found)
    return np.sort(found[:count]), int(odd)


def boundary_loops(triangles: Ints, vertex_count: int) -> BoundaryLoops:
    """Boundary of a welded mesh.

    Where two loops touch in a vertex they are split there in some way; each half-edge is in exactly one chain.

    Parameters
    ----------
    triangles
        (m, 3) indices below ``vertex_count``.
    """
    half_edges, odd = boundary_half_edges(triangles, vertex_count)
    count = len(half_edges)
    start_of = np.full(vertex_count, -1, dtype=np.int64)
    follow = np.full(count, -1, dtype=np.int64)
    if count:
        leaving = triangles[half_edges // 3, half_edges % 3]
        _link(leaving, start_of, follow)
    vertices = np.empty(2 * count, dtype=np.int32)
    owners = np.empty(2 * count, dtype=np.int32)
    offsets = np.zeros(count + 1, dtype=np.int64)
    closed = np.zeros(count, dtype=np.bool_)
    loops, filled = _chain(triangles, half_edges, start_of, follow, vertices, owners, offsets, closed)
    return BoundaryLoops(vertices[:filled], owners[:filled], offsets[: loops + 1], closed[:loops], odd)


@kernel
def _link(leaving: Any, start_of: Any, follow: Any) -> None:
    """List of half-edges per vertex they leave, lowest first."""
    for e in range(len(leaving) - 1, -1, -1):
        follow[e] = start_of[leaving[e]]
        start_of[leaving[e]] = e
