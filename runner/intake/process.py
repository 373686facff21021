"""One claimed scan or set: what is to be done with it, its commit, and how it is filed.

The order makes it safe to kill: evidence into a folder of the claim, ledger, note of the filing, evidence into place,
moves. Each step can be done again, and each is found from what lies on the disk, so going on after a kill is the
same code as going on.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from runner.intake.choose import choose
from runner.intake.claim import Claim, add
from runner.intake.filing import clear_work, note_filing, stage_folder
from runner.intake.folders import ENTRIES_SUFFIX, LONGEST_BYTES, Folders, is_plain, shown, waiting
from runner.intake.job import Job, Plans
from runner.intake.piece import PieceFile, read_piece
from runner.intake.steps import at
from runner.ledger.errors import OtherPieceError
from runner.ledger.store import Ledger
from runner.nominal.cache import ArrayCache
from runner.pipeline.identity import Identity
from runner.pipeline.scan_set import ScanSet, group, wanted_scans
from runner.pipeline.stamp import set_hash
from runner.recipe.fingerprint import fingerprint
from runner.recipe.schema import Recipe
from runner.records import Inspection, Outcome
from runner.report.json_report import read_json

HASH_BYTES = 8 << 20
"""Read at a time; after each, the service may show that it lives."""
MOST_TRIES = 5
"""A scan that was in hand each time when the service died is held after so many: it may be what kills it."""
RENAME = "Rename the file to the pattern of its recipe and drop it again."
ASK_ENGINEER = "ask the engineer who wrote the recipe."


@dataclass
class Station:
    """What stays the same from scan to scan: folders, ledger, recipes and their plans."""

    folders: Folders
    ledger: Ledger
    out: Path
    recipes: dict[Path, Recipe]
    cache: ArrayCache
    name: str = ""
    plans: Plans = field(default_factory=Plans)
    """Used when measuring happens in the service's own process."""
    most_tries: int = MOST_TRIES
    broken: Mapping[Path, str] = field(default_factory=dict)
    """Recipes that can't be used now, and why."""
    alive: Callable[[], object] = lambda: None
    """Called now and then during what takes long."""


@dataclass(frozen=True)
class Done:
    """What became of one dropped file or set."""

    file: Path
    """Where it lies now (of a set: the first scan)."""
    inspection: Inspection | None
    reason: str
    """Why there is no inspection, or what is special about it; may be empty."""


@dataclass(frozen=True)
class Hold:
    """A scan that is put aside without an inspection."""

    reason: str
    advice: str


class GrewAgain(Exception):
    """The file changed after it was claimed: whoever wrote it had not finished."""


def decide(claim: Claim, station: Station) -> Job | Hold | Inspection:
    """Return what is to be measured, why it is put aside, or the inspection that was made of these bytes before.

    Raises ``OSError`` and ``LedgerError`` for the surroundings' reasons; then it is tried again.
    """
    for scan in claim.scans:
        if not os.path.lexists(scan):
            return Hold(f"{shown(scan.name)} was taken away while it was in hand", "Drop it again.")
        if not is_plain(scan):
            return Hold(f"{shown(scan.name)} is no regular file", "Drop the scan itself, not a link to it.")
    long = [scan.name for scan in claim.scans if len(os.fsencode(scan.name)) > LONGEST_BYTES - len(ENTRIES_SUFFIX)]
    if long:
        text = f"{shown(long[0])} leaves no room for the names of the files beside it"
        return Hold(text, "Give it a shorter name and drop it again.")
    chosen = _chosen(claim.scans, station)
    if isinstance(chosen, Hold):
        return chosen
    path, identity = chosen
    recipe = station.recipes[path]
    scans: Sequence[Path] = claim.scans
    if wanted_scans(recipe):
        if claim.partial:
            add(claim, _members(station.folders.incoming, recipe, identity))
        found = group(claim.scans, recipe).sets
        if len(found) != 1 or not found[0].complete:
            return _incomplete(found, claim)
        scans = found[0].paths
    elif len(claim.note.files) > 1:
        return Hold("several scans were claimed together, and the recipe names no set", "Drop them one by one.")
    claim.seen = claim.state()
    hashes: dict[Path, str] = {}
    for scan in scans:
        try:
            hashes[scan] = _hash(scan, station.alive)
        except PermissionError:
            return Hold(f"{shown(scan.name)} can't be read: permission denied", "Give the runner's user the right to.")
    other = _of_another_piece(hashes.values(), recipe.part.number, identity, station.ledger)
    if other is not None:
        return other
    with recipe.nominal_path.open("rb") as stream:
        nominal = hashlib.file_digest(stream, "sha256").hexdigest()
    print_ = fingerprint(recipe, nominal)  # an edited recipe has another one, and is measured anew
    known = station.ledger.find(set_hash(scans, hashes), print_)
    if known is not None:
        return known
    if claim.note.tries >= station.most_tries:
        text = f"the service ended {claim.note.tries} times while it had this scan in hand"
        return Hold(text, "Keep the scan and ask the people who look after the runner before it is dropped again.")
    status = station.ledger.recipe_state(print_).word
    clear_work(station.out, claim, "stage.clear")
    with at("claim.note"):
        claim.save(tries=claim.note.tries + 1)
    return Job(
        claim=claim.name,
        scans=tuple(scans),
        recipe=path,
        identity=replace(identity, station=identity.station or station.name),
        hashes=tuple(hashes[scan] for scan in scans),
        stage=stage_folder(station.out, claim),
        cache=station.cache.folder.parent,
        recipe_status=status,
        fingerprint=print_,
    )


