"""Whether a folder lies on a network share, where SQLite's locks can't be trusted."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path, PurePosixPath

NETWORK_FILE_SYSTEMS = frozenset(
    {"nfs", "nfs4", "cifs", "smb2", "smb3", "smbfs", "ncpfs", "afs", "9p"}
    | {"ceph", "glusterfs", "lustre", "gpfs", "beegfs", "ocfs2", "gfs2", "davfs"}
    | {"fuse.sshfs", "fuse.rclone", "fuse.glusterfs", "fuse.ceph", "fuse.s3fs", "fuse.davfs2"}
)
"""File systems that other machines write to as well (common practice; named as in the Linux mount table)."""

_DRIVE_REMOTE = 4  # Windows: DRIVE_REMOTE of GetDriveTypeW


def network_file_system(path: Path) -> str:
    """Return the kind of network file system that ``path`` lies on; empty when it is local or can't be told."""
    if sys.platform == "win32":
        return _on_windows(path)
    try:
        mounts = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="surrogateescape")
    except OSError:
        return ""
    kind = mounted_as(PurePosixPath(os.path.realpath(path)), mounts)
    return kind if kind in NETWORK_FILE_SYSTEMS else ""


def mounted_as(path: PurePosixPath, mounts: str) -> str:
    """Return the file system type of the deepest mount point above ``path``, from the text of a mount table."""
    best, kind = -1, ""
    for line in mounts.splitlines():
        parts = line.split()
        if len(parts) < 3:
            continue
        point = PurePosixPath(re.sub(r"\\([0-7]{3})", lambda m: chr(int(m[1], 8)), parts[1]))
        # a later mount on the same point hides the earlier one
        if path.is_relative_to(point) and len(point.parts) >= best:
            best, kind = len(point.parts), parts[2]
    return kind


def _on_windows(path: Path) -> str:
    full = str(path.resolve())
    if full.startswith("\\\\") and not full.startswith(("\\\\?\\", "\\\\.\\")):
        return "a network share"
    if sys.platform == "win32":
        import ctypes

        if ctypes.windll.kernel32.GetDriveTypeW(path.resolve().anchor) == _DRIVE_REMOTE:
            return "a network drive"
    return ""
