"""Damaged STEP and E57 files, read as the program reads them: by a native library in a child process.

Such a child may die or be stopped; that is a refusal of the file. A finding is what reaches the parent: an error that
is no refusal, a result that is no geometry, or a child that outlives its time. To read thousands, the child is forked
from a process that has the library loaded, and runs the same main function under limits of the same kind; every 50th is
started anew as the program does it.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from runner.diagnostics import InputError
from runner.formats import e57, e57_child
from runner.nominal import step_apart, step_child
from tests.formats import e57_pages
from tests.formats.test_mutation import check, mutate, sheet
from tests.studies.fuzz_harness import Answer, memory_now
from tests.studies.fuzz_scans import damage

ANEW = 50
ROOM = 2 << 30
STEP_SECONDS = 20.0


def forked(main: Callable[..., Any], skip: int) -> Callable[..., subprocess.CompletedProcess[bytes]]:
    """A stand-in for ``subprocess.run``: the child is a fork that calls ``main`` with the command's last words."""

    def run(command: list[str], *, timeout: float, **_: object) -> subprocess.CompletedProcess[bytes]:
        reader, writer = os.pipe()
        pid = os.fork()
        if not pid:
            try:
                os.dup2(writer, 1)
                sys.stdout = os.fdopen(1, "w", closefd=False)  # whatever stood there, a test's capture for one
                os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
                signal.signal(signal.SIGSEGV, signal.SIG_DFL)
                main(*command[skip:])
            finally:
                os._exit(1)
        os.close(writer)
        try:
            said = _listen(reader, time.monotonic() + timeout)
        finally:
            os.close(reader)
            status = _end(pid)
        if said is None:
            raise subprocess.TimeoutExpired(command, timeout)
        return subprocess.CompletedProcess(command, os.waitstatus_to_exitcode(status), said, b"")

    return run


def _end(pid: int) -> int:
    """Status of a child that has said its last word, or that is ended a moment later."""
    for _ in range(200):
        found, status = os.waitpid(pid, os.WNOHANG)
        if found:
            return status
        time.sleep(0.005)
    os.kill(pid, signal.SIGKILL)
    return os.waitpid(pid, 0)[1]


def _listen(reader: int, until: float) -> bytes | None:
    """What the child writes up to its end; None when it takes too long."""
    said = b""
    while True:
        left = until - time.monotonic()
        if left <= 0 or not select.select([reader], [], [], left)[0]:
            return None
        block = os.read(reader, 1 << 16)
        if not block:
            return said
        said += block


class _Run:
    """The module ``subprocess`` of a reader, with ``run`` replaced."""

    TimeoutExpired = subprocess.TimeoutExpired
    DEVNULL = subprocess.DEVNULL

    def __init__(self, run: Callable[..., Any]) -> None:
        self.run = run


def _read(module: Any, fork: Callable[..., Any], number: int, read: Callable[[], str], data: bytes, end: str) -> Answer:
    """Read one file; ``read`` returns what is wrong with the result."""
    anew = number % ANEW == ANEW - 1
    module.subprocess = subprocess if anew else _Run(fork)
    family = "anew" if anew else "forked"
    start = time.monotonic()
    try:
        wrong = read()
    except InputError as error:
        if time.monotonic() - start > STEP_SECONDS + 10:
            return Answer("finding", family, f"late: {error}", data, end)
        what = str(error)
        stopped = "crashed on it" in what or "gave up on it" in what or "did not finish" in what or "within" in what
        return Answer("refused", f"{family}, child stopped" if stopped else family)
    except Exception as error:
        return Answer("finding", family, f"{type(error).__name__}: {error}"[:400], data, end)
    finally:
        module.subprocess = subprocess
    return Answer("finding", family, wrong, data, end) if wrong else Answer("accepted", family)


@cache
def _e57_examples() -> tuple[bytes, ...]:
    """One scan with 64 points, and one with two scans and poses."""
    import pye57

    points = sheet()[0]
    with tempfile.TemporaryDirectory() as folder:
        single = e57_pages.example(Path(folder) / "a.e57", points)
        path = Path(folder) / "b.e57"
        file = pye57.E57(str(path), mode="w")
        for shift in (0.0, 5.0):
            named = zip(("cartesianX", "cartesianY", "cartesianZ"), points.T, strict=True)
            columns = {name: np.ascontiguousarray(column) for name, column in named}
            columns["cartesianInvalidState"] = (np.arange(len(points)) % 5 == 0).astype(np.int8)
            turn = np.array([0.5, 0.5, 0.5, 0.5])
            file.write_scan_raw(columns, rotation=turn, translation=np.full(3, shift))
        file.close()
        return single, path.read_bytes()


