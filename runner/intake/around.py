"""What lies about in the service's folders without being anybody's: taken up where it is a scan, else surfaced."""

from __future__ import annotations

import contextlib
import re
import time
from pathlib import Path

from runner.intake.claim import root_mark, take
from runner.intake.filing import WORK
from runner.intake.folders import Folders, listing
from runner.intake.health import FOLDER
from runner.intake.slot import Slot

STALE_S = 600.0
"""A file that is being written for longer than this was given up by whoever wrote it."""

_TEMPORARY = re.compile(r"\..*\.tmp(\..*)?", re.DOTALL)
"""Names of files that are being written."""


def adopt_flat(folders: Folders, slot: Slot) -> list[Path]:
    """Claim scans that lie in ``measuring`` itself: an early version left them, or somebody put them there."""
    claimed: list[Path] = []
    for path in listing(folders.measuring).scans:
        claim = take(slot.folder, folders.root, (path,))
        if claim is not None:
            claimed.append(claim.folder)
    return claimed


def stale(folders: Folders, out: Path, now: float | None = None) -> list[str]:
    """One sentence for every half-written file that was given up, and for evidence that belongs to no claim."""
    now = time.time() if now is None else now
    found: list[str] = []
    for path in (*out.iterdir(), *((out / FOLDER).iterdir() if (out / FOLDER).is_dir() else ())):
        with contextlib.suppress(FileNotFoundError):
            if _TEMPORARY.fullmatch(path.name) and now - path.lstat().st_mtime > STALE_S:
                found.append(f"{path.name} in the output folder was never finished")
    mark = root_mark(folders.root)
    # evidence first, claims second: a claim that begins in between is not missed
    evidence = [path.name for path in (out / WORK).iterdir()] if (out / WORK).is_dir() else []
    claims = {path.name for path in folders.measuring.glob("*/*")}
    found += [
        f"{name} in {WORK.as_posix()} belongs to no claim"
        for name in sorted(evidence)
        if f"-{mark}-" in name and name not in claims
    ]
    return found
