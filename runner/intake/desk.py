"""The claims that a service has in hand, each taken to its end; what can't be done now is tried again later.

What the surroundings refuse (disk full, ledger locked, folder away) is tried again after a growing pause: the scan
stays claimed, the trouble is shown, and everything else goes on.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy.exc import SQLAlchemyError

from runner.diagnostics import RunnerError
from runner.intake import filing, process
from runner.intake.claim import Claim
from runner.intake.folders import shown
from runner.intake.health import InHand
from runner.intake.job import ASK, TRANSIENT, Finished, Job
from runner.intake.process import Done, GrewAgain, Hold, Station
from runner.intake.submit import Submit
from runner.intake.trouble import Events, Troubles
from runner.intake.upkeep import Upkeep
from runner.records import Inspection

FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 60.0
FAULTS = 3
"""A fault of this program in handling one scan is tried again so often before the scan is held."""


@dataclass
class Work:
    """A claim in hand."""

    claim: Claim
    part: str = ""
    serial: str = ""
    job: Job | None = None
    """What is to be measured, until it is given to a process."""
    submitted: bool = False
    retry_at: float = 0.0
    """When it is tried again; 0 when it need not wait."""
    pause_s: float = 0.0
    """The last pause; 0 when nothing kept it from its end so far."""
    faults: int = 0
    verdict: Hold | None = None
    """Decided by the measuring process: it can't be measured."""
    rested: tuple[dict[str, tuple[int, int]], float] | None = None
    """A claimed file that changed, and since when it looks like this."""
    inspection: Inspection | None = None
    remark: str = ""
    seconds: float = 0.0
    """What measuring took."""


