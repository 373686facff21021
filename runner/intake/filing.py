"""The end of a claim: evidence into the output folder, scans where they belong, the reason beside a held one.

What is to be done is noted before the first move, so that it can be finished by whoever comes after a kill.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from runner.intake.claim import REASON_TEMPORARY, Claim, Filing, Move
from runner.intake.folders import COMPANIONS, REASON_SUFFIX, Folders, free_names, is_plain
from runner.intake.moves import move_new, same_file, sync_folder, write_small
from runner.intake.steps import at

WORK = Path("service") / "work"
"""In the output folder: one folder for each claim, with the evidence of a measurement that is not committed yet."""


def work_folder(out: Path, claim: str) -> Path:
    """Where the evidence of a claim waits for its commit."""
    return out / WORK / claim


def stage_folder(out: Path, claim: Claim) -> Path:
    """Where the present try writes its evidence."""
    return work_folder(out, claim.name) / str(claim.note.tries)


def staged_inspection(out: Path, claim: Claim) -> Path | None:
    """The finished inspection of the newest try, or None. It is written last, so all its evidence is there."""
    for number in range(claim.note.tries, 0, -1):
        found = sorted((work_folder(out, claim.name) / str(number)).glob("*/inspections/[!.]*.json"))
        if len(found) == 1:
            return found[0]
    return None


def clear_work(out: Path, claim: Claim, step: str) -> None:
    """Remove what a claim's measurements wrote and nobody needs."""
    folder = work_folder(out, claim.name)
    if folder.exists():
        with at(step):
            shutil.rmtree(folder)


def note_filing(claim: Claim, folders: Folders, to: str, reason: Iterable[str] = (), inspection: str = "") -> None:
    """Note what is to be done with the files of a claim."""
    target = _target(folders, to)
    moves = [Move(name, next(free_names(name, target))) for name in claim.note.files]
    with at("file.note"):
        claim.save(filing=Filing(to, tuple(moves), tuple(reason), inspection))


def finish(claim: Claim, folders: Folders, out: Path) -> tuple[list[Path], list[str]]:
    """Do what was noted, or the rest of it; return where the scans are now, and names that nobody can explain."""
    filing = claim.note.filing
    assert filing is not None
    target = _target(folders, filing.to)
    if filing.inspection:
        place_evidence(out, claim)
    clear_work(out, claim, "evidence.clear")
    for index in range(len(filing.moves)):
        _move_scan(claim, target, index)
    filing = claim.note.filing
    assert filing is not None
    filed = [target / move.filed_as for move in filing.moves]
    if filing.reason:
        text = ("\n".join(filing.reason) + "\n").encode("utf-8", "backslashreplace")
        for path in filed:
            with at("file.reason"):
                write_small(path.with_name(path.name + REASON_SUFFIX), text, claim.folder / REASON_TEMPORARY)
    sync_folder(target)
    return filed, claim.end()


def place_evidence(out: Path, claim: Claim) -> None:
    """Move the evidence of the committed inspection into the output folder, the inspection file last."""
    inspection = staged_inspection(out, claim)
    if inspection is None:
        return  # placed already
    stage = inspection.parents[2]
    evidence = [p for p in sorted(stage.rglob("*")) if p.is_file() and not p.name.startswith(".") and p != inspection]
    for path in (*evidence, inspection):
        goal = out / path.relative_to(stage)
        with at("evidence.place"):
            goal.parent.mkdir(parents=True, exist_ok=True)
            path.replace(goal)  # named by the inspection's id or by its own hash: the same content, if it is there


def _move_scan(claim: Claim, target: Path, index: int) -> None:
    """Move one scan and what belongs to it; a name that was taken meanwhile is chosen again, and noted first."""
    while True:
        filing = claim.note.filing
        assert filing is not None
        move = filing.moves[index]
        source, goal = claim.folder / move.name, target / move.filed_as
        if not is_plain(source) and not source.is_symlink() and not source.exists():
            break  # moved before a kill
        try:
            with at("file.move"):
                move_new(source, goal)
            break
        except FileExistsError:
            again = Move(move.name, next(free_names(move.name, target)))
            moves = (*filing.moves[:index], again, *filing.moves[index + 1 :])
            with at("file.note"):
                claim.save(filing=replace(filing, moves=moves))
    for suffix in COMPANIONS:
        companion = claim.folder / (move.name + suffix)
        if is_plain(companion):
            _move_companion(companion, target, move.filed_as, suffix)


def _move_companion(companion: Path, target: Path, scan: str, suffix: str) -> None:
    """Move a companion beside its scan. Its name is free unless a stranger took it; then it gets a number."""
    for count in range(1, 1000):
        goal = target / (f"{scan}{suffix}" if count == 1 else f"{scan}.{count}{suffix}")
        try:
            with at("file.companion"):
                move_new(companion, goal)
            return
        except FileExistsError:
            if same_file(companion, goal):
                companion.unlink()
                return
    raise FileExistsError(f"no free name for {companion.name} in {target}")


def _target(folders: Folders, to: str) -> Path:
    return folders.measured if to == "measured" else folders.held
