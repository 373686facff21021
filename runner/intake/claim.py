"""A claim: the folder that a scan, or a set, is renamed into. The rename is the claim; the folder tells how far it is.

Whatever instant the service is killed at, what lies in the folder says what is left to do:

- nothing: the folder was made, or is about to be removed;
- scans without a note: claimed, perhaps not yet all members and companions of it;
- a note without ``filing``: to be measured, or measured and to be committed;
- a note with ``filing``: committed or held; some files may have been moved already.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from runner.intake.folders import COMPANIONS, companions, is_plain
from runner.intake.moves import move_new, same_file, write_small
from runner.intake.steps import at
from runner.pipeline.stamp import utc_now

NOTE = ".claim.json"
NOTE_TEMPORARY = NOTE + ".tmp"
REASON_TEMPORARY = ".reason.tmp"
OWN_FILES = (NOTE, NOTE_TEMPORARY, REASON_TEMPORARY)
FORMAT = 1
_NAME = re.compile(r"\d{8}T\d{6}-[0-9a-f]{6}-[0-9a-f]{10}")


@dataclass(frozen=True)
class Move:
    """A scan's name in the claim, and the name it is filed under."""

    name: str
    filed_as: str


@dataclass(frozen=True)
class Filing:
    """Where the files of a claim go. Once this is noted, only the moves are left."""

    to: str
    """``measured`` or ``held``."""
    moves: tuple[Move, ...]
    reason: tuple[str, ...] = ()
    """Lines of the text beside a held scan."""
    inspection: str = ""
    """Id of the committed inspection whose evidence is put in place; empty for none."""


@dataclass(frozen=True)
class Note:
    """What the claim remembers of itself."""

    claimed_utc: str
    files: tuple[str, ...]
    """The scans, by name."""
    tries: int = 0
    """How often it was given to be measured."""
    filing: Filing | None = None


@dataclass
class Claim:
    """A claimed scan or set."""

    folder: Path
    note: Note
    seen: dict[str, tuple[int, int]] = field(default_factory=dict)
    """Size and time of each file when it was hashed, in this process."""
    partial: bool = False
    """Whether claiming was interrupted, so that members of a set may still lie where they were dropped."""

    @property
    def name(self) -> str:
        """Name of the claim, unlike any other."""
        return self.folder.name

    @property
    def scans(self) -> tuple[Path, ...]:
        """The scan files."""
        return tuple(self.folder / name for name in self.note.files)

    @property
    def title(self) -> str:
        """For people: the scans' names."""
        return ", ".join(self.note.files)

    def save(self, **changes: object) -> None:
        """Change the note, on disk first."""
        note = replace(self.note, **changes)  # type: ignore[arg-type]
        write_small(self.folder / NOTE, _note_text(note).encode("ascii"), self.folder / NOTE_TEMPORARY)
        self.note = note

    def state(self) -> dict[str, tuple[int, int]]:
        """Size and time of every scan and companion that is there now."""
        found: dict[str, tuple[int, int]] = {}
        for scan in self.scans:
            for path in (scan, *companions(scan)):
                with contextlib.suppress(FileNotFoundError):
                    status = path.lstat()
                    found[path.name] = (status.st_size, status.st_mtime_ns)
        return found

    def strangers(self) -> list[str]:
        """Names in the folder that this claim can't explain."""
        known = {*OWN_FILES, *self.note.files}
        known |= {name + suffix for name in self.note.files for suffix in COMPANIONS}
        return sorted(path.name for path in self.folder.iterdir() if path.name not in known)

    def end(self) -> list[str]:
        """Remove the note and the folder; return the names that nobody can explain, which then stay."""
        left = self.strangers()
        if left:
            return left
        with at("claim.end"):
            for name in (REASON_TEMPORARY, NOTE_TEMPORARY, NOTE):
                (self.folder / name).unlink(missing_ok=True)
            self.folder.rmdir()
        return []


def take(slot: Path, root: Path, files: Sequence[Path]) -> Claim | None:
    """Claim files that belong together; None when somebody else was quicker.

    The first file decides: whoever renames it has the claim, and takes the others after it.
    """
    folder = slot / new_name(root)
    with at("claim.folder"):
        folder.mkdir()
    got: list[str] = []
    partial = False
    for path in files:
        try:
            with at("claim.rename"):
                move_new(path, folder / path.name)
            got.append(path.name)
        except FileNotFoundError:
            if not got:
                break  # somebody else was quicker
            # the operator took a member back: what is here is judged as it is
        except OSError:
            if not got:
                folder.rmdir()
                raise
            partial = True  # the rest is fetched later
            break
    if not got:
        folder.rmdir()
        return None
    for name in got:
        take_companions(files[0].with_name(name), folder)
    claim = Claim(folder, Note(utc_now(), tuple(got)), partial=partial)
    if not partial:  # without a note it is known as not whole, also after a kill
        with at("claim.note"):
            claim.save()
    return claim


