"""What makes an inspection traceable besides its numbers: times, versions and hashes."""

from __future__ import annotations

import hashlib
import platform
import time
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path

from runner import __version__
from runner.pipeline.entries import entries_file
from runner.pipeline.progress import Progress
from runner.records import ScanFile

LIBRARIES = ("numpy", "scipy", "numba", "cadquery-ocp-novtk")


class Clock:
    """Seconds per step, for the provenance, and the progress of steps."""

    def __init__(self, progress: Progress) -> None:
        self.seconds: dict[str, float] = {}
        self.started_utc = utc_now()
        self._progress = progress
        self._step = ""
        self._since = time.perf_counter()

    def start(self, step: str) -> None:
        """End the step that runs and begin another."""
        self.stop()
        self._step, self._since = step, time.perf_counter()
        self._progress(step, 0.0)

    def stop(self) -> None:
        """End the step that runs."""
        if self._step:
            spent = time.perf_counter() - self._since
            self.seconds[self._step] = round(self.seconds.get(self._step, 0.0) + spent, 4)
            self._step = ""


def utc_now() -> str:
    """The time now, UTC, ISO 8601, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def versions() -> dict[str, str]:
    """Versions of this program and of the libraries that numbers depend on."""
    found = {"runner": __version__, "python": platform.python_version()}
    for library in LIBRARIES:
        try:
            found[library] = metadata.version(library)
        except metadata.PackageNotFoundError:
            found[library] = "missing"
    return found


def set_hash(scan_paths: Sequence[Path], known: Mapping[Path, str] | None = None) -> str:
    """One hash for a set of scan files and the entries beside them, whatever their order.

    ``known`` holds hashes of files that were made already, of the bytes as they were read.
    """
    known = known or {}
    notes = [path for path in map(entries_file, scan_paths) if path.is_file()]
    hashes = sorted(known.get(path) or file_hash(path) for path in [*scan_paths, *notes])
    return hashlib.sha256("\n".join(hashes).encode()).hexdigest()


def file_hash(path: Path) -> str:
    """Hash of a file's bytes; of its name when it can't be read, so that the set still has a key."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return hashlib.sha256(b"unreadable " + path.name.encode("utf-8", "surrogateescape")).hexdigest()


def unread(path: Path, known: Mapping[Path, str] | None = None) -> ScanFile:
    """Return the record of a file that could not be read as a scan."""
    try:
        size = path.stat().st_size
    except OSError:
        size = 0
    sha256 = (known or {}).get(path) or file_hash(path)
    return ScanFile(name=path.name, sha256=sha256, size_bytes=size, points=0, triangles=0, unit="")
