"""What operators and their machines do to a service that runs: files taken back, shares away, recipes edited."""

from __future__ import annotations

import itertools
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from runner.intake import process, service
from runner.intake.choose import RecipeBook
from runner.intake.health import FOLDER, read_health
from runner.intake.job import Finished, Job
from runner.intake.service import Service, Settings
from runner.intake.submit import Inline
from runner.intake.wake import Wake
from runner.ledger.errors import LedgerError
from runner.ledger.store import Ledger
from tests.intake.test_service import (
    QUICK,
    Held,
    drop,
    in_hand,
    ledger_of,
    names,
    once,
    quick,  # noqa: F401
    reason,
    serials,
    world,  # noqa: F401
)
from tests.studies import stub
from tests.studies.stub import World, measure


def as_it_is(job: Job) -> Finished:
    """Measure as the real thing does: what can't be read is trouble, never an exception."""
    try:
        return measure(job)
    except OSError as error:
        return Finished(job.claim, trouble=str(error))


@contextmanager
def running(world: World, **how: object) -> Iterator[Service]:  # noqa: F811
    """A service at work, until the block ends."""
    wake = Wake()
    how.setdefault("settings", QUICK)
    book = how.pop("book", None)
    made, ledger = world.service("s", wake=wake, **how)  # type: ignore[arg-type]
    made._book = book  # type: ignore[assignment]
    thread = threading.Thread(target=made.run)
    thread.start()
    try:
        yield made
    finally:
        wake.stop()
        thread.join(20)
        ledger.close()
        made._log.close()
        assert not thread.is_alive()


def until(true: Callable[[], object], timeout_s: float = 20.0) -> bool:
    end = time.monotonic() + timeout_s
    while not true() and time.monotonic() < end:
        time.sleep(0.02)
    return bool(true())


def measured(world: World) -> int:  # noqa: F811
    return sum(1 for _ in world.folders.measured.iterdir())


# recipes


def test_a_recipe_that_is_edited_measures_the_next_scan_by_its_new_text(world: World) -> None:  # noqa: F811
    path = world.root / "recipes" / "single.yaml"
    book = RecipeBook(path.parent, quiet_s=0.05)
    world.recipes = book.recipes
    drop(world, "ST-1_1.ply", "accept one")
    with running(world, book=book):
        assert until(lambda: measured(world) == 1)
        stub._FINGERPRINTS.clear()  # the stub remembers recipes; the real thing looks at the file
        path.write_text(path.read_text("utf-8").replace("20 ±0.1", "20 ±0.2"), encoding="utf-8")
        assert until(lambda: '"recipes.read"' in (world.out / FOLDER / "s.log").read_text())
        drop(world, "ST-1_1.ply", "accept one")
        assert until(lambda: measured(world) == 2)
    first, second = ledger_of(world)
    assert first.scans[0].sha256 == second.scans[0].sha256, "the same scan, measured anew and not recognised"
    assert first.provenance.recipe_fingerprint != second.provenance.recipe_fingerprint


def test_a_recipe_that_is_broken_while_the_service_runs_is_told_and_comes_back(world: World) -> None:  # noqa: F811
    path = world.root / "recipes" / "single.yaml"
    text = path.read_text("utf-8")
    book = RecipeBook(path.parent, quiet_s=0.05)
    world.recipes = book.recipes
    with running(world, book=book) as made:
        made.station.broken = book.broken
        path.write_text("recipe: 1\npart: [", encoding="utf-8")
        assert until(lambda: "single.yaml is not usable and left out" in made.trouble())
        drop(world, "ST-1_1.ply", "accept one")
        assert until(lambda: "ST-1_1.ply.reason.txt" in names(world.folders.held))
        assert "left out, because not usable now: single.yaml" in reason(world, "ST-1_1.ply")
        path.write_text(text, encoding="utf-8")
        assert until(lambda: made.trouble() == ())
        drop(world, "ST-1_2.ply", "accept two")
        assert until(lambda: measured(world) == 1)
    assert serials(world) == ["2"]