def take_companions(scan: Path, folder: Path) -> None:
    """Fetch the companions of a scan that is in ``folder`` already, from where it lay."""
    for companion in companions(scan):
        with contextlib.suppress(FileNotFoundError), at("claim.companion"):
            move_new(companion, folder / companion.name)


def open_claim(folder: Path, incoming: Path) -> Claim | str | None:
    """Take up the claim in a folder that a service left, killed at any instant.

    Returns
    -------
    Claim, str or None
        The claim; or what can't be explained about the folder, which is then left alone; or None when the folder was
        empty and is removed.
    """
    note = _read_note(folder / NOTE)
    if isinstance(note, str):
        return f"{folder.name}: {note}"
    if note is not None:
        return Claim(folder, note)
    inside = [path for path in folder.iterdir() if path.name not in OWN_FILES]
    scans = [
        p for p in sorted(inside) if is_plain(p) and not p.name.startswith(".") and not p.name.endswith(COMPANIONS)
    ]
    if not scans:
        if inside:
            return f"{folder.name} holds no scan, but {', '.join(p.name for p in inside)}"
        with at("claim.end"):
            (folder / NOTE_TEMPORARY).unlink(missing_ok=True)
            folder.rmdir()
        return None
    for scan in scans:
        before = incoming / scan.name
        if same_file(before, scan):
            before.unlink()  # the move was killed between its two steps
        elif before.exists():
            # a new scan of that name lies there by now, and the companions may be either's
            continue
        take_companions(before, folder)
    return Claim(folder, Note(utc_now(), tuple(path.name for path in scans)), partial=True)


def add(claim: Claim, files: Sequence[Path]) -> None:
    """Fetch further members of an interrupted claim, and note that it is whole now."""
    got = list(claim.note.files)
    got += [path.name for path in _scans_in(claim.folder) if path.name not in got]  # of a try that was refused
    for path in files:
        with contextlib.suppress(FileNotFoundError):
            with at("claim.rename"):
                move_new(path, claim.folder / path.name)
            got.append(path.name)
            take_companions(path, claim.folder)
    with at("claim.note"):
        claim.save(files=tuple(got))
    claim.partial = False


def _scans_in(folder: Path) -> list[Path]:
    found = [path for path in sorted(folder.iterdir()) if is_plain(path) and not path.name.startswith(".")]
    return [path for path in found if not path.name.endswith(COMPANIONS)]


def new_name(root: Path) -> str:
    """A claim's name: when, a mark of the scans folder, and a random part."""
    when = utc_now().replace("-", "").replace(":", "")[:15]
    return f"{when}-{root_mark(root)}-{secrets.token_hex(5)}"


def root_mark(root: Path) -> str:
    """Six digits that tell scans folders apart which share an output folder."""
    return hashlib.sha256(str(root.resolve()).encode("utf-8", "surrogateescape")).hexdigest()[:6]


def is_claim_name(name: str) -> bool:
    """Whether a folder's name is that of a claim."""
    return _NAME.fullmatch(name) is not None


def _note_text(note: Note) -> str:
    data: dict[str, object] = {
        "format": FORMAT,
        "claimed_utc": note.claimed_utc,
        "files": list(note.files),
        "tries": note.tries,
    }
    if note.filing is not None:
        data["filing"] = {
            "to": note.filing.to,
            "moves": [[move.name, move.filed_as] for move in note.filing.moves],
            "reason": list(note.filing.reason),
            "inspection": note.filing.inspection,
        }
    return json.dumps(data, indent=1) + "\n"


def _read_note(path: Path) -> Note | str | None:
    """The note; None when there is none; what is wrong with it."""
    try:
        data = json.loads(path.read_bytes())
        if data["format"] != FORMAT:
            return f"its note has format {data['format']!r}, which this version does not know"
        filing = data.get("filing")
        return Note(
            claimed_utc=str(data["claimed_utc"]),
            files=tuple(_bare(name) for name in data["files"]),
            tries=int(data["tries"]),
            filing=None
            if filing is None
            else Filing(
                to={"measured": "measured", "held": "held"}[filing["to"]],
                moves=tuple(Move(_bare(a), _bare(b)) for a, b in filing["moves"]),
                reason=tuple(str(line) for line in filing["reason"]),
                inspection=str(filing["inspection"]),
            ),
        )
    except FileNotFoundError:
        return None
    except (ValueError, KeyError, TypeError) as error:
        return f"its note is not sound ({type(error).__name__}: {error})"


def _bare(name: object) -> str:
    """A name that can't leave its folder."""
    text = str(name)
    if text in ("", ".", "..") or any(c in text for c in ("/", "\0", *(["\\", ":"] if os.name == "nt" else []))):
        raise ValueError(f"{text!r} is no file name")
    return text
