"""Keep dictionaries of arrays on disk, found again by a key that says everything they depend on.

Each entry is a folder of .npy files, read by memory mapping; no pickles. It is made in a temporary folder and renamed,
under a lock of the operating system, so that two processes don't both work and a crash leaves no lock behind.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.nominal.arrayfolder import Arrays, load_arrays, save_arrays

FORMAT = 1
"""Version of the layout below; part of every key."""


def default_folder() -> Path:
    """Return RUNNER_CACHE when set, otherwise ~/.cache/recipe-runner."""
    stated = os.environ.get("RUNNER_CACHE")
    return Path(stated) if stated else Path.home() / ".cache" / "recipe-runner"


class ArrayCache:
    """A folder of entries. When it can't be written, everything is simply made anew."""

    def __init__(self, folder: Path | None = None) -> None:
        """Use ``folder``, or the default one."""
        self.folder = (default_folder() if folder is None else Path(folder)) / "arrays"

    def get(self, key: str, make: Callable[[], Mapping[str, NDArray[Any]]]) -> Arrays:
        """Return the arrays stored under ``key``, or what ``make`` gives, which is then stored.

        ``key`` is any text that names everything the arrays depend on: content hash, versions, settings. Writing to
        returned arrays changes nothing in the cache. A damaged entry is made anew.
        """
        name = hashlib.sha256(f"{FORMAT}\n{key}".encode()).hexdigest()[:32]
        place = self.folder / name
        found = load_arrays(place)
        if found is not None:
            return found
        with _lock(self.folder, name) as locked:
            if locked:
                # another process may have made it while this one waited
                found = load_arrays(place)
                if found is not None:
                    return found
            arrays = {name: np.asarray(array) for name, array in make().items()}
            if locked:
                _store(place, arrays)
        return arrays


def _store(place: Path, arrays: Arrays) -> None:
    """Write the entry beside its place and rename it there; a failure leaves the cache as it was."""
    temporary = None
    try:
        temporary = Path(tempfile.mkdtemp(prefix=".new-", dir=place.parent))
        save_arrays(temporary, arrays)
        if place.exists():
            # damaged; out of the way first, since a folder can't be renamed onto one that is not empty
            old = Path(tempfile.mkdtemp(prefix=".old-", dir=place.parent))
            place.rename(old / "entry")
            shutil.rmtree(old, ignore_errors=True)
        temporary.rename(place)
        temporary = None
    except (OSError, ValueError):
        pass
    finally:
        if temporary is not None:
            shutil.rmtree(temporary, ignore_errors=True)


@contextlib.contextmanager
def _lock(folder: Path, name: str) -> Iterator[bool]:
    """Hold the lock of an entry; False when the folder can't be written, so that nothing can be stored."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = (folder / f".{name}.lock").open("a+b")
    except OSError:
        yield False
        return
    with handle:
        try:
            _lock_file(handle.fileno())
        except OSError:
            # a file system without locks: two processes may then do the same work, the rename keeps entries whole
            yield True
            return
        try:
            yield True
        finally:
            with contextlib.suppress(OSError):
                _unlock_file(handle.fileno())


if os.name == "nt":
    import msvcrt
    import time

    def _lock_file(descriptor: int) -> None:
        # LK_LOCK gives up after ten tries, one second apart; the work under the lock may take longer
        while True:
            try:
                os.lseek(descriptor, 0, os.SEEK_SET)
                msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
                return
            except PermissionError:
                time.sleep(0.1)

    def _unlock_file(descriptor: int) -> None:
        os.lseek(descriptor, 0, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_UNLCK, 1)  # type: ignore[attr-defined,unused-ignore]

else:
    import fcntl

    def _lock_file(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX)

    def _unlock_file(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_UN)
