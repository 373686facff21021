"""Links, pipes, sockets and devices where a file belongs: as scan, nominal and recipe, and beside a scan.

Scans that are links, pipes or devices are in ``tests/scan/test_read.py``; those in the watch folder in
``tests/intake``.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from runner.diagnostics import InputError
from runner.intake.choose import load_recipes
from runner.nominal.load import load_nominal
from runner.pipeline.entries import read_entries
from runner.recipe.load import read_recipe
from runner.recipe.show import problems_text
from runner.scan.read import read_scan
from tests.hostile.within import within
from tests.intake.test_service import drop, ledger_of, names, once, quick, world  # noqa: F401
from tests.studies.stub import World

pytestmark = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no pipes with names")


def pipe(path: Path) -> None:
    os.mkfifo(path)


def loop(path: Path) -> None:
    path.symlink_to(path.name)


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def outside(path: Path) -> None:
    (path.parent.parent / "outside").write_text("piece: 1\nlot: stolen\n")
    path.symlink_to(path.parent.parent / "outside")


def folder(path: Path) -> None:
    path.mkdir()


THINGS = [pipe, loop, device, folder]
Make = Callable[[Path], None]


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Path]:
    (tmp_path / "in").mkdir()
    with within(20):
        yield tmp_path / "in"


def test_a_socket_or_a_loop_is_no_scan(place: Path) -> None:
    loop(place / "loop.ply")
    listening = socket.socket(socket.AF_UNIX)
    before = Path.cwd()
    try:
        os.chdir(place)  # the address of a socket must be short
        listening.bind("socket.ply")
    finally:
        os.chdir(before)
    for name, said in (("loop.ply", "is a symbolic link"), ("socket.ply", "can't be opened")):
        with pytest.raises(InputError, match=said):
            read_scan(place / name)
    listening.close()


@pytest.mark.parametrize("make", THINGS)
@pytest.mark.parametrize("ending", [".step", ".stl"])
def test_a_nominal_that_is_no_file_is_refused_and_not_waited_for(place: Path, make: Make, ending: str) -> None:
    make(place / f"part{ending}")
    with pytest.raises(InputError, match=r"device or a pipe|folder|can't be read|no such file"):
        load_nominal(place / f"part{ending}")


@pytest.mark.parametrize("make", THINGS)
def test_a_recipe_that_is_no_file_is_a_problem_of_it_alone(place: Path, make: Make) -> None:
    make(place / "bad.yaml")
    recipe, problems = read_recipe(place / "bad.yaml")
    assert recipe is None and len(problems) == 1 and problems_text(problems)
    sound, broken = load_recipes(place)
    assert not sound and list(broken) == [place / "bad.yaml"]


@pytest.mark.parametrize("make", [*THINGS, outside])
def test_entries_that_are_no_file_are_refused_and_not_waited_for(place: Path, make: Make) -> None:
    make(place / "a.ply.entries.yaml")
    with pytest.raises(InputError, match="is a link, a pipe or a folder"):
        read_entries(place / "a.ply.entries.yaml", None)  # type: ignore[arg-type] - nothing may be asked of the plan


@pytest.mark.parametrize("make", [*THINGS, outside])
@pytest.mark.parametrize("suffix", [".piece.yaml", ".entries.yaml"])
def test_beside_a_scan_it_is_left_alone_and_says_nothing(world: World, make: Make, suffix: str) -> None:  # noqa: F811
    make(world.folders.incoming / f"ST-1_1.ply{suffix}")
    drop(world, "ST-1_1.ply", "accept one")
    with within(20):
        once(world)
    (inspection,) = ledger_of(world)
    assert (inspection.serial, inspection.lot) == ("1", "")
    assert names(world.folders.incoming) == {f"ST-1_1.ply{suffix}"}