def e57_case(seed: int, number: int) -> Answer:
    """Read one damaged E57 file: damaged as it lies, or inside of sound checksums, in the XML or in the points."""
    rng = np.random.default_rng((seed, 2, number))
    data = _e57_examples()[int(rng.integers(2))]
    before, xml = e57_pages.take_apart(data)
    how = int(rng.integers(4))
    if how == 0:
        data = mutate(data, rng)
    elif how == 1:
        data = e57_pages.put_together(before[:48] + mutate(before[48:], rng), xml)
    else:
        for _ in range(int(rng.integers(1, 3))):
            xml = damage(xml, rng)[0][: 1 << 20]
        data = e57_pages.put_together(before, xml or b"x")
    e57._MEMORY_BYTES = memory_now() + ROOM

    def read() -> str:
        got = e57.read(data, "f.e57")
        try:
            check(got)
        except AssertionError as error:
            return f"promise broken: {error}"
        return "silent: more points than bytes" if len(got.points) > len(data) else ""

    return _read(e57, forked(e57_child.main, 3), number, read, data, ".e57")


@cache
def _step_examples() -> tuple[bytes, ...]:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCone
    from OCP.gp import gp_Pnt

    from tests.nominal import parts

    with tempfile.TemporaryDirectory() as folder:
        cone = BRepPrimAPI_MakeCone(parts.ax2((0, 0, 0), (0, 1, 1)), 2.0, 5.0, 8.0).Shape()
        box = BRepPrimAPI_MakeBox(gp_Pnt(0, 0, 0), 6.0, 4.0, 2.0).Shape()
        shapes = {"cone": cone, "box": box, "splines": parts.as_splines(box), "plate": parts.plate_with_everything()}
        return tuple(
            parts.write_step(shape, Path(folder) / f"{name}.step").read_bytes() for name, shape in shapes.items()
        )


def step_case(seed: int, number: int) -> Answer:
    """Read one damaged STEP file."""
    rng = np.random.default_rng((seed, 3, number))
    examples = _step_examples()
    data = examples[int(rng.choice(len(examples), p=[0.35, 0.3, 0.3, 0.05]))]
    for _ in range(int(rng.integers(1, 4))):
        data = damage(data, rng)[0] if rng.random() < 0.5 else _entities(data, rng)
    data = data or b"x"
    step_apart.MEMORY_BYTES = memory_now() + ROOM

    def read() -> str:
        got = step_apart.read_apart(data, "f.step", "0" * 64, seconds=STEP_SECONDS)
        mesh = got.mesh
        if not len(mesh.triangles) or not np.isfinite(mesh.vertices).all():
            return "promise broken: no surface, or vertices that are not finite"
        sound = mesh.triangles.min() >= 0 and mesh.triangles.max() < len(mesh.vertices)
        return "" if sound else "promise broken: triangles without vertices"

    return _read(step_apart, forked(step_child.main, 3), number, read, data, ".step")


def _entities(data: bytes, rng: np.random.Generator) -> bytes:
    """An entity refers to another, has another's kind, is gone, or stands twice."""
    lines = data.split(b";\n")
    a, b = (int(v) for v in rng.integers(len(lines), size=2))
    how = int(rng.integers(4))
    if how == 0:
        words = lines[a].split(b"#")
        if len(words) > 2:
            k = int(rng.integers(2, len(words)))
            digits = words[k].lstrip(b"0123456789")
            words[k] = str(int(rng.integers(1, len(lines) + 5))).encode() + digits
            lines[a] = b"#".join(words)
    elif how == 1 and b"(" in lines[a] and b"(" in lines[b]:
        lines[a] = (
            lines[b].split(b"(", 1)[0].split(b"=")[-1].join((lines[a].split(b"=")[0] + b"=", b"("))
            + (lines[a].split(b"(", 1)[1])
        )
    elif how == 2:
        del lines[a]
    else:
        lines.insert(a, lines[b])
    return b";\n".join(lines)
