"""Sets of scans: which files in the incoming folder belong together, which sets are complete, which wait how long."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from runner.intake.health import WaitingSet
from runner.intake.process import identify
from runner.pipeline.scan_set import ScanSet, group, wanted_scans
from runner.recipe.schema import Recipe

OPTIONAL_SHARE = 0.1
"""Share of the waiting time that a set with all its required scans waits for the optional ones."""

_WHOLE_S = 2.0
"""What is noted of the last run has whole seconds; times of files have more, or less."""

Key = tuple[Path, str, str]
"""Recipe, lot, serial."""


@dataclass(frozen=True)
class Sorted:
    """What can be claimed now."""

    singles: tuple[Path, ...]
    """Scans to be measured by themselves."""
    strays: tuple[tuple[Path, ...], ...]
    """Files that can only be held, alone or with those they are at odds with; they take no measuring."""
    sets: tuple[tuple[Path, ...], ...]
    """Complete sets, the file that decides the claim first."""
    late: tuple[tuple[Path, ...], ...]
    """Sets whose time is over, to be held."""
    waiting: tuple[WaitingSet, ...]
    members: tuple[Path, ...]
    """The files of those."""


@dataclass
class Waiting:
    """Remembers since when the sets wait."""

    wait_s: float
    now: Callable[[], datetime] = lambda: datetime.now(UTC)
    """The time of day: for people, and for what the last run saw. It may be set, so it decides nothing else."""
    clock: Callable[[], float] = time.monotonic
    _since: dict[Key, float] = field(default_factory=dict)
    _names: dict[Key, frozenset[str]] = field(default_factory=dict)
    _newest: dict[Key, float] = field(default_factory=dict)
    _before: dict[tuple[str, str], tuple[frozenset[str], datetime]] = field(default_factory=dict)
    """By part and serial: what the last run saw waiting, and since when."""

    def remember(self, sets: Iterable[WaitingSet]) -> None:
        """Go on counting where the last run ended: a service that is started again and again holds late sets too."""
        for one in sets:
            with contextlib.suppress(ValueError):
                since = datetime.fromisoformat(one.since_utc.replace("Z", "+00:00"))
                self._before[one.part, one.serial] = frozenset(one.have), since

    def _first_seen(self, found: ScanSet, recipe: Recipe) -> float:
        before = self._before.pop((recipe.part.number, found.serial), None)
        if before is None:
            return self.clock()
        have, since = before
        try:
            arrived = min((path.lstat().st_ctime for name, path in found.members if name in have), default=float("inf"))
        except OSError:
            arrived = float("inf")
        # files that came since are another set of this serial, which has its own time to wait
        if not have <= {name for name, _ in found.members} or arrived > since.timestamp() + _WHOLE_S:
            return self.clock()
        return self.clock() - max(0.0, (self.now() - since).total_seconds())

    def sort(self, files: Sequence[Path], present: Sequence[Path], recipes: Mapping[Path, Recipe]) -> Sorted:
        """Sort the settled ``files``; ``present`` are all that lie there, settled or not.

        A set with a member that is still being written is neither complete nor late.
        """
        singles: list[Path] = []
        strays: list[tuple[Path, ...]] = []
        held_back: list[Path] = []
        members: dict[Path, list[Path]] = {}
        arriving: set[Key] = set()
        for path in files:
            try:
                chosen = identify(path, recipes)
            except OSError:
                continue  # looked at again next time
            except Exception:
                strays.append((path,))  # whoever has the claim says what is wrong, and holds it
                continue
            if isinstance(chosen, str):
                strays.append((path,))
            elif wanted_scans(recipes[chosen[0]]):
                members.setdefault(chosen[0], []).append(path)
            else:
                singles.append(path)
        settled = set(files)
        for path in present:
            if path in settled:
                continue
            with contextlib.suppress(Exception):
                if not isinstance(chosen := identify(path, recipes), str):
                    arriving.add((chosen[0], chosen[1].lot, chosen[1].serial))
        complete: list[tuple[Path, ...]] = []
        late: list[tuple[Path, ...]] = []
        waiting: list[WaitingSet] = []
        keys: set[Key] = set()
        for recipe_path, paths in members.items():
            recipe = recipes[recipe_path]
            grouped = group(paths, recipe)
            strays += [(path,) for path in grouped.strangers]
            for found in grouped.sets:
                key = (recipe_path, found.lot, found.serial)
                keys.add(key)
                wrong = _wrong(found, recipe)
                if wrong:
                    strays.append(tuple(wrong))
                    continue
                state = self._state(key, found, recipe, key in arriving)
                if state == "complete":
                    complete.append(_claim_order(found, recipe))
                elif state == "late":
                    late.append(found.paths)
                else:
                    waiting.append(self._waiting(key, found, recipe))
                    held_back += found.paths
        for memory in (self._since, self._names, self._newest):
            for key in set(memory) - keys:
                del memory[key]
        return Sorted(tuple(singles), tuple(strays), tuple(complete), tuple(late), tuple(waiting), tuple(held_back))

    def _state(self, key: Key, found: ScanSet, recipe: Recipe, arriving: bool) -> str:
        names = frozenset(path.name for path in found.paths)
        if key not in self._since:
            self._since[key] = self._first_seen(found, recipe)
        now, since = self.clock(), self._since[key]
        if names != self._names.get(key):
            self._names[key], self._newest[key] = names, now
        if arriving:
            return "waiting"
        if found.complete:
            optional = set(wanted_scans(recipe)) - {name for name, _ in found.members}
            grace = OPTIONAL_SHARE * self.wait_s
            return "complete" if not optional or now - self._newest[key] >= grace else "waiting"
        return "late" if now - since >= self.wait_s else "waiting"

    def _waiting(self, key: Key, found: ScanSet, recipe: Recipe) -> WaitingSet:
        have = tuple(name for name, _ in found.members)
        since = self._since[key]
        until = since + self.wait_s
        if found.complete:
            until = self._newest[key] + OPTIONAL_SHARE * self.wait_s
        lacking = tuple(name for name in wanted_scans(recipe) if name not in have)
        now, today = self.clock(), self.now()
        since_utc, until_utc = (_text(today + timedelta(seconds=moment - now)) for moment in (since, until))
        return WaitingSet(recipe.part.number, found.serial, have, lacking, since_utc, until_utc)


def _claim_order(found: ScanSet, recipe: Recipe) -> tuple[Path, ...]:
    """The members, a required one first: every service that sees the set complete claims it by the same file."""
    required = wanted_scans(recipe)
    return tuple(path for _, path in sorted(found.members, key=lambda member: not required.get(member[0], False)))


def _wrong(found: ScanSet, recipe: Recipe) -> list[Path]:
    """Files that no waiting makes right: a scan that the recipe doesn't name, or one that is there twice."""
    names = [name for name, _ in found.members]
    wanted = wanted_scans(recipe)
    return [path for name, path in found.members if name not in wanted or names.count(name) > 1]


def _text(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")
