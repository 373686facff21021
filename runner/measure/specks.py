"""Isolated points: the only ones that are ever rejected, since a rejected burr would be a lie."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats, Ints
from runner.measure.cells import Cells, make_cells
from runner.measure.company import company, islands

REACH = 2.5
"""A point is isolated when hardly another one lies within this many point spacings."""
LEAST_COMPANY = 2
"""Other points that must lie within reach."""
LARGEST_GROUP = 5
"""A group of so few points with nothing within reach around it is a speck as well."""
ISLAND_GAP = 1.0
"""A mesh island of so few points is a speck when every other point is farther from it than this many spacings: what
belongs to a surface is joined to it, or lies where its neighbours end."""
SAME_WAY = 0.5
"""Cosine of 60 degrees: an island across the surface is no part of it."""
LONE_GAP = 1.8
"""A point without any other within this many spacings, over surface that is seen densely, is isolated."""
THIN_SURFACE = 8
"""With so many other points of little company near by (3 reaches), it is no speck but a surface seen thinly."""


def isolated(points: Floats, spacing: float) -> NDArray[np.bool_]:
    """Return which points (n,) are isolated, seen by themselves: see ``find_specks``."""
    if not len(points) or spacing <= 0:
        return np.zeros(len(points), dtype=bool)
    return find_specks(points, make_cells(points), spacing)


def find_specks(
    points: Floats, cells: Cells, spacing: float, triangles: Ints | None = None, normals: Floats | None = None
) -> NDArray[np.bool_]:
    """Return which points (n,) are specks: alone, or up to five together with nothing around them.

    Points of a cloud, and points of a mesh without a triangle: fewer than two others within 2.5 spacings, or none
    within 1.8, or a group of up to five that no other point comes within 2.5 spacings of. Points of a mesh: an island
    of up to five that no other point facing its way comes within one spacing of. A burr, however small, hangs on the
    surface and stays; so does the surface beside a gap, and a surface that is seen thinly (eight or more such
    points together).

    Parameters
    ----------
    points, cells
        (n, 3) mm and their grid.
    spacing
        mm, root of the area per point.
    triangles
        (m, 3) of a mesh, or None.
    normals
        (n, 3) unit, of a mesh's points.
    """
    none = np.zeros(len(points), dtype=bool)
    if not len(points) or spacing <= 0:
        return none
    if triangles is not None and len(triangles):
        group, member, thin = _mesh_groups(points, triangles, normals, spacing)
        loose = np.ones(len(points), dtype=bool)
        loose[triangles.ravel()] = False
    else:
        group = member = thin = np.zeros(0, dtype=np.int64)
        loose = ~none
    if loose.any():
        more_group, more, more_thin = _cloud_groups(points, cells, spacing, loose)
        group = np.concatenate([group, more_group + len(points)])
        member, thin = np.concatenate([member, more]), np.concatenate([thin, more_thin])
    result = none
    result[_without_thin_surfaces(points, group, member, thin, spacing)] = True
    return result


def facing_nobody(points: Floats, normals: Floats, asked: NDArray[np.int64], spacing: float) -> NDArray[np.bool_]:
    """Return which of the points ``asked`` (k,) have fewer than two others within 2.5 spacings that face their way.

    Such a normal is that of no surface: a point that carries it belongs to none, however near to one it lies.
    """
    from scipy.spatial import cKDTree

    if not len(asked) or spacing <= 0:
        return np.zeros(len(asked), dtype=bool)
    reach = REACH * spacing
    around = _near(points, asked, reach)
    tree = cKDTree(points[around])
    few = min(8, len(around))
    row = np.atleast_2d(tree.query(points[asked], k=few, distance_upper_bound=reach)[1]).reshape(len(asked), few)
    known = row < len(around)
    other = around[np.where(known, row, 0)]
    same = known & (other != asked[:, None])
    same &= np.einsum("ijk,ik->ij", normals[other], normals[asked]) >= SAME_WAY
    alone = same.sum(axis=1) < LEAST_COMPANY
    # eight neighbours may not be all: the few that are left are asked in full
    for k in np.flatnonzero(alone & known.all(axis=1)):
        near = around[tree.query_ball_point(points[asked[k]], reach)]
        alone[k] = np.sum(normals[near] @ normals[asked[k]] >= SAME_WAY) - 1 < LEAST_COMPANY
    return alone


def _mesh_groups(
    points: Floats, triangles: Ints, normals: Floats | None, spacing: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Groups: (number of the group, point) of tiny islands that stand alone, and all points of tiny islands."""
    from scipy.spatial import cKDTree

    root = islands(triangles, len(points))
    size = np.bincount(root, minlength=len(points))
    tiny = np.flatnonzero((size[root] <= LARGEST_GROUP) & (size[root] > 1))
    none = np.zeros(0, dtype=np.int64)
    if not len(tiny):
        return none, none, none
    gap = ISLAND_GAP * spacing
    around = _near(points, tiny, gap)
    tree = cKDTree(points[around])
    joined = []
    for point, found in zip(tiny, tree.query_ball_point(points[tiny], gap), strict=True):
        near = around[found]
        near = near[root[near] != root[point]]
        if normals is not None and len(near):
            near = near[normals[near] @ normals[point] >= SAME_WAY]
        if len(near):
            joined.append(root[point])
    alone = tiny[~np.isin(root[tiny], np.array(joined, dtype=np.int64))]
    return root[alone].astype(np.int64), alone, tiny


