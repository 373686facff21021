"""Read STEP files in a child process: on damaged files the CAD kernel may crash or run for ever."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import runner
from runner.diagnostics import InputError, MissingLibraryError
from runner.geometry.mesh import Nominal
from runner.nominal.arrayfolder import load_arrays
from runner.nominal.arrays import nominal_from_arrays
from runner.nominal.step import check_text

SECONDS = 600.0
"""Longest that is waited for; 600 faces take about 10 s."""
MEMORY_BYTES = 12 << 30
_DAMAGED = "The file is damaged, or the kernel has a fault with it; export it again, as AP214 or AP242."


def read_apart(data: bytes, name: str, sha256: str, *, seconds: float = SECONDS) -> Nominal:
    """Return the nominal of a STEP file's bytes.

    Raises
    ------
    InputError
        Empty, cut off, not STEP, unreadable; or the kernel crashed on it, or took longer than ``seconds``.
    MissingLibraryError
        The kernel can't be loaded; names what to install.
    """
    check_text(data, name)
    with tempfile.TemporaryDirectory(prefix="recipe-runner-") as folder:
        # a copy under a plain name: the bytes that were hashed are the bytes that are read
        source, target = Path(folder) / "model.step", Path(folder) / "arrays"
        source.write_bytes(data)
        target.mkdir()
        answer = _run(source, target, name, sha256, seconds)
        if answer["kind"] == "missing":
            raise MissingLibraryError(answer["message"])
        if answer["kind"] == "kernel":
            raise InputError(name, f"the CAD kernel fails on it ({answer['message']}).", advice=_DAMAGED)
        if answer["kind"] == "input":
            raise InputError(name, answer["message"], place=answer.get("place", ""), advice=answer.get("advice", ""))
        arrays = load_arrays(target, mapped=False)
    if arrays is None:
        raise InputError(name, "what the CAD kernel made of it could not be read back.", advice="Is the disk full?")
    return nominal_from_arrays(arrays)


def _run(source: Path, target: Path, name: str, sha256: str, seconds: float) -> dict[str, Any]:
    """Run the child and return its answer; InputError when it gave none."""
    command = [sys.executable, "-m", "runner.nominal.step_child", str(source), str(target), name, sha256]
    command += [str(MEMORY_BYTES), str(int(seconds))]
    package_parent = str(Path(runner.__file__).resolve().parent.parent)
    paths = [package_parent, *filter(None, [os.environ.get("PYTHONPATH")])]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
    try:
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, timeout=seconds, check=False, env=environment
        )
    except subprocess.TimeoutExpired as error:
        raise InputError(
            name, f"the CAD kernel did not finish with it within {seconds:.0f} s.", advice=_DAMAGED
        ) from error
    lines = done.stdout.decode("utf-8", "replace").strip().splitlines()
    try:
        answer = json.loads(lines[-1]) if lines else None
    except json.JSONDecodeError:
        answer = None
    if done.returncode == 0 and isinstance(answer, dict) and "kind" in answer:
        return answer
    raise InputError(name, f"the CAD kernel crashed on it (status {done.returncode}).", advice=_DAMAGED)
