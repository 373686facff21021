"""Union-find, for kernels: sets of numbers, each named by its lowest one."""

from __future__ import annotations

from typing import Any

from runner.geometry.jit import kernel


@kernel(borrows=True)
def first_of(parent: Any, a: Any) -> Any:
    """Return the lowest number of the set that ``a`` belongs to, shortening the way there."""
    while parent[a] != a:
        parent[a] = parent[parent[a]]
        a = parent[a]
    return a


@kernel(borrows=True)
def unite(parent: Any, a: Any, b: Any) -> None:
    """Make one set of those that ``a`` and ``b`` belong to."""
    one, other = first_of(parent, a), first_of(parent, b)
    # the lower number names the set, so that names come in order
    if one < other:
        parent[other] = one
    else:
        parent[one] = other
