"""Run a compiled kernel over blocks of fixed size on several threads.

Kernels release the interpreter lock, so plain threads do; compiled parallel loops can't take records of arrays, and
their thread layers forbid several calling threads. What a block computes never depends on the number of threads.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, wait
from typing import Any

BLOCK = 512
"""Items per block."""
LIGHT_BLOCK = 4096
"""The same where an item takes some nanoseconds."""
_BLOCKS_AT_ONCE = 32
_POOLS: dict[tuple[int, int], ThreadPoolExecutor] = {}
"""Idle threads by process and number: a call takes milliseconds, starting threads for each one would cost as much."""
_STARTING = threading.Lock()


def thread_count() -> int:
    """Threads to use: NUMBA_NUM_THREADS when set (workers share the cores), otherwise the cores of this process."""
    stated = os.environ.get("NUMBA_NUM_THREADS", "")
    if stated.isdigit() and int(stated) > 0:
        return int(stated)
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run_blocks(kernel: Callable[..., None], count: int, *arguments: Any, block: int = BLOCK) -> None:
    """Call ``kernel(start, end, *arguments)`` for ranges that cover 0 to ``count`` and start at multiples of ``block``.

    ``block`` is how many items are worth a thread's while: the default suits work of a microsecond each.
    """
    threads = thread_count()
    if threads == 1 or count < 2 * block:
        kernel(0, count, *arguments)
        return
    step = block * min(_BLOCKS_AT_ONCE, max(1, count // (4 * threads * block)))
    starts = iter(range(0, count, step))

    def work() -> None:
        # whoever is free takes the next part; the interpreter's lock lets one at a time take it
        for start in starts:
            kernel(start, min(start + step, count), *arguments)

    _share(work, min(threads, -(-count // step)) - 1, threads)


def side_by_side(*calls: Callable[[], Any]) -> list[Any]:
    """Return what each of some calls returns, made on several threads where there are more cores than one.

    For steps that don't depend on each other and are NumPy's for the most part, which lets go of the interpreter.
    """
    threads = thread_count()
    results: list[Any] = [None] * len(calls)
    numbers = iter(range(len(calls)))

    def work() -> None:
        for number in numbers:
            results[number] = calls[number]()

    _share(work, min(threads, len(calls)) - 1, threads)
    return results


def _share(work: Callable[[], None], others: int, threads: int) -> None:
    """Call ``work`` here and on some ``others`` of the idle threads; return when all have ended."""
    helpers = [_pool(threads).submit(work) for _ in range(others)]
    try:
        work()
    finally:
        # nothing is left for one that no thread has taken up; to wait for it could be to wait for oneself
        started = [helper for helper in helpers if not helper.cancel()]
        wait(started)
    for helper in started:
        # an exception in a thread comes out here
        helper.result()


def _pool(threads: int) -> ThreadPoolExecutor:
    """The threads of this process; a forked child has none of its parent's and starts its own."""
    key = (os.getpid(), threads)
    pool = _POOLS.get(key)
    if pool is None:
        with _STARTING:
            pool = _POOLS.get(key)
            if pool is None:
                pool = _POOLS[key] = ThreadPoolExecutor(max_workers=threads, thread_name_prefix="runner-block")
    return pool
