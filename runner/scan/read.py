"""Read one scan file: format by its name and checked by its content, hashed while it is parsed, scaled to mm."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import importlib
import mmap
import os
import stat
import threading
from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np

from runner.diagnostics import InputError
from runner.geometry.mesh import ScanGeometry
from runner.records import ScanFile
from runner.scan.scan import Scan

Unit = Literal["mm", "m", "in"]
MM_PER_UNIT: dict[str, float] = {"mm": 1.0, "m": 1000.0, "in": 25.4}

EXTENSIONS: dict[str, str] = {
    ".ply": "ply", ".stl": "stl", ".obj": "obj", ".pcd": "pcd", ".e57": "e57", ".ptx": "ptx",
    ".xyz": "text", ".asc": "text", ".txt": "text", ".csv": "text", ".pts": "text", ".xyzn": "text",
}  # fmt: skip
"""Format by the lower-case ending of the file name."""
_HASH_BLOCK = 1 << 20


def read_scan(path: str | os.PathLike[str], *, unit: Unit = "mm", max_bytes: int | None = None) -> Scan:
    """Read ``path``, whose coordinates are in ``unit``.

    Raises
    ------
    InputError
        Not a regular file, larger than ``max_bytes``, of no known format, damaged, or changed while it was read.
    """
    path = Path(path)
    if unit not in MM_PER_UNIT:
        raise ValueError(f"unit {unit!r} is none of {', '.join(MM_PER_UNIT)}")
    descriptor, before = _open(path, max_bytes)
    try:
        geometry, path_format, digest = _parse_and_hash(path, descriptor)
        after = os.fstat(descriptor)
        if (after.st_size, after.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
            raise InputError(str(path), "changed while it was read.", advice="Wait until it is copied completely.")
    finally:
        os.close(descriptor)
    if path_format == "e57" and unit != "m":
        # ASTM E2807 leaves no choice of unit, so the recipe's does not apply.
        unit = "m"
        geometry = _noted(geometry, "E57 holds metres by its standard; read as metres")
    geometry = to_millimetres(geometry, unit)
    return Scan(
        geometry=geometry,
        file=ScanFile(
            name=path.name,
            sha256=digest,
            size_bytes=before.st_size,
            points=len(geometry.points),
            triangles=0 if geometry.triangles is None else len(geometry.triangles),
            unit=unit,
        ),
    )


def to_millimetres(geometry: ScanGeometry, unit: str) -> ScanGeometry:
    """The same geometry with its lengths multiplied, in place where the array may be changed."""
    factor = MM_PER_UNIT[unit]
    if factor != 1.0:
        np.multiply(geometry.points, factor, out=geometry.points)
    return geometry


def _open(path: Path, max_bytes: int | None) -> tuple[int, os.stat_result]:
    """Open a regular file without following a link or waiting on a pipe."""
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    try:
        if path.is_symlink():
            raise InputError(str(path), "is a symbolic link.", advice="Give the file itself.")
        descriptor = os.open(path, flags)
    except OSError as error:
        if error.errno == errno.ELOOP:
            raise InputError(str(path), "is a symbolic link.", advice="Give the file itself.") from error
        reason = "there is no such file." if error.errno == errno.ENOENT else f"can't be opened: {error.strerror}."
        raise InputError(str(path), reason) from error
    except ValueError as error:
        raise InputError(repr(str(path)), "is no file name.") from error
    found = os.fstat(descriptor)
    problem = ""
    if stat.S_ISDIR(found.st_mode):
        problem = "is a folder, not a file."
    elif not stat.S_ISREG(found.st_mode):
        problem = "is a device or a pipe, not a file."
    elif found.st_size == 0:
        problem = "is empty (0 bytes)."
    elif max_bytes is not None and found.st_size > max_bytes:
        problem = f"has {found.st_size} bytes; {max_bytes} are allowed."
    if problem:
        os.close(descriptor)
        raise InputError(str(path), problem)
    return descriptor, found


def _parse_and_hash(path: Path, descriptor: int) -> tuple[ScanGeometry, str, str]:
    """Parse the file and hash it meanwhile in a second thread; the file is unmapped again in every case."""
    parsed: tuple[ScanGeometry, str] | None = None
    failure: InputError | None = None
    content = mmap.mmap(descriptor, 0, access=mmap.ACCESS_READ)
    digest = hashlib.sha256()
    refused = threading.Event()
    hasher = threading.Thread(target=_hash, args=(content, digest, refused), daemon=True)
    hasher.start()
    try:
        parsed = _parse(path, content)
    except InputError as error:
        # The traceback's frames hold views of the mapped file, which then can't be unmapped (nor, on Windows, moved).
        failure = error.with_traceback(None)
        failure.__cause__ = failure.__context__ = None
    finally:
        if parsed is None:
            refused.set()  # nobody asks for the hash: a file of enormous size must not be read to its end
        hasher.join()
        with contextlib.suppress(BufferError):
            content.close()
    if parsed is None:
        raise failure or InputError(str(path), "could not be read.")
    return *parsed, digest.hexdigest()


def _hash(content: mmap.mmap, digest: hashlib._Hash, stop: threading.Event) -> None:
    """Hash in blocks, unless told to stop; hashlib lets other threads run meanwhile."""
    with memoryview(content) as view:
        for start in range(0, len(view), _HASH_BLOCK):
            if stop.is_set():
                return
            digest.update(view[start : start + _HASH_BLOCK])


def sniff(head: bytes) -> str:
    """Format by content, or empty when the beginning tells nothing."""
    if head.startswith(b"ply") and head[3:4] in (b"\n", b"\r", b" "):
        return "ply"
    if head.startswith(b"ASTM-E57"):
        return "e57"
    start = head.lstrip()[:2000]
    if b"VERSION" in start and b"FIELDS" in start and b"DATA" in head:
        return "pcd"
    if start[:5].lower() == b"solid" and b"facet" in start.lower():
        return "stl"
    lines = [line.split() for line in head[:4000].split(b"\n")[:40]]
    if any(len(words) >= 4 and words[0] == b"v" for words in lines):
        return "obj"
    if [len(words) for words in lines[:10]] == [1, 1, 3, 3, 3, 3, 4, 4, 4, 4]:
        return "ptx"
    return ""


def _parse(path: Path, content: mmap.mmap) -> tuple[ScanGeometry, str]:
    """Choose the reader and run it; returns the format too."""
    by_name = EXTENSIONS.get(path.suffix.lower(), "")
    by_content = sniff(content[:4096])
    chosen = by_content or by_name
    if not chosen:
        raise InputError(
            str(path),
            "is of no known scan format.",
            advice=f"Known endings: {', '.join(EXTENSIONS)}.",
        )
    reader = importlib.import_module(f"runner.formats.{chosen}")
    geometry: ScanGeometry = reader.read(content, str(path))
    if by_name and by_name != chosen:
        geometry = _noted(geometry, f"named {path.suffix} but its content is {chosen.upper()}; read as such")
    return geometry, chosen


def _noted(geometry: ScanGeometry, note: str) -> ScanGeometry:
    """The same geometry with a note put first."""
    return replace(geometry, notes=(note, *geometry.notes))
