"""Moves that never overwrite, and small files that appear whole: safe to be killed at any instant."""

from __future__ import annotations

import ctypes
import errno
import functools
import os
import sys
from pathlib import Path
from typing import Any

_NO_REPLACE = 1  # RENAME_NOREPLACE of Linux (renameat2)
_HERE = -100  # AT_FDCWD


def move_new(source: Path, target: Path) -> None:
    """Rename ``source`` to ``target`` unless that name is taken.

    One atomic step where the system has one (Windows, and Linux on most file systems). Elsewhere a second name is made
    and the first one removed; killed in between, the file has both names, which ``same_file`` recognises. Where the
    file system has no second names either, the name is looked up and then renamed to.

    Raises
    ------
    FileExistsError
        The name is taken by another file.
    FileNotFoundError
        There is no such source: somebody else took it.
    """
    if os.name == "nt":
        source.rename(target)  # refuses a taken name there
        return
    if rename_exclusive(source, target):
        return
    if target.is_symlink() or target.exists():
        if not same_file(source, target):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
        source.unlink()
        return
    if link_exclusive(source, target):
        source.unlink()
        return
    source.rename(target)


def rename_exclusive(source: Path, target: Path) -> bool:
    """Rename in one step that refuses a taken name; False where this system can't."""
    call = _renameat2()
    if call is None:
        return False
    ctypes.set_errno(0)
    if call(_HERE, os.fsencode(source), _HERE, os.fsencode(target), _NO_REPLACE) == 0:
        return True
    number = ctypes.get_errno()
    if number in (errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP):
        return False
    raise OSError(number, os.strerror(number), str(source), None, str(target))


def link_exclusive(source: Path, target: Path) -> bool:
    """Give the file a second name; False where the file system has none."""
    try:
        os.link(source, target, follow_symlinks=False)
    except (FileExistsError, FileNotFoundError):
        raise
    except OSError as error:
        if error.errno in (errno.EPERM, errno.ENOSYS, errno.EOPNOTSUPP, errno.EMLINK, errno.EACCES):
            return False
        raise
    except NotImplementedError:
        return False
    return True


def same_file(first: Path, second: Path) -> bool:
    """Whether two names belong to one file: what a move that was killed in the middle leaves."""
    try:
        return os.path.samestat(first.lstat(), second.lstat())
    except OSError:
        return False


def write_small(path: Path, content: bytes, temporary: Path | None = None) -> None:
    """Write a small file of one writer so that it appears whole or not at all.

    The temporary name is always the same, so that a kill leaves one at most, and it is known whose it is. Pass
    ``temporary`` to have it elsewhere on the same file system.
    """
    temporary = temporary or path.with_name(path.name + ".tmp")
    with temporary.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    temporary.replace(path)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk before going on; where the system can't, nothing."""
    if os.name == "nt":
        return
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(descriptor)
    except OSError:
        pass  # not every file system syncs folders
    finally:
        os.close(descriptor)


@functools.cache
def _renameat2() -> Any:
    """The C library's function, or None."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return None
    call.argtypes = (ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint)
    call.restype = ctypes.c_int
    return call
