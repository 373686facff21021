"""Blocks of work on several threads: each item once, nothing left out, no exception lost."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from runner.geometry.blocks import run_blocks


@pytest.mark.parametrize("threads", [1, 2, 5])
@pytest.mark.parametrize("count", [0, 1, 7, 8, 15, 16, 17, 1000, 40_001])
def test_each_item_is_done_once_in_blocks_that_start_at_multiples(monkeypatch, threads, count):
    monkeypatch.setenv("NUMBA_NUM_THREADS", str(threads))
    done = np.zeros(count, dtype=int)
    starts = []

    def kernel(start, end, into, add):
        starts.append(start)
        into[start:end] += add

    run_blocks(kernel, count, done, 3, block=8)
    assert (done == 3).all()
    assert all(start % 8 == 0 for start in starts)


@pytest.mark.parametrize("bad", [0, 500, 992])
def test_an_exception_in_any_block_comes_out_and_no_thread_goes_on_behind_it(monkeypatch, bad):
    monkeypatch.setenv("NUMBA_NUM_THREADS", "3")
    running = []

    def kernel(start, end):
        running.append(threading.get_ident())
        if start <= bad < end:
            raise ValueError(f"at {start}")
        running.pop()

    with pytest.raises(ValueError, match="at "):
        run_blocks(kernel, 1000, block=4)
    assert len(running) == 1
