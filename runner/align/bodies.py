"""Which points hang together, from pairs of neighbours."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.jit import kernel


def bodies(pairs: NDArray[np.intp], count: int) -> NDArray[np.int32]:
    """Return for each of ``count`` points the number of its body, in order of first points; ``pairs`` (k, 2) touch.

    What SciPy's ``connected_components`` gives, without the sparse matrices that it wants to have made and transposed.
    """
    return np.asarray(_bodies(np.ascontiguousarray(pairs), count))


@kernel
def _bodies(pairs: Any, count: Any) -> Any:
    parent = np.arange(count)
    for k in range(len(pairs)):
        a, b = pairs[k, 0], pairs[k, 1]
        while parent[a] != a:
            parent[a] = parent[parent[a]]
            a = parent[a]
        while parent[b] != b:
            parent[b] = parent[parent[b]]
            b = parent[b]
        # the lower number is the root, so that roots come in order
        if a < b:
            parent[b] = a
        else:
            parent[a] = b
    number = np.empty(count, dtype=np.int32)
    found = 0
    for i in range(count):
        root = i
        while parent[root] != root:
            root = parent[root]
        if root == i:
            number[i] = found
            found += 1
        else:
            number[i] = number[root]
    return number
