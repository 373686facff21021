"""E57 (ASTM E2807): scans of terrestrial and other scanners, read in a child process.

The native library that unpacks E57 is not proof against damaged files: it may crash, loop or take all memory. So it
runs in a process of its own, on a copy of the bytes, with a limit on time and memory.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from runner.diagnostics import InputError, MissingLibraryError
from runner.formats.common import Source, at_byte, byte_array, geometry
from runner.formats.e57_xml import check_xml
from runner.geometry.mesh import ScanGeometry

_CHILD = Path(__file__).with_name("e57_child.py")
_SIGNATURE = b"ASTM-E57"
_HEADER_BYTES = 48
_BASE_SECONDS = 60.0
_BYTES_PER_SECOND = 2e6
"""Slowest reading that is waited for."""
_MEMORY_BYTES = 4 << 30


def read(data: Source, name: str) -> ScanGeometry:
    """Read all scans of the file into one frame by their stated poses, in metres.

    Invalid points are dropped and counted.

    Raises
    ------
    InputError
        Damaged, cut off, or more points announced than the file can hold.
    """
    view = byte_array(data)
    head = view[:_HEADER_BYTES].tobytes()
    if not head.startswith(_SIGNATURE) or len(head) < _HEADER_BYTES:
        raise InputError(name, "does not begin with 'ASTM-E57'.", place=at_byte(0), advice="It is not an E57 file.")
    length = int.from_bytes(head[16:24], "little")
    if length > len(view):
        raise InputError(
            name,
            f"the header announces {length} bytes, but the file has {len(view)}.",
            place=at_byte(16),
            advice="The file is cut off; copy or export it again.",
        )
    check_xml(view, name)
    with tempfile.TemporaryDirectory(prefix="scan-") as folder:
        source = Path(folder) / "scan.e57"
        result = Path(folder) / "points.f64"
        source.write_bytes(view.data)
        answer = _run(name, source, result, _BASE_SECONDS + len(view) / _BYTES_PER_SECOND)
        points = np.fromfile(result, dtype=np.float64).reshape(-1, 3) if result.exists() else np.empty((0, 3))
    notes = []
    scans, invalid = int(answer.get("scans", 0)), int(answer.get("invalid", 0))
    if invalid:
        notes.append(f"{invalid} of {invalid + len(points)} points are marked invalid in the file; dropped")
    if scans > 1:
        notes.append(f"{scans} scans joined by their stated poses")
    if length < len(view):
        notes.append(f"{len(view) - length} bytes after the end of the data ignored (from byte {length})")
    return geometry(name, points, notes=notes, mostly_missing_allowed=True)


def _run(name: str, source: Path, result: Path, seconds: float) -> dict[str, int | str]:
    """Run the child and read its answer, one line of JSON."""
    command = [sys.executable, "-P", str(_CHILD), str(source), str(result), str(_MEMORY_BYTES), str(int(seconds))]
    try:
        done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, timeout=seconds, check=False)
    except subprocess.TimeoutExpired as error:
        raise InputError(
            name, f"could not be read within {seconds:.0f} s.", advice="The file is damaged; export it again."
        ) from error
    lines = done.stdout.decode("utf-8", "replace").strip().splitlines()
    try:
        answer = json.loads(lines[-1]) if lines else {}
    except json.JSONDecodeError:
        answer = {}
    if done.returncode == 0 and "scans" in answer:
        return dict(answer)
    if answer.get("kind") == "missing":
        raise MissingLibraryError(f"E57 files need the package pye57, which can't be loaded: {answer['error']}")
    if "error" in answer:
        raise InputError(
            name,
            str(answer["error"]),
            place=str(answer.get("place", "")),
            advice="The file is damaged or cut off; copy or export it again.",
        )
    raise InputError(
        name,
        f"the E57 library gave up on it (status {done.returncode}).",
        advice="The file is damaged; export it again.",
    )
