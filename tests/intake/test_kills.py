"""Killed at any instant, the service loses nothing and counts nothing twice: a share of ``tests.studies.kills``."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

from tests.studies import kills
from tests.studies.stub import World

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the study forks and kills"),
]


def test_killed_at_random_instants(tmp_path: Path) -> None:
    found = kills.random_batch(tmp_path, seed=20_000, count=20)
    assert not found["problems"]
    assert found["kills"] >= 20 and found["early"] == 0 and found["pieces"] > 5


def test_killed_before_and_after_every_step(tmp_path: Path) -> None:
    found = kills.steps_batch(tmp_path, seed=20_001)
    assert not found["problems"]
    assert found["kills"] == 2 * len(kills.STEPS)


def test_the_verification_sees_what_is_wrong(tmp_path: Path) -> None:
    """Each kind of damage that a kill could do is found, so that a sound result means something."""
    import random

    world = World(tmp_path / "world")
    rng = random.Random(1)
    for _ in range(12):
        world.drop(rng)
    assert kills.finish(world) == []
    scan = next(p for p in world.folders.measured.iterdir() if p.suffix == ".ply")
    picture = next((world.out / "ST-1" / "pictures").iterdir())
    reason = next(world.folders.held.glob("*.reason.txt"))

    def damage(what: str) -> list[str]:
        match what:
            case "scan lost":
                scan.rename(tmp_path / "away")
            case "scan twice":
                shutil.copy(scan, world.folders.held / "again.ply")
            case "half file":
                (world.out / "ST-1" / ".x.host.1.tmp.png").touch()
            case "evidence lost":
                picture.rename(tmp_path / "away")
            case "reason lost":
                reason.rename(tmp_path / "away")
            case "claim left":
                (world.folders.measuring / "s" / "20310101T000000-abcdef-0123456789").mkdir()
            case "never measured":
                world.measurable.add(frozenset(("0" * 64,)))
        return world.problems()

    for what in ("scan lost", "evidence lost", "reason lost"):
        assert damage(what), what
        place = {"scan lost": scan, "evidence lost": picture, "reason lost": reason}[what]
        (tmp_path / "away").rename(place)
        assert not world.problems()
    for what in ("half file", "claim left", "scan twice", "never measured"):
        before = len(world.problems())
        assert len(damage(what)) > before, what
