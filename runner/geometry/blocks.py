"""Run a compiled kernel over blocks of fixed size on several threads.

Kernels release the interpreter lock, so plain threads do; compiled parallel loops can't take records of arrays, and
their thread layers forbid several calling threads. What a block computes never depends on the number of threads.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import repeat
from typing import Any

BLOCK = 512
"""Items per block."""
_BLOCKS_AT_ONCE = 32


def thread_count() -> int:
    """Threads to use: NUMBA_NUM_THREADS when set (workers share the cores), otherwise the cores of this process."""
    stated = os.environ.get("NUMBA_NUM_THREADS", "")
    if stated.isdigit() and int(stated) > 0:
        return int(stated)
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run_blocks(kernel: Callable[..., None], count: int, *arguments: Any) -> None:
    """Call ``kernel(start, end, *arguments)`` for ranges that cover 0 to ``count`` and start at multiples of BLOCK."""
    threads = thread_count()
    if threads == 1 or count <= 2 * BLOCK:
        kernel(0, count, *arguments)
        return
    step = BLOCK * min(_BLOCKS_AT_ONCE, max(1, count // (4 * threads * BLOCK)))
    starts = range(0, count, step)
    ends = [min(start + step, count) for start in starts]
    with ThreadPoolExecutor(max_workers=threads) as pool:
        # list() so that an exception in a thread comes out here
        list(pool.map(kernel, starts, ends, *(repeat(argument) for argument in arguments)))
