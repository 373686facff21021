"""Blocks of work on several threads: each item once, nothing left out, no exception lost."""

from __future__ import annotations

import threading
from functools import partial

import numpy as np
import pytest

from runner.geometry.blocks import run_blocks, side_by_side


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


@pytest.mark.parametrize("threads", [1, 2, 5])
def test_steps_side_by_side_give_their_results_in_order(monkeypatch, threads):
    monkeypatch.setenv("NUMBA_NUM_THREADS", str(threads))
    assert side_by_side(*(partial(pow, k, 2) for k in range(7))) == [k * k for k in range(7)]
    assert side_by_side() == []


def test_two_steps_run_at_the_same_time(monkeypatch):
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")
    both = threading.Barrier(2, timeout=30)
    assert sorted(side_by_side(both.wait, both.wait)) == [0, 1]


def test_steps_within_steps_and_blocks_within_them_end(monkeypatch):
    """More steps than threads, each with steps and blocks of its own: none may wait for a thread that waits for it."""
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")

    def total(count):
        done = np.zeros(count)

        def kernel(start, end):
            done[start:end] += 1

        run_blocks(kernel, count, block=4)
        return int(done.sum())

    def inner(k):
        return sum(side_by_side(*(partial(total, 100 * k + j) for j in range(4))))

    ended = []
    thread = threading.Thread(target=lambda: ended.append(side_by_side(*(partial(inner, k) for k in range(8)))))
    thread.daemon = True
    thread.start()
    thread.join(60)
    assert ended == [[400 * k + 6 for k in range(8)]]


@pytest.mark.parametrize("bad", range(3))
def test_an_exception_in_any_step_comes_out(monkeypatch, bad):
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")

    def step(k):
        if k == bad:
            raise ValueError(f"at {k}")

    with pytest.raises(ValueError, match=f"at {bad}"):
        side_by_side(*(partial(step, k) for k in range(3)))