def _near(points: Floats, asked: NDArray[np.int64], reach: float) -> NDArray[np.int64]:
    """Rows of the points in the same or neighbouring cubes as those asked about."""
    index = np.floor((points - points.min(axis=0)) / max(reach, 1e-9)).astype(np.int64) + 1
    shape = index.max(axis=0) + 2
    if float(shape[0]) * float(shape[1]) * float(shape[2]) > 2.0**62:
        return np.arange(len(points))
    key = (index[:, 0] * shape[1] + index[:, 1]) * shape[2] + index[:, 2]
    step = np.array(
        [(dx * shape[1] + dy) * shape[2] + dz for dx in (-1, 0, 1) for dy in (-1, 0, 1) for dz in (-1, 0, 1)]
    )
    wanted = np.unique(key[asked][:, None] + step)
    return np.flatnonzero(wanted[np.minimum(np.searchsorted(wanted, key), len(wanted) - 1)] == key)


def _cloud_groups(
    points: Floats, cells: Cells, spacing: float, loose: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Groups: (number of the group, point) of points with hardly any company, and all points with little of it."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    reach = REACH * spacing
    others = company(points, cells, reach, LARGEST_GROUP)
    lone = company(points, cells, LONE_GAP * spacing, 1) == 0
    thin = np.flatnonzero((others < LARGEST_GROUP) & loose)
    if not len(thin):
        thin_group, small = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool)
    else:
        pairs = cKDTree(points[thin]).query_pairs(reach, output_type="ndarray")
        graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(thin), len(thin)))
        thin_group = connected_components(graph, directed=False)[1].astype(np.int64)
        inside = np.bincount(pairs.ravel(), minlength=len(thin))
        # whoever has a neighbour outside these thin points ties its whole group to the surface
        tied = np.bincount(thin_group, weights=others[thin] > inside) > 0
        small = ((np.bincount(thin_group) <= LARGEST_GROUP) & ~tied)[thin_group]
    chosen = small | (others[thin] < LEAST_COMPANY) | lone[thin]
    rest = np.flatnonzero(lone & loose & (others >= LARGEST_GROUP))
    group = np.concatenate([thin_group[chosen], len(thin) + np.arange(len(rest))])
    return group, np.concatenate([thin[chosen], rest]), np.concatenate([thin, rest])


def _without_thin_surfaces(
    points: Floats,
    group: NDArray[np.int64],
    member: NDArray[np.int64],
    thin: NDArray[np.int64],
    spacing: float,
) -> NDArray[np.int64]:
    """Keep of the members of groups those whose group has few points with little company around it."""
    from scipy.spatial import cKDTree

    if not len(member):
        return member
    _, number = np.unique(group, return_inverse=True)
    number = number.reshape(-1)
    near = cKDTree(points[thin]).query_ball_point(points[member], 3.0 * REACH * spacing, return_length=True)
    others = np.asarray(near) - np.bincount(number)[number]
    dense = np.zeros(int(number.max()) + 1, dtype=bool)
    dense[number[others >= THIN_SURFACE]] = True
    return member[~dense[number]]
