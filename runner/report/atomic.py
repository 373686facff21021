"""Files that appear whole or not at all, also when somebody has the old one open."""

from __future__ import annotations

import os
import platform
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

TRIES = 4
WAIT_S = 0.25
ABANDONED_S = 86_400.0
"""A temporary file of another computer is taken for abandoned after this time."""
_HOST = "".join(c if c.isascii() and c.isalnum() else "-" for c in platform.node())[:40] or "host"
_TEMPORARY = re.compile(r"\..*\.(?P<host>[A-Za-z0-9-]+)\.(?P<pid>\d+)\.tmp(\.[A-Za-z0-9]+)?", re.DOTALL)


@dataclass(frozen=True)
class Written:
    """Where the new content is."""

    path: Path
    """The file asked for, or the one beside it that holds the new content while the first is locked."""
    complete: bool
    """Whether the file asked for has the new content."""
    reason: str = ""


def write_atomic(
    path: Path,
    write: Callable[[Path], None],
    *,
    rename: Callable[[Path, Path], object] = os.replace,
    sleep: Callable[[float], None] = time.sleep,
) -> Written:
    """Let ``write`` fill a temporary file in the same folder, then rename it over ``path``.

    A file that is open in another program can't be replaced on Windows (PermissionError). That is tried a few
    times; then the new content stays beside it as ``name.pending.ext`` and the answer says so. Nothing is lost,
    and the next successful writing removes the pending file. Any other error leaves no half file behind.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.stem[:100]}.{_HOST}.{os.getpid()}.tmp{path.suffix}")
    pending = path.with_name(f"{path.stem}.pending{path.suffix}")
    try:
        write(temporary)
        with temporary.open("rb+") as stream:
            os.fsync(stream.fileno())
        for attempt in range(TRIES):
            try:
                rename(temporary, path)
            except PermissionError:
                if attempt + 1 < TRIES:
                    sleep(WAIT_S * 2**attempt)
                continue
            pending.unlink(missing_ok=True)
            return Written(path, True)
        rename(temporary, pending)
        return Written(
            pending,
            False,
            f"{path.name} is open in another program or write-protected; the new content is in {pending.name}. "
            f"Close {path.name} and write it again.",
        )
    finally:
        temporary.unlink(missing_ok=True)


def write_bytes(path: Path, content: bytes) -> Written:
    """Write bytes so that the file appears whole or not at all."""
    return write_atomic(path, lambda temporary: _store(temporary, content))


def _store(path: Path, content: bytes) -> None:
    path.write_bytes(content)


def sweep_temporaries(folder: Path) -> tuple[str, ...]:
    """Remove what killed processes left of files they were writing into ``folder``; return the names.

    Only names that ``write_atomic`` gives are touched: of this computer when their process is gone or is this one (call
    it before anything is written), of another one after a day. A file that can't be removed stays.
    """
    removed: list[str] = []
    try:
        names = [path.name for path in folder.iterdir() if _TEMPORARY.fullmatch(path.name)]
    except OSError:
        return ()
    for name in sorted(names):
        try:
            if _abandoned(folder / name):
                (folder / name).unlink()
                removed.append(name)
        except OSError:
            continue
    return tuple(removed)


def _abandoned(path: Path) -> bool:
    parts = _TEMPORARY.fullmatch(path.name)
    assert parts is not None
    if time.time() - path.lstat().st_mtime > ABANDONED_S:
        return True
    if parts["host"] != _HOST or os.name == "nt":  # on Windows signal 0 would end the process
        return False
    number = int(parts["pid"])
    if number == os.getpid():
        return True
    try:
        os.kill(number, 0)
    except (ProcessLookupError, OverflowError):
        return True
    except OSError:
        return False
    return False