# files that go


def test_a_scan_that_is_deleted_while_it_is_hashed_is_told_and_holds_nothing_up(world: World, monkeypatch) -> None:  # noqa: F811
    monkeypatch.setattr(process, "HASH_BYTES", 100)
    drop(world, "ST-1_1.ply", b"accept one " + b"x" * 1000)
    drop(world, "ST-1_2.ply", "accept two")
    made, ledger = world.service("s", submit=Inline(as_it_is), settings=QUICK)

    def delete() -> None:
        for path in world.folders.measuring.rglob("ST-1_1.ply"):
            path.unlink()

    made.station.alive = delete
    made.run(once=True)
    ledger.close()
    assert serials(world) == ["2"] and not in_hand(world) and not made.left
    assert "ST-1_1.ply was taken away while it was in hand" in reason(world, "ST-1_1.ply")
    assert names(world.folders.held) == {"ST-1_1.ply.reason.txt"} and made.trouble() == ()


def test_a_scan_that_is_deleted_while_it_is_measured_gives_no_inspection(world: World) -> None:  # noqa: F811
    drop(world, "ST-1_1.ply", "accept one")

    def measure_then_delete(job: Job) -> Finished:
        answer = measure(job)
        job.scans[0].unlink()
        return answer

    _, made = once(world, submit=Inline(measure_then_delete))
    assert not ledger_of(world) and not in_hand(world) and not made.left
    assert "was taken away while it was in hand" in reason(world, "ST-1_1.ply")
    assert not list((world.out / FOLDER / "work").iterdir()), "evidence of what is not there"


def test_a_scan_that_is_deleted_between_two_runs_is_told_though_it_was_measured(world: World, monkeypatch) -> None:  # noqa: F811
    """What was measured before a stop is committed after it, if the scan is still the one that was measured."""
    drop(world, "ST-1_1.ply", "accept one")

    def locked(*_: object, **__: object) -> None:
        raise LedgerError("database is locked")

    with monkeypatch.context() as patched:
        patched.setattr(Ledger, "record", locked)
        once(world, settings=Settings(poll_s=0.05, quiet_s=0.01, patience_s=0.05, once_patience_s=0.2))
    assert list((world.out / FOLDER / "work").glob("*/1/*/inspections/*.json")), "it was measured"
    next(world.folders.measuring.rglob("ST-1_1.ply")).unlink()
    _, made = once(world)
    assert not ledger_of(world) and not in_hand(world) and not made.left
    assert "was taken away while it was in hand" in reason(world, "ST-1_1.ply")


def test_a_scan_that_nobody_may_read_is_held_and_the_others_go_on(world: World, monkeypatch) -> None:  # noqa: F811
    """Refused by the test itself: whoever runs the tests as the system's own user may read everything."""
    real_open, real_path_open = os.open, Path.open

    def open_(path, *how, **more):
        if str(path).endswith("_locked.ply"):
            raise PermissionError(13, "Permission denied", str(path))
        return real_open(path, *how, **more)

    def path_open(self, *how, **more):
        if self.name.endswith("_locked.ply"):
            raise PermissionError(13, "Permission denied", str(self))
        return real_path_open(self, *how, **more)

    drop(world, "ST-1_locked.ply", "accept one")
    drop(world, "ST-1_2.ply", "accept two")
    monkeypatch.setattr(os, "open", open_)
    monkeypatch.setattr(Path, "open", path_open)
    with running(world) as made:
        assert until(lambda: any("can't be opened: Permission denied" in text for text in made.trouble()))
        assert until(lambda: "ST-1_locked.ply" in names(world.folders.held) and measured(world) == 1)
        assert until(lambda: made.trouble() == ())
    assert serials(world) == ["2"] and "can't be read: permission denied" in reason(world, "ST-1_locked.ply")


# shares that go