class Desk:
    """Takes claims on and finishes them."""

    def __init__(
        self,
        station: Station,
        submit: Submit,
        log: Events,
        upkeep: Upkeep,
        troubles: Troubles,
        *,
        quiet_s: float,
        each: Callable[[Done], None],
        stuck: Callable[[str, str], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """``each`` is told what became of a claim; ``stuck`` a claim's folder and what can't be explained about it."""
        self.station = station
        self._submit = submit
        self._log = log
        self._upkeep = upkeep
        self._troubles = troubles
        self._quiet_s = quiet_s
        self._each = each
        self._stuck = stuck
        self._clock = clock
        self._work: dict[str, Work] = {}
        self.closing = False
        """Set when the service was asked to stop: what is not being measured yet is left for the next start."""

    def __len__(self) -> int:
        return len(self._work)

    def __contains__(self, claim: object) -> bool:
        return claim in self._work

    def take_on(self, claim: Claim) -> None:
        """Add a claim and do the first thing for it."""
        work = self._work[claim.name] = Work(claim)
        self._go_on(work)

    def turn(self) -> bool:
        """Take in what was measured, and try what is due; True when something was done."""
        answers = self._submit.ready()
        for answer in answers:
            self._answered(answer)
        moved = bool(answers)
        for work in list(self._work.values()):
            if not work.submitted and work.retry_at <= self._clock():
                moved |= self._go_on(work)
        return moved

    def free(self) -> int:
        """How many more scans can be measured now: a claim that waits for a process takes its place."""
        waiting = sum(not w.submitted and (w.job is not None or not w.pause_s) for w in self._work.values())
        return self._submit.capacity() - waiting

    def next_in(self) -> float | None:
        """Seconds until something is due to be tried again; None when nothing is."""
        now = self._clock()
        # a job whose time has come waits for a process, which rings when it is free
        waiting = [w for w in self._work.values() if not w.submitted and (w.job is None or w.retry_at > now)]
        waits = [w.retry_at - now for w in waiting]
        return max(0.0, min(waits)) if waits and not self.closing else None

    def measuring(self) -> tuple[InHand, ...]:
        """What is being measured."""
        return tuple(
            InHand(shown(work.claim.title), work.part, work.serial, work.claim.note.claimed_utc)
            for work in self._work.values()
            if work.submitted
        )

    def titles(self) -> list[str]:
        """Every claim, for people."""
        return [shown(work.claim.title) for work in self._work.values()]

    def release(self) -> None:
        """Leave everything as it is for the next start; being stopped on purpose is not the scans' fault."""
        for work in self._work.values():
            if work.submitted or work.job is not None:
                _does_not_count(work)

    # one claim

    def _go_on(self, work: Work) -> bool:
        """Do the next thing for a claim, whatever that is; True when something was done."""
        try:
            if not self._next(work):
                return False
        except GrewAgain:
            return self._grew(work)
        except (OSError, RunnerError, SQLAlchemyError) as error:
            if isinstance(error, OSError) and error.errno not in TRANSIENT:
                return self._own_fault(work, error)
            return self._later(work, str(error))
        except Exception as error:
            return self._own_fault(work, error)
        self._troubles.note(work.claim.name, "")
        work.retry_at = 0.0
        if not work.submitted:  # or else what the process answers tells whether the trouble is over
            work.pause_s = 0.0
        return True

    def _next(self, work: Work) -> bool:
        claim, station = work.claim, self.station
        if claim.note.filing is None:
            if work.job is not None and work.verdict is None:
                return self._give(work, work.job)
            if work.rested is not None and not self._rests(work):
                return False
            staged = filing.staged_inspection(station.out, claim)
            if work.verdict is not None:
                self._note_hold(work, work.verdict)
            elif staged is not None:
                found = process.commit(claim, staged, station)
                if isinstance(found, Hold):
                    self._note_hold(work, found)
                else:
                    work.inspection, work.remark = found
            elif self.closing:
                return False
            else:
                decision = process.decide(claim, station)
                if isinstance(decision, Job):
                    work.job = decision
                    return self._give(work, decision)
                if isinstance(decision, Hold):
                    self._note_hold(work, decision)
                else:
                    work.inspection, work.remark = decision, process.RECOGNISED
                    process.file_measured(claim, station, decision, "")
        if work.inspection is not None:
            self._upkeep.touched(work.inspection.part_number)
        self._file(work)
        return True

    def _give(self, work: Work, job: Job) -> bool:
        """Have it measured as soon as there is a place."""
        if self.closing or self._submit.capacity() <= 0:
            return False
        work.part = self.station.recipes[job.recipe].part.number if job.recipe in self.station.recipes else ""
        work.serial = job.identity.serial
        try:
            self._submit.submit(job)
        except OSError as error:  # no further process, or no memory for one: the job waits
            return self._later(work, f"nothing can be given to be measured: {error.strerror or error}")
        work.job, work.submitted = None, True
        return True

    def _answered(self, answer: Finished) -> None:
        work = self._work.get(answer.claim)
        if work is None or not work.submitted:
            return
        work.submitted = False
        work.seconds = answer.seconds
        if answer.trouble:
            _does_not_count(work)
            self._later(work, answer.trouble)
            return
        work.pause_s = 0.0
        if answer.fault:
            self._log.event("measure.fault", files=list(work.claim.note.files), fault=answer.fault)
            work.verdict = Hold(answer.fault, answer.advice or ASK)
        self._go_on(work)

    def _note_hold(self, work: Work, hold: Hold) -> None:
        process.file_held(work.claim, self.station, hold)
        work.inspection, work.remark = None, hold.reason

    def _file(self, work: Work) -> None:
        """Put everything into its place, and tell."""
        claim, found = work.claim, work.inspection
        filed, strangers = filing.finish(claim, self.station.folders, self.station.out)
        del self._work[claim.name]
        if strangers:
            self._stuck(claim.name, f"holds {', '.join(map(shown, strangers))}, which no service put there")
        assert claim.note.filing is not None
        after_stop = "; ".join(("filed after a stop", *claim.note.filing.reason))
        remark = work.remark or ("" if found is not None else after_stop)
        self._log.event(
            "scan.filed",
            claim=claim.name,
            to=claim.note.filing.to,
            files=[path.name for path in filed],
            part=found.part_number if found else "",
            serial=found.serial if found else "",
            outcome=str(found.outcome) if found else "",
            reason=remark or (found.reason if found else ""),
            seconds=work.seconds,
        )
        self._each(Done(filed[0], found, remark))

    # trouble

    def _later(self, work: Work, why: str) -> bool:
        """Try again after a pause that grows."""
        work.pause_s = min(LONGEST_PAUSE_S, max(FIRST_PAUSE_S, 2.0 * work.pause_s))
        work.retry_at = self._clock() + work.pause_s
        self._troubles.note(work.claim.name, f"{shown(work.claim.title)} waits, and is tried again: {why}")
        return False

    def _own_fault(self, work: Work, error: Exception) -> bool:
        """A fault of this program: tried again, then the scan is held rather than tried for ever."""
        work.faults += 1
        text = f"{type(error).__name__}: {error}"
        self._log.event("fault", claim=work.claim.name, error=text)
        if work.faults == FAULTS:
            work.verdict = Hold(f"a fault of the program in handling this scan: {text}", ASK)
        return self._later(work, f"a fault of the program: {text}")

    def _grew(self, work: Work) -> bool:
        """The file grew again after the claim: what was measured is void; it is measured anew when it rests."""
        self._log.event("scan.grew", files=list(work.claim.note.files), claim=work.claim.name)
        try:
            filing.clear_work(self.station.out, work.claim, "stage.clear")
            _does_not_count(work)
            work.rested = (work.claim.state(), self._clock())
        except OSError as error:
            return self._later(work, str(error))
        work.retry_at = self._clock() + self._quiet_s
        self._troubles.note(work.claim.name, f"{shown(work.claim.title)} is still written to after it was claimed")
        return False

    def _rests(self, work: Work) -> bool:
        """Whether a claimed file that changed has come to rest."""
        assert work.rested is not None
        state, since = work.rested
        now = work.claim.state()
        if now != state:
            work.rested, since = (now, self._clock()), self._clock()
        if self._clock() - since < self._quiet_s:
            work.retry_at = since + self._quiet_s
            return False
        work.rested = None
        return True


def _does_not_count(work: Work) -> None:
    """Take a try back that ended for a reason outside of the scan."""
    with contextlib.suppress(OSError):
        work.claim.save(tries=max(0, work.claim.note.tries - 1))
