"""The service: looks into the incoming folder, claims what is complete, has it measured, commits and files it.

One thread, one loop. All that it knows lies on the disk: going on with a claim after a kill is the same code as going
on with it now.
"""

from __future__ import annotations

import os
import platform
import time
import traceback
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from runner.intake.around import adopt_flat, stale
from runner.intake.choose import RecipeBook
from runner.intake.claim import open_claim, take
from runner.intake.desk import FIRST_PAUSE_S, Desk
from runner.intake.folders import listing, shown
from runner.intake.health import FOLDER, Health, State, WaitingSet, read_health, write_health
from runner.intake.process import Done, Station
from runner.intake.sets import Waiting
from runner.intake.settle import Settling
from runner.intake.slot import adopt_dead, claim_folders, open_slot, unexplained
from runner.intake.steps import at
from runner.intake.submit import Submit
from runner.intake.trouble import Events, Troubles
from runner.intake.upkeep import Upkeep
from runner.intake.wake import Wake
from runner.pipeline.stamp import utc_now
from runner.report.atomic import sweep_temporaries

LOOK_AROUND_S = 10.0
"""Between two looks for services that died, and for things that nobody can explain."""
BEAT_S = 1.0
"""Least time between two heartbeats, however fast the loop turns."""
LISTING_S = 1.0
"""A listing is worked off for so long before the folder is listed again."""
SHORTEST_WAIT_S = 0.02
STRAYS_AT_ONCE = 50


@dataclass(frozen=True)
class Settings:
    """How the service works."""

    poll_s: float = 5.0
    quiet_s: float = 1.0
    patience_s: float | None = None
    """How long a file that does not change and is not whole is waited for; None: 30 quiet times."""
    set_wait_s: float = 1800.0
    workers: int = 1
    once_patience_s: float = 60.0
    """``once``: how long trouble is tried again before the claims are left for the next run."""


