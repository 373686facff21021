"""Which scan files belong to one part, by the recipe's file name pattern: ``{scan}`` names the member of the set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from runner.recipe.filenames import match
from runner.recipe.schema import Recipe

REQUIRED = "required"


@dataclass(frozen=True)
class ScanSet:
    """The scan files of one part that are there."""

    serial: str
    lot: str
    members: tuple[tuple[str, Path], ...]
    """Name of each scan with its file, in the order in which the recipe names them; ("", file) where the recipe asks
    for one scan only."""
    missing: tuple[str, ...]
    """Required scans that are not there yet."""
    problems: tuple[str, ...] = ()
    """What is wrong with the files that are there, one sentence each."""

    @property
    def complete(self) -> bool:
        """Whether it can be measured: every required scan is there, and nothing is wrong."""
        return not self.missing and not self.problems

    @property
    def paths(self) -> tuple[Path, ...]:
        """The files, in the order of the members."""
        return tuple(path for _, path in self.members)


@dataclass(frozen=True)
class Grouped:
    """Files put into sets."""

    sets: tuple[ScanSet, ...]
    """By lot and serial, in the order in which their first files came."""
    strangers: tuple[Path, ...]
    """Files whose names don't fit the recipe's pattern, or carry no serial."""


def wanted_scans(recipe: Recipe) -> dict[str, bool]:
    """Return the scans that the recipe asks for, by name, and whether each is required; empty for a single scan."""
    stated = getattr(recipe.scan, "set", None)
    if not stated:
        return {}
    if isinstance(stated, Mapping):
        return {str(name): str(need) == REQUIRED for name, need in stated.items()}
    return {str(name): True for name in stated}


def group(files: Sequence[Path], recipe: Recipe) -> Grouped:
    """Put files into sets by their names alone; no file is opened.

    Parts of different lots are different parts. Where the recipe names no set, each file is a part of its own, even
    with a serial that another file carries too: two scans of one part are two attempts then.
    """
    wanted = wanted_scans(recipe)
    names = {_plain(name): name for name in wanted}
    found: dict[tuple[str, str], list[tuple[str, Path]]] = {}
    singles: list[ScanSet] = []
    strangers: list[Path] = []
    for path in files:
        fields = match(recipe.scan.file_name or "", path.name, {"part": recipe.part.number})
        serial = (fields or {}).get("serial", "")
        if fields is None or not serial:
            strangers.append(path)
        elif not wanted:
            singles.append(ScanSet(serial, fields.get("lot", ""), (("", path),), ()))
        else:
            scan = fields.get("scan", "")
            key = (fields.get("lot", ""), serial)
            found.setdefault(key, []).append((names.get(_plain(scan), scan), path))
    sets = tuple(_set(lot, serial, members, wanted) for (lot, serial), members in found.items())
    return Grouped((*singles, *sets), tuple(strangers))


def _set(lot: str, serial: str, members: Sequence[tuple[str, Path]], wanted: Mapping[str, bool]) -> ScanSet:
    """One set, its members in the recipe's order, with what is missing and what is wrong."""
    order = list(wanted)
    problems = []
    named: dict[str, list[Path]] = {}
    for name, path in members:
        named.setdefault(name, []).append(path)
    for name, paths in named.items():
        if name not in wanted:
            what = f'is "{name}", which is none of {", ".join(order)}' if name else "does not say which scan it is"
            problems += [f"{path.name} {what}" for path in paths]
        elif len(paths) > 1:
            problems.append(f'the scan "{name}" is there {len(paths)} times: {", ".join(p.name for p in paths)}')
    known = [(name, path) for name in order for path in named.get(name, ())]
    strange = [(name, path) for name, path in members if name not in wanted]
    missing = tuple(name for name in order if wanted[name] and name not in named)
    return ScanSet(serial, lot, (*known, *strange), missing, tuple(problems))


def _plain(name: str) -> str:
    """A name without regard to case and blanks: file names seldom keep either."""
    return "".join(name.split()).casefold()
