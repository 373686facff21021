"""The folders a scan passes through, and moves between them that never overwrite."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path

from runner.recipe.entries import SUFFIX as ENTRIES_SUFFIX

REASON_SUFFIX = ".reason.txt"


@dataclass(frozen=True)
class Folders:
    """Where scans wait, are in hand, and end."""

    root: Path

    @property
    def incoming(self) -> Path:
        """Where scans are dropped."""
        return self.root / "incoming"

    @property
    def measuring(self) -> Path:
        """Claimed scans: in hand now, or left by a run that was killed."""
        return self.root / "measuring"

    @property
    def measured(self) -> Path:
        """Scans with a committed inspection that gave accept or reject."""
        return self.root / "measured"

    @property
    def held(self) -> Path:
        """Scans on hold, each with a plain text reason beside it."""
        return self.root / "held"

    def make(self) -> None:
        """Create the folders that are missing."""
        for folder in (self.incoming, self.measuring, self.measured, self.held):
            folder.mkdir(parents=True, exist_ok=True)


def waiting(folder: Path) -> list[Path]:
    """Return the regular files in ``folder``, oldest first; the rest is passed over.

    That is: hidden files, reasons, entries of other gauges (they go along with their scan), links and folders.
    """
    found: list[tuple[int, str, Path]] = []
    for entry in os.scandir(folder):
        if entry.name.startswith(".") or entry.name.endswith((REASON_SUFFIX, ENTRIES_SUFFIX)):
            continue
        status = entry.stat(follow_symlinks=False)
        if stat.S_ISREG(status.st_mode):
            found.append((status.st_mtime_ns, entry.name, Path(entry.path)))
    return [path for _, _, path in sorted(found)]


def move_into(path: Path, folder: Path) -> Path:
    """Rename ``path`` into ``folder`` and return where it went; a name that is taken gets ``.2``, ``.3`` ... inserted.

    On one file system the rename is atomic. The name is reserved first by an exclusive create, so that two
    processes can't choose the same. A file of other gauges' entries beside the scan goes along.
    """
    for count in range(1, 100_000):
        name = path.name if count == 1 else f"{path.stem[:200]}.{count}{path.suffix}"
        target = folder / name
        try:
            os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        except FileExistsError:
            continue
        try:
            path.replace(target)
        except OSError:
            target.unlink(missing_ok=True)
            raise
        entries = path.with_name(path.name + ENTRIES_SUFFIX)
        if entries.is_file() and not entries.is_symlink():
            entries.replace(target.with_name(target.name + ENTRIES_SUFFIX))
        return target
    raise FileExistsError(f"no free name for {path.name} in {folder}")


def write_reason(scan: Path, lines: list[str]) -> None:
    """Write the plain text that tells why ``scan`` is held, beside it, whole or not at all."""
    target = scan.with_name(scan.name + REASON_SUFFIX)
    temporary = target.with_name(f".{target.name}.{os.getpid()}")
    temporary.write_text("\n".join(lines) + "\n", encoding="utf-8")
    temporary.replace(target)
