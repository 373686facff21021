"""A service's own folder for its claims, with a lock that tells others whether the service lives.

``measuring/<station>/`` holds claims and ``.owner``: a file that the living service keeps locked and that says which
process it is. A lock ends with its process, however that ends, so a folder whose lock can be taken has a dead owner,
and its claims may be taken over.
"""

from __future__ import annotations

import json
import os
import platform
from dataclasses import dataclass
from pathlib import Path

from runner.intake.claim import is_claim_name
from runner.intake.health import FOLDER
from runner.intake.lock import FileLock
from runner.intake.steps import at
from runner.pipeline.identity import safe_name

OWNER = ".owner"
MOST_SERVICES = 64


@dataclass
class Slot:
    """The folder, and the lock while it is held."""

    name: str
    folder: Path
    lock: FileLock | None
    """None where the file system has no locks: then one service alone may work on the folder."""

    def close(self) -> None:
        """Give the folder up."""
        if self.lock is not None:
            self.lock.release()


def open_slot(measuring: Path, station: str) -> tuple[Slot, str]:
    """Take the first folder of this station that no living service has; also return what is wrong with it, or ""."""
    base = safe_name(station) if station else "station"
    for count in range(1, MOST_SERVICES + 1):
        name = base if count == 1 else f"{base}.{count}"
        folder = measuring / name
        if folder.exists() and not folder.is_dir():
            continue
        with at("slot.open"):
            folder.mkdir(parents=True, exist_ok=True)
            lock = FileLock(folder / OWNER)
            try:
                taken = lock.take()
            except OSError as error:
                text = f"{measuring} has no file locks ({error.strerror or error}): run only one service on it"
                return Slot(name, folder, None), text
            if not taken:
                continue
            lock.write(_me())
        return Slot(name, folder, lock), ""
    raise FileExistsError(f"{measuring}: {MOST_SERVICES} services of the station {station!r} run already")


def claim_folders(slot: Slot) -> list[Path]:
    """The claims in a slot, oldest first."""
    return sorted(path for path in slot.folder.iterdir() if path.is_dir() and is_claim_name(path.name))


def adopt_dead(measuring: Path, own: Slot, out: Path) -> list[Path]:
    """Move the claims of services that died into our own slot; return where they are now.

    A heartbeat that such a service was writing when it died is removed.
    """
    if own.lock is None:
        return []
    adopted: list[Path] = []
    for folder in _others(measuring, own):
        if not (folder / OWNER).exists() and not any(is_claim_name(p.name) for p in folder.iterdir()):
            continue
        lock = FileLock(folder / OWNER)
        try:
            if not lock.take():
                continue
        except OSError:
            continue
        try:
            (out / FOLDER / f".{folder.name}.tmp").unlink(missing_ok=True)
            for claim in sorted(path for path in folder.iterdir() if is_claim_name(path.name)):
                target = own.folder / claim.name
                with at("slot.adopt"):
                    claim.rename(target)
                adopted.append(target)
        finally:
            lock.release()
    return adopted


def unexplained(measuring: Path) -> list[str]:
    """One sentence for everything in ``measuring`` that no service put there."""
    found: list[str] = []
    for path in sorted(measuring.iterdir()):
        if path.is_dir() and not path.is_symlink():
            found += [
                f"measuring/{path.name} holds {inner.name}, which no service put there"
                for inner in sorted(path.iterdir())
                if inner.name != OWNER and not is_claim_name(inner.name)
            ]
        elif path.is_symlink() or not path.is_file():
            found.append(f"measuring holds {path.name}, which no service put there")
    return found


def _others(measuring: Path, own: Slot) -> list[Path]:
    return [p for p in sorted(measuring.iterdir()) if p.is_dir() and not p.is_symlink() and p != own.folder]


def _me() -> bytes:
    return json.dumps({"host": platform.node(), "pid": os.getpid()}).encode("ascii")
