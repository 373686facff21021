from __future__ import annotations

import multiprocessing
import sys
from pathlib import Path

import numpy as np
import pytest

from runner.nominal.cache import ArrayCache, default_folder


def arrays():
    return {
        "points": np.arange(12, dtype=np.float64).reshape(4, 3),
        "none": np.zeros((0, 3)),
        "flags": np.array([True, False]),
        "small": np.array([1, 2], dtype=np.uint8),
    }


def counting():
    calls = []

    def make():
        calls.append(1)
        return arrays()

    return calls, make


def same(found):
    expected = arrays()
    assert list(found) == list(expected)
    for name, array in expected.items():
        assert found[name].dtype == array.dtype and found[name].shape == array.shape
        assert (found[name] == array).all()


def test_made_once_and_read_back(tmp_path):
    calls, make = counting()
    same(ArrayCache(tmp_path).get("key", make))
    same(ArrayCache(tmp_path).get("key", make))
    assert len(calls) == 1
    ArrayCache(tmp_path).get("another key", make)
    assert len(calls) == 2
    assert not list(tmp_path.rglob(".new-*"))


def test_writing_to_an_answer_changes_nothing(tmp_path):
    _, make = counting()
    ArrayCache(tmp_path).get("key", make)
    found = ArrayCache(tmp_path).get("key", make)
    found["points"][:] = -1
    same(ArrayCache(tmp_path).get("key", make))


def entry_files(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*") if p.is_file() and p.suffix in (".npy", ".json"))


@pytest.mark.parametrize("number", range(5))
@pytest.mark.parametrize("damage", ["cut", "empty", "gone", "other"])
def test_damaged_entry_is_made_again(tmp_path, number, damage):
    calls, make = counting()
    ArrayCache(tmp_path).get("key", make)
    files = entry_files(tmp_path)
    assert len(files) == 5
    victim = files[number]
    if damage == "cut":
        victim.write_bytes(victim.read_bytes()[:-1])
    elif damage == "empty":
        victim.write_bytes(b"")
    elif damage == "gone":
        victim.unlink()
    else:
        np.save(victim.open("wb"), np.zeros(7, dtype=np.int16))
    same(ArrayCache(tmp_path).get("key", make))
    if not (damage == "cut" and victim.stat().st_size == 0):
        same(ArrayCache(tmp_path).get("key", make))
    # an array without elements has no bytes to lose: cutting its header is damage too, so always made again
    assert len(calls) == 2


def test_no_pickles_are_read(tmp_path):
    calls, make = counting()
    ArrayCache(tmp_path).get("key", make)
    np.save(entry_files(tmp_path)[0].open("wb"), np.array([{"a": 1}], dtype=object), allow_pickle=True)
    same(ArrayCache(tmp_path).get("key", make))
    assert len(calls) == 2


def test_unwritable_folder_is_done_without(tmp_path):
    blocked = tmp_path / "a file"
    blocked.write_text("not a folder")
    calls, make = counting()
    same(ArrayCache(blocked).get("key", make))
    same(ArrayCache(blocked).get("key", make))
    assert len(calls) == 2


def test_error_while_making_comes_out_and_leaves_nothing(tmp_path):
    def fail():
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        ArrayCache(tmp_path).get("key", fail)
    calls, make = counting()
    same(ArrayCache(tmp_path).get("key", make))
    assert calls == [1]


def test_default_folder_follows_the_environment(monkeypatch, tmp_path):
    monkeypatch.setenv("RUNNER_CACHE", str(tmp_path))
    assert default_folder() == tmp_path
    monkeypatch.delenv("RUNNER_CACHE")
    assert default_folder().name == "recipe-runner"


def _work(folder: str, log: str, barrier) -> None:
    def make():
        with Path(log).open("a") as file:
            file.write("made\n")
        # long enough for the others to arrive at the lock: they all passed the barrier
        return {"a": np.random.default_rng(0).random((400, 400)).cumsum(axis=0)}

    barrier.wait()
    ArrayCache(Path(folder)).get("key", make)


def _die_holding_the_lock(folder: str) -> None:
    import os

    ArrayCache(Path(folder)).get("key", lambda: os._exit(9))


@pytest.mark.skipif(sys.platform == "win32", reason="starts processes by path of this test module")
def test_processes_do_the_work_once_and_a_dead_one_leaves_no_lock(tmp_path):
    context = multiprocessing.get_context("spawn")
    dying = context.Process(target=_die_holding_the_lock, args=(str(tmp_path),))
    dying.start()
    dying.join(60)
    assert dying.exitcode == 9
    log = tmp_path / "log"
    barrier = context.Barrier(3)
    workers = [context.Process(target=_work, args=(str(tmp_path), str(log), barrier)) for _ in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
        assert worker.exitcode == 0
    assert log.read_text() == "made\n"