def commit(claim: Claim, staged: Path, station: Station) -> tuple[Inspection, str] | Hold:
    """Put a finished inspection into the ledger and note how its scans are filed; or say why not.

    Raises
    ------
    GrewAgain
        The files are no longer those that were measured.
    """
    inspection = read_json(staged)
    if claim.seen:
        same = claim.state() == claim.seen
    else:
        order = {scan.name: i for i, scan in enumerate(inspection.scans)}
        paths = sorted(claim.scans, key=lambda path: order.get(path.name, 0))
        if not all(map(is_plain, paths)):
            raise GrewAgain(claim.title)  # one was taken away, which is said when it is decided anew
        hashes = {path: _hash(path, station.alive) for path in paths}
        same = set_hash(paths, hashes) == inspection.provenance.scan_set_sha256
    if not same:
        raise GrewAgain(claim.title)
    try:
        with at("ledger.commit"):
            entry = station.ledger.record(inspection, of_one_piece=True)
    except OtherPieceError as error:  # while this one was measured, or by another service at the same time
        return _as_another(error.found, inspection.part_number, Identity(inspection.serial, inspection.lot))
    if json.loads(entry.text)["id"] == inspection.id:
        file_measured(claim, station, inspection, inspection.id)
        return inspection, ""
    provenance = inspection.provenance
    known = station.ledger.find(provenance.scan_set_sha256, provenance.recipe_fingerprint) or inspection
    file_measured(claim, station, known, "")
    return known, RECOGNISED


RECOGNISED = "recognised: these bytes were measured before, nothing new recorded"


def file_measured(claim: Claim, station: Station, inspection: Inspection, evidence_of: str) -> None:
    """Note that the scans go where the outcome belongs."""
    if inspection.outcome is not Outcome.HOLD:
        note_filing(claim, station.folders, "measured", inspection=evidence_of)
        return
    reason = (
        f"Part {inspection.part_number}, serial {inspection.serial}: on hold.",
        f"Why: {inspection.reason}",
        f"What to do: {inspection.advice or ASK_ENGINEER}",
        f"Inspection {inspection.id}, {inspection.provenance.finished_utc}",
    )
    note_filing(claim, station.folders, "held", reason, evidence_of)


def file_held(claim: Claim, station: Station, hold: Hold) -> None:
    """Note that the scans are put aside without an inspection."""
    reason = (f"Not measured: {claim.title}", f"Why: {hold.reason}", f"What to do: {hold.advice}")
    note_filing(claim, station.folders, "held", reason)


def identify(path: Path, recipes: Mapping[Path, Recipe]) -> tuple[Path, Identity] | str:
    """Recipe and piece of one scan file by its name and the piece file beside it, or why that can't be told."""
    piece = read_piece(path)
    return piece if isinstance(piece, str) else choose(path.name, recipes, piece)


def _chosen(scans: Sequence[Path], station: Station) -> tuple[Path, Identity] | Hold:
    """Recipe and piece of all files of a claim."""
    path: Path | None = None
    identity: Identity | None = None
    for scan in scans:
        piece = read_piece(scan)
        if isinstance(piece, str):
            return Hold(piece, "Correct the piece file and drop both again.")
        chosen = choose(scan.name, station.recipes, piece)
        if isinstance(chosen, str):
            if station.broken:
                chosen += f"; left out, because not usable now: {', '.join(path.name for path in station.broken)}"
            contradicts = piece != PieceFile() and "piece file" in chosen
            return Hold(chosen, "Correct the piece file or the name and drop both again." if contradicts else RENAME)
        if identity is None:
            path, identity = chosen
            continue
        if (path, identity.serial, identity.lot) != (chosen[0], chosen[1].serial, chosen[1].lot):
            return Hold(f"{shown(scan.name)} and {shown(scans[0].name)} are not of one piece", RENAME)
        identity = replace(identity, operator=identity.operator or chosen[1].operator)
    assert path is not None and identity is not None
    return path, identity


def _members(incoming: Path, recipe: Recipe, identity: Identity) -> list[Path]:
    """Scans of the same piece that still lie where they were dropped."""
    grouped = group(waiting(incoming), recipe)
    return [p for s in grouped.sets if (s.serial, s.lot) == (identity.serial, identity.lot) for p in s.paths]


def _incomplete(found: Sequence[ScanSet], claim: Claim) -> Hold:
    """Why a set can't be measured."""
    if len(found) != 1:
        return Hold(f"the names of {claim.title} don't say which scans of the set they are", RENAME)
    lacks = [f'the scan "{name}" is missing' for name in found[0].missing]
    text = "; ".join((*found[0].problems, *lacks))
    return Hold(f"the set of serial {found[0].serial} is not complete: {text}", "Drop all scans of the set together.")


def _of_another_piece(hashes: Iterable[str], part: str, identity: Identity, ledger: Ledger) -> Hold | None:
    """Whether these bytes were measured as another piece; nobody can tell then which of the two they show."""
    for sha256 in hashes:
        for found in ledger.same_scan(sha256):
            if (found.part_number, found.lot, found.serial) != (part, identity.lot, identity.serial):
                return _as_another(found, part, identity)
    return None


def _as_another(found: Inspection, part: str, identity: Identity) -> Hold:
    """The hold of a scan whose bytes were measured as another piece."""
    what = f"serial {found.serial!r}"
    if found.serial == identity.serial:
        what += f", lot {found.lot!r}" if found.part_number == part else f" of part {found.part_number!r}"
    text = f"the same bytes were already measured as {what}"
    return Hold(text, "Find out which piece this scan shows; scan the other piece again.")


def _hash(path: Path, alive: Callable[[], object]) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(HASH_BYTES):
            digest.update(block)
            alive()
    return digest.hexdigest()
