"""How long a set of scans waits: whatever becomes of the clock, and from one run of the service to the next."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from runner.intake.health import WaitingSet
from runner.intake.sets import Sorted, Waiting
from tests.studies.stub import World

NOON = datetime(2031, 5, 2, 12, 0, tzinfo=UTC)


class Clocks:
    """The steady clock and the time of day, which a person may set."""

    def __init__(self) -> None:
        self.steady, self.day = 500.0, NOON

    def pass_by(self, seconds: float) -> None:
        self.steady += seconds
        self.day += timedelta(seconds=seconds)


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


def waiting(clocks: Clocks, wait_s: float = 600.0) -> Waiting:
    return Waiting(wait_s, now=lambda: clocks.day, clock=lambda: clocks.steady)


def look(world: World, sets: Waiting) -> Sorted:
    files = sorted(world.folders.incoming.iterdir())
    return sets.sort(files, files, world.recipes)


def drop(world: World, name: str) -> None:
    (world.folders.incoming / name).write_text(name)


def test_a_set_is_late_when_its_time_is_over_and_not_before(world: World, clocks: Clocks) -> None:
    drop(world, "ST-2_7_top.ply")
    sets = waiting(clocks)
    (waits,) = look(world, sets).waiting
    assert (waits.since_utc, waits.until_utc) == ("2031-05-02T12:00:00Z", "2031-05-02T12:10:00Z")
    clocks.pass_by(599.0)
    assert not look(world, sets).late
    clocks.pass_by(1.0)
    assert [[path.name for path in late] for late in look(world, sets).late] == [["ST-2_7_top.ply"]]


def test_a_set_that_need_not_wait_is_late_at_the_first_look(world: World) -> None:
    drop(world, "ST-2_7_top.ply")
    assert look(world, Waiting(0.0)).late


@pytest.mark.parametrize("hours", [-5.0, 5.0])
def test_a_clock_that_is_set_makes_no_set_late_and_none_wait_longer(world: World, clocks: Clocks, hours: float) -> None:
    drop(world, "ST-2_7_top.ply")
    sets = waiting(clocks)
    look(world, sets)
    clocks.pass_by(300.0)
    clocks.day += timedelta(hours=hours)
    found = look(world, sets)
    assert not found.late
    until = datetime.fromisoformat(found.waiting[0].until_utc.replace("Z", "+00:00"))
    assert until == clocks.day + timedelta(seconds=300.0), "what people read goes by the clock that they see"
    clocks.pass_by(300.0)
    assert look(world, sets).late


def seen(since: datetime, *have: str) -> WaitingSet:
    return WaitingSet("ST-2", "7", have, (), since.isoformat().replace("+00:00", "Z"), "")


def test_the_time_that_the_last_run_waited_counts(world: World, clocks: Clocks) -> None:
    drop(world, "ST-2_7_top.ply")
    clocks.day = datetime.now(UTC) + timedelta(seconds=400.0)
    sets = waiting(clocks)
    sets.remember([seen(datetime.now(UTC), "top")])
    assert not look(world, sets).late
    clocks.pass_by(190.0)
    assert not look(world, sets).late
    clocks.pass_by(20.0)
    assert look(world, sets).late


@pytest.mark.parametrize("have", [("top",), ("bottom",), ()])
def test_what_an_old_run_saw_says_nothing_about_files_that_came_since(
    world: World, clocks: Clocks, have: tuple[str, ...]
) -> None:
    """A heartbeat may be months old, and the piece scanned again."""
    drop(world, "ST-2_7_top.ply")
    clocks.day = datetime.now(UTC)
    sets = waiting(clocks)
    sets.remember([seen(clocks.day - timedelta(days=60), *have)])
    assert not look(world, sets).late
    clocks.pass_by(599.0)
    assert not look(world, sets).late


def test_a_beat_from_a_clock_that_was_ahead_makes_no_set_wait_longer(world: World, clocks: Clocks) -> None:
    drop(world, "ST-2_7_top.ply")
    sets = waiting(clocks)
    sets.remember([seen(NOON + timedelta(hours=5), "top"), WaitingSet("ST-2", "8", (), (), "no time", "")])
    look(world, sets)
    clocks.pass_by(600.0)
    assert look(world, sets).late