class Service:
    """One running service."""

    def __init__(
        self,
        station: Station,
        submit: Submit,
        settings: Settings,
        log: Events,
        upkeep: Upkeep,
        *,
        wake: Wake | None = None,
        each: Callable[[Done], None] = lambda done: None,
        book: RecipeBook | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """``each`` is told what became of each claim; ``book`` reads changed recipes into the station's."""
        self.station = station
        self.settings = settings
        self.wake = wake or Wake()
        self.troubles = Troubles(log)
        self._submit = submit
        self._log = log
        self._upkeep = upkeep
        self._book = book
        self._clock = clock
        self._each = each
        self._done: list[Done] = []
        self._desk = Desk(
            station,
            submit,
            log,
            upkeep,
            self.troubles,
            quiet_s=settings.quiet_s,
            each=self._ended,
            stuck=self._explain_not,
            clock=clock,
        )
        station.alive = lambda: self._write_health(State.STOPPING if self.wake.stops else State.RUNNING)
        self._settling = Settling(settings.quiet_s, settings.patience_s, clock)
        self._waiting = Waiting(settings.set_wait_s)
        self._sets: tuple[WaitingSet, ...] = ()
        self._ready: deque[tuple[Path, ...]] = deque()
        self._queue = 0
        self._listed_at = self._looked_at = self._beat_at = -1e9
        self._moved_at = clock()
        self._unexplained: dict[str, tuple[str, ...]] = {}
        """Claims that nobody can explain, with the names that lay in them: once these change, they are tried again."""
        self._first: set[Path] | None = None
        """``once``: what lay there at the first look."""
        self._later: set[Path] = set()
        self._once = False
        self._started_utc = utc_now()
        self._incoming = str(station.folders.incoming.absolute())

    def run(self, *, once: bool = False) -> list[Done]:
        """Work until asked to stop, or (``once``) until what lies there now is done; return what became of it."""
        folders, out = self.station.folders, self.station.out
        slot, problem = open_slot(folders.measuring, self.station.name)
        self._slot = slot
        self._once = once
        self.troubles.note("locks", problem)
        swept = sweep_temporaries(out / FOLDER)
        for beat in read_health(out / FOLDER):
            if beat.folder == self._incoming:
                self._waiting.remember(beat.sets)
        self._log.event("service.start", pid=os.getpid(), host=platform.node(), slot=slot.name, swept=list(swept))
        try:
            self._write_health(State.RUNNING)
            while not self._over(once):
                moved = self._turn(once)
                self._write_health(State.STOPPING if self.wake.stops else State.RUNNING)
                if not moved:
                    self._submit.wait(self._pause(), (self.wake.waitable,))
                    self.wake.hush()
        finally:
            self._stop()
        return self._done

    def _over(self, once: bool) -> bool:
        if self.wake.stops:
            return self.wake.stops > 1 or not self._desk.measuring()
        if not once or self._desk.measuring():
            return False
        if not self.left and all(path.name in self._unexplained for path in claim_folders(self._slot)):
            return True
        patience = max(self.settings.once_patience_s, 1.0 + self._settling.patience_s)
        return self._clock() - self._moved_at > patience

    def _turn(self, once: bool) -> bool:
        """Do everything that can be done now; True when something moved."""
        if self.wake.stops and not self._desk.closing:
            self._desk.closing = True
            self._log.event("service.stopping", signals=self.wake.stops, in_hand=self._desk.titles())
        moved = self._guarded("look around", self._look_around)
        moved |= self._guarded("desk", self._desk.turn)
        if not self.wake.stops:
            moved |= self._guarded("look", lambda: self._look(once))
        self._guarded("documents", self._keep_up)
        return moved

    def _keep_up(self) -> bool:
        self._upkeep.work(idle=not len(self._desk) and not self._queue)
        self.troubles.note_all("documents", self._upkeep.trouble())
        return False

    def _guarded(self, about: str, act: Callable[[], bool]) -> bool:
        """Go on after a fault of this program: it is told, and everything else is still done."""
        try:
            moved = act()
        except Exception as error:
            text = f"a fault of the program ({about}): {type(error).__name__}: {error}"
            if self.troubles.note(f"fault {about}", text):
                self._log.event("fault", about=about, trace=traceback.format_exc())
            return False
        self.troubles.note(f"fault {about}", "")
        return moved

    def _pause(self) -> float:
        """How long nothing can happen, as far as is known."""
        around = self._looked_at + LOOK_AROUND_S - self._clock()
        waits = [self.settings.poll_s, self._settling.next_in(), self._desk.next_in(), around]
        return max(SHORTEST_WAIT_S, min(wait for wait in waits if wait is not None))

    # incoming

    def _look(self, once: bool) -> bool:
        """Claim what is complete, as far as it can be measured now."""
        self._read_recipes()
        moved = False
        if not self._ready or self._clock() - self._listed_at > LISTING_S:
            moved = self._list(once)
        while self._ready and self._desk.free() > 0:
            moved |= self._claim(self._ready.popleft())
        return moved

    def _list(self, once: bool) -> bool:
        """List the folder, hold what can't be measured, and queue what can."""
        self._listed_at = self._clock()
        try:
            seen = listing(self.station.folders.incoming)
            files = list(seen.scans)
            if once:
                self._first = set(files) if self._first is None else self._first
                files = [path for path in files if path in self._first]
            found = self._waiting.sort(self._settling.look(files), files, self.station.recipes)
        except OSError as error:
            self.troubles.note("incoming", f"the incoming folder can't be read: {error.strerror or error}")
            return False
        lacking = [f"{shown(name)}: {why}" for name, why in self._settling.unsettled().items()]
        self.troubles.note("incoming", "; ".join((*seen.passed_over, *lacking)))
        self._sets, self._queue = found.waiting, len(files)
        # left for the next run: what somebody still writes, and members of sets that are not complete
        self._later = {path for path in files if self._settling.changing(path)} | set(found.members)
        moved = False
        for paths in (*found.strays[:STRAYS_AT_ONCE], *found.late):
            moved |= self._claim(paths)
        self._ready = deque((*found.sets, *((path,) for path in found.singles)))
        return moved

    def _claim(self, paths: tuple[Path, ...]) -> bool:
        """Claim files and go on with them at once."""
        try:
            claim = take(self._slot.folder, self.station.folders.root, paths)
        except OSError as error:
            self.troubles.note("claim", f"{shown(paths[0].name)} can't be claimed: {error.strerror or error}")
            self._look_around_soon()  # it may be half claimed
            return False
        self.troubles.note("claim", "")
        if claim is None:
            return False
        self._queue -= len(claim.note.files)
        self._moved_at = self._clock()
        for path in paths:
            self._settling.forget(path)
        self._log.event("scan.claimed", files=list(claim.note.files), claim=claim.name)
        self._desk.take_on(claim)
        return True

    def _read_recipes(self) -> None:
        """Read recipes that changed."""
        if self._book is None:
            return
        if self._book.refresh():
            broken = sorted(path.name for path in self._book.broken)
            self._log.event("recipes.read", sound=len(self._book.recipes), broken=broken)
            self._ready.clear()
        texts = [f"{path.name} is not usable and left out" for path in self._book.broken]
        self.troubles.note("recipes", "; ".join(texts))

    # what others left

    def _look_around(self) -> bool:
        """Take up claims that a service left which was killed, and look for what nobody can explain."""
        if self._clock() - self._looked_at < LOOK_AROUND_S:
            return False
        self._looked_at = self._clock()
        folders, out, slot = self.station.folders, self.station.out, self._slot
        moved = False
        try:
            if not self.wake.stops:
                for path in adopt_flat(folders, slot):
                    self._log.event("claim.adopted", claim=path.name)
                for path in adopt_dead(folders.measuring, slot, out):
                    self._log.event("claim.adopted", claim=path.name)
                self._forget_explained(slot.folder)
                for path in claim_folders(slot):
                    moved |= self._open(path)
            self.troubles.note("strange", "; ".join((*unexplained(folders.measuring), *stale(folders, out))))
            self.troubles.note("around", "")
        except OSError as error:
            self.troubles.note("around", f"what was left behind can't be taken up: {error}")
            self._look_around_soon()
        return moved

    def _look_around_soon(self) -> None:
        self._looked_at = self._clock() - LOOK_AROUND_S + FIRST_PAUSE_S

    def _open(self, folder: Path) -> bool:
        """Take up one claim."""
        if folder.name in self._desk or folder.name in self._unexplained:
            return False
        claim = open_claim(folder, self.station.folders.incoming)
        if isinstance(claim, str):
            self._explain_not(folder.name, claim)
        elif claim is not None:
            self._log.event("scan.recovered", files=list(claim.note.files), claim=claim.name)
            self._desk.take_on(claim)
        return True

    def _explain_not(self, name: str, text: str) -> None:
        """Surface what can't be explained; it is left as it is."""
        self._unexplained[name] = _names(self._slot.folder / name)
        text = f"measuring/{self._slot.name}/{name} {text}: it is not touched; look at it and move it away"
        self.troubles.note(f"unexplained {name}", text)

    def _forget_explained(self, slot: Path) -> None:
        """A person moved something: what is gone is no trouble any more, and what is there is looked at anew."""
        for name, before in list(self._unexplained.items()):
            if _names(slot / name) != before:
                del self._unexplained[name]
                self.troubles.note(f"unexplained {name}", "")

    # telling

    def _ended(self, done: Done) -> None:
        self._moved_at = self._clock()
        if self._once:
            self._done.append(done)  # a single run returns them; a long one would fill the memory with them
        self._each(done)

    def _write_health(self, state: State) -> None:
        if self._clock() - self._beat_at < min(BEAT_S, self.settings.poll_s):
            return
        self._beat_at = self._clock()
        health = Health(
            station=self._slot.name,
            host=platform.node(),
            pid=os.getpid(),
            started_utc=self._started_utc,
            beat_utc=utc_now(),
            poll_s=self.settings.poll_s,
            state=state,
            waiting=max(0, self._queue),
            in_hand=self._desk.measuring(),
            sets=self._sets,
            trouble=self.trouble(),
            workers=self.settings.workers,
            folder=self._incoming,
        )
        try:
            with at("health.write"):
                problem = write_health(self.station.out / FOLDER, health)
        except OSError as error:
            problem = f"the heartbeat can't be written: {error.strerror or error}"
        self.troubles.note("health", problem)

    @property
    def left(self) -> list[str]:
        """What is not at its end, for people: claims, and what a single run saw, or could not see, in the folder."""
        if not self._once:
            return self._desk.titles()
        if self._first is None:
            return [str(self.station.folders.incoming), *self._desk.titles()]
        unclaimed = sorted(shown(path.name) for path in self._first - self._later if path.exists())
        return [*unclaimed, *self._desk.titles()]

    def trouble(self) -> tuple[str, ...]:
        """What is not as it should be, one sentence each."""
        return self.troubles.texts()

    def _stop(self) -> None:
        """End: documents up to date, last word, lock given up. At the second signal only the last two."""
        self._submit.close(wait=self.wake.stops < 2)
        self._desk.release()
        if self.wake.stops < 2:
            with at("documents.write"):
                self._upkeep.finish()
            self.troubles.note_all("documents", self._upkeep.trouble())
        else:
            self._upkeep.leave()
        self._beat_at = -1e9
        self._write_health(State.STOPPED)
        if self.wake.stops < 2:
            # once more, with the last word: a board that says "running" would soon cry that nobody answers
            self._upkeep.show()
        self._log.event("service.stop", left=self._desk.titles(), signals=self.wake.stops)
        self._slot.close()
        self.wake.close()


def _names(folder: Path) -> tuple[str, ...]:
    """What lies in a folder; nothing when it is gone."""
    try:
        return tuple(sorted(path.name for path in folder.iterdir()))
    except OSError:
        return ()
