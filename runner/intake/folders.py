"""The folders a scan passes through, which files in them are scans, and the names that files are given."""

from __future__ import annotations

import hashlib
import os
import stat
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from runner.recipe.entries import SUFFIX as ENTRIES_SUFFIX

REASON_SUFFIX = ".reason.txt"
PIECE_SUFFIX = ".piece.yaml"
COMPANIONS = (ENTRIES_SUFFIX, PIECE_SUFFIX)
"""Files that belong to the scan of the same name: results of other gauges; serial, lot and operator."""
IN_TRANSFER = (".part", ".partial", ".tmp", ".temp", ".filepart", ".crdownload", ".download", ".upload", ".inprogress")
"""Endings that copying programs give a file until it is whole (common practice, from memory)."""
OF_THE_SYSTEM = frozenset({"thumbs.db", "desktop.ini"})
"""What file managers leave in any folder they show (common practice, from memory)."""
FORGOTTEN_S = 1800.0
"""A companion without a scan, or a copy without an end, is named when it is older than this."""
LONGEST_BYTES = 255
"""Of a file name, on the usual file systems."""


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
        """Claimed scans, in one folder for each service: in hand now, or left by one that was killed."""
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


@dataclass(frozen=True)
class Listing:
    """What lies in a folder."""

    scans: tuple[Path, ...]
    """Regular files, oldest first."""
    passed_over: tuple[str, ...]
    """One sentence for each thing that is no scan and that somebody should look at."""


def waiting(folder: Path) -> list[Path]:
    """Return the scans in ``folder``, oldest first."""
    return list(listing(folder).scans)


def listing(folder: Path) -> Listing:
    """Sort what lies in ``folder`` into scans and the rest.

    Passed over in silence are hidden files, files of the system, companions, and what copying programs have not
    finished; the last two are named when nothing came of them for long. Links, pipes and folders are named at once, and
    never opened.
    """
    found: list[tuple[int, str, Path]] = []
    lone: list[str] = []
    strange: list[str] = []
    now = time.time()
    for entry in os.scandir(folder):
        low = entry.name.lower()
        if low.startswith(".") or low in OF_THE_SYSTEM or low.endswith(REASON_SUFFIX):
            continue
        try:
            status = entry.stat(follow_symlinks=False)
        except FileNotFoundError:
            continue
        old = now - max(status.st_mtime, status.st_ctime) > FORGOTTEN_S
        if low.endswith(IN_TRANSFER):
            if old:
                strange.append(f"{shown(entry.name)} in {folder.name} was never copied to its end")
        elif entry.name.endswith(COMPANIONS):
            if old and not os.path.lexists(folder / scan_of(entry.name)):
                lone.append(entry.name)
        elif stat.S_ISREG(status.st_mode):
            found.append((status.st_mtime_ns, entry.name, Path(entry.path)))
        else:
            strange.append(f"{shown(entry.name)} in {folder.name} is {_kind(status.st_mode)} and is not touched")
    strange += [f"{shown(n)} in {folder.name} belongs to {shown(scan_of(n))}, which is not there" for n in lone]
    return Listing(tuple(path for _, _, path in sorted(found)), tuple(sorted(strange)))


def scan_of(companion: str) -> str:
    """Name of the scan that a companion belongs to."""
    return next((companion.removesuffix(suffix) for suffix in COMPANIONS if companion.endswith(suffix)), companion)


def companions(scan: Path) -> list[Path]:
    """The companions that lie beside a scan; a link or folder of such a name is none."""
    return [path for path in (scan.with_name(scan.name + suffix) for suffix in COMPANIONS) if is_plain(path)]


def is_plain(path: Path) -> bool:
    """Whether this is a regular file itself; a link to one is not."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


def free_names(name: str, folder: Path) -> Iterator[str]:
    """Yield names for a scan in ``folder``, likeliest first, that nothing there has: ``a.ply``, ``a.2.ply`` ...

    Every name leaves room for the longest suffix beside it, and none has files beside it already. Whoever moves
    a file there must still refuse to overwrite, since others may be at work.
    """
    stem, dot, ending = name.rpartition(".")
    if not stem:
        stem, dot, ending = name, "", ""
    room = LONGEST_BYTES - max(len(s) for s in (REASON_SUFFIX, *COMPANIONS)) - len(".100000")
    if len(os.fsencode(name)) > room:
        mark = hashlib.sha256(os.fsencode(name)).hexdigest()[:8]
        ending = ending if len(os.fsencode(ending)) <= 16 else ""
        kept = os.fsencode(stem)[: room - len(os.fsencode(ending)) - 10]
        stem, dot = f"{kept.decode('utf-8', 'ignore')}~{mark}", "." if ending else ""
    for count in range(1, 100_000):
        numbered = f"{stem}{dot}{ending}" if count == 1 else f"{stem}.{count}{dot}{ending}"
        if not any(os.path.lexists(folder / (numbered + s)) for s in ("", REASON_SUFFIX, *COMPANIONS)):
            yield numbered
    raise FileExistsError(f"no free name for {name!r} in {folder}")


def shown(name: str) -> str:
    """A file name for people: what can't be printed is written as an escape, and it ends somewhere."""
    text = name if name.isprintable() else "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in name)
    return text if len(text) <= 120 else text[:100] + "..."


def _kind(mode: int) -> str:
    """What a thing that is no regular file is."""
    kinds = ((stat.S_ISLNK, "a link"), (stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a pipe"))
    return next((word for test, word in kinds if test(mode)), "no regular file")