def test_an_incoming_folder_that_vanishes_is_told_and_taken_up_again(world: World) -> None:  # noqa: F811
    incoming = world.folders.incoming
    with running(world) as made:
        drop(world, "ST-1_1.ply", "accept one")
        assert until(lambda: measured(world) == 1)
        incoming.rename(world.root / "away")
        assert until(lambda: any("the incoming folder can't be read" in text for text in made.trouble()))
        assert until(
            lambda: any("can't be read" in t for beat in read_health(world.out / FOLDER) for t in beat.trouble)
        )
        (world.root / "away" / "ST-1_2.ply").write_text("accept two")
        (world.root / "away").rename(incoming)
        assert until(lambda: measured(world) == 2 and made.trouble() == ())
    assert serials(world) == ["1", "2"]


def test_a_share_that_drops_out_with_a_scan_in_hand_costs_nothing_but_time(world: World, monkeypatch) -> None:  # noqa: F811
    monkeypatch.setattr(service, "LOOK_AROUND_S", 0.1)
    submit = Held()
    with running(world, submit=submit) as made:
        drop(world, "ST-1_1.ply", "accept one")
        drop(world, "ST-1_2.ply", "accept two")
        assert until(lambda: submit._jobs)
        submit._measure = as_it_is
        world.folders.root.rename(world.root / "away")
        submit.open.set()
        assert until(lambda: any("waits, and is tried again" in text for text in made.trouble()))
        assert until(lambda: any("the incoming folder can't be read" in text for text in made.trouble()))
        (world.root / "away").rename(world.folders.root)
        assert until(lambda: measured(world) == 2 and made.trouble() == ())
    assert serials(world) == ["1", "2"] and not in_hand(world) and not names(world.folders.held)


# the clock


def test_a_clock_that_is_set_back_stops_nothing(world: World, monkeypatch) -> None:  # noqa: F811
    """Times are told as the clock tells them; order and waiting don't go by it."""
    drop(world, "ST-1_1.ply", "reject one")
    once(world)
    real = time.time
    monkeypatch.setattr(time, "time", lambda: real() - 90_000.0)
    for module in ("runner.intake.claim", "runner.intake.service", "tests.studies.stub"):
        monkeypatch.setattr(f"{module}.utc_now", lambda: "2001-01-01T00:00:00.000Z")
    monkeypatch.setattr(Ledger.open.__func__, "__kwdefaults__", {"clock": lambda: "2001-01-01T00:00:00.000Z"})
    drop(world, "ST-1_1.ply", "accept again")
    os.utime(world.folders.incoming / "ST-1_1.ply", (real() + 90_000.0,) * 2)
    once(world)
    with Ledger.open(world.out / "ledger.db") as ledger:
        assert ledger.verify().ok
        (piece,) = ledger.standing("ST-1")
    assert [(a.number, a.inspection.outcome.value) for a in piece.attempts] == [(1, "reject"), (2, "accept")]
    assert piece.attempts[1].created_utc < piece.attempts[0].created_utc


# very many


@pytest.mark.slow
def test_a_thousand_files_at_once_come_through_and_the_heart_goes_on_beating(world: World) -> None:  # noqa: F811
    for k in range(1000):
        drop(world, f"ST-1_{k:04d}.ply" if k % 10 else f"misfit {k}.ply", f"accept {k}")
    beats: list[float] = []
    most_waiting = [0]
    with running(world, settings=Settings(poll_s=0.2, quiet_s=0.05, patience_s=1.0)) as made:
        seen = ""
        while names(world.folders.incoming) or in_hand(world):
            for beat in read_health(world.out / FOLDER):
                most_waiting[0] = max(most_waiting[0], beat.waiting)
                if beat.beat_utc != seen:
                    seen = beat.beat_utc
                    beats.append(time.monotonic())
            time.sleep(0.1)
        assert made.trouble() == ()
    assert len(serials(world)) == 900 and len(set(serials(world))) == 900
    assert sum(1 for name in names(world.folders.held) if name.endswith(".ply")) == 100
    assert most_waiting[0] > 500 and max(b - a for a, b in itertools.pairwise(beats)) < 15.0
