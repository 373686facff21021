"""What is given to be measured and what comes back: small records that can travel to another process or machine.

Importing this module is light; everything that measures is imported on first use, in the process that measures.
"""

from __future__ import annotations

import errno
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from runner.diagnostics import InputError, MissingLibraryError, RecipeError
from runner.intake.steps import at
from runner.pipeline.identity import Identity
from runner.pipeline.progress import Progress, silent

if TYPE_CHECKING:
    from runner.pipeline.plan import Plan

TRANSIENT = frozenset(
    getattr(errno, name)
    for name in (
        *("ENOSPC", "EDQUOT", "EROFS", "EACCES", "EPERM", "EIO", "ESTALE", "EMFILE", "ENFILE", "EBUSY", "ETXTBSY"),
        *("ENOENT", "ENOTDIR", "ENODEV", "ENXIO", "ETIMEDOUT", "EHOSTDOWN", "ENETDOWN", "ENOTCONN", "ENOLCK", "EAGAIN"),
    )
    if hasattr(errno, name)
)
"""Errors of the surroundings (full disk, folder gone or read-only, share away): tried again, never the scan's fault."""


@dataclass(frozen=True)
class Job:
    """One piece to be measured: everything that the measuring process needs, and nothing that it could change."""

    claim: str
    """Name of the claim; comes back with the answer."""
    scans: tuple[Path, ...]
    recipe: Path
    identity: Identity
    hashes: tuple[str, ...]
    """SHA-256 of each scan's bytes."""
    stage: Path
    """Folder that the evidence is written into: new, and of this job alone."""
    cache: Path | None = None
    """Folder of the array cache; None: the default one."""
    recipe_status: str = "unreleased"
    fingerprint: str = ""
    """Of the recipe that the status is about; a recipe that changed since is not measured by under that status."""


@dataclass(frozen=True)
class Finished:
    """What became of a job. With neither fault nor trouble, the inspection lies in the job's stage folder."""

    claim: str
    fault: str = ""
    """Why this scan can't be measured (the process died, too much memory or time, the recipe is broken)."""
    advice: str = ""
    trouble: str = ""
    """What keeps every scan from being measured now (disk full, folder away): to be tried again."""
    seconds: float = 0.0


Measure = Callable[[Job], Finished]


def measure_job(job: Job, progress: Progress = silent, plans: Plans | None = None) -> Finished:
    """Measure a piece and write its evidence, the inspection last, into the job's stage folder. Never raises."""
    started = time.perf_counter()

    def finished(fault: str = "", advice: str = "", trouble: str = "") -> Finished:
        return Finished(job.claim, fault[:LONGEST], advice, trouble[:LONGEST], round(time.perf_counter() - started, 3))

    try:
        _measure(job, progress, plans or _PLANS)
    except _RecipeChanged as error:
        return finished(trouble=str(error))
    except (RecipeError, InputError) as error:
        return finished(f"the recipe {job.recipe.name} can't be used: {error}", "Mend the recipe and drop it again.")
    except MissingLibraryError as error:
        return finished(trouble=str(error))
    except MemoryError:
        return finished("it needs more memory than one measurement may take", MEMORY_ADVICE)
    except OSError as error:
        text = f"{type(error).__name__}: {error}"
        return finished(trouble=text) if error.errno in TRANSIENT else finished(f"measuring failed: {text}", ASK)
    except Exception as error:
        return finished(f"measuring failed by a fault of the program: {type(error).__name__}: {error}", ASK)
    return finished()


LONGEST = 4_000
"""Characters of a text that an answer carries."""
ASK = "Keep the scan and ask the people who look after the runner; the log has the time."
MEMORY_ADVICE = "Export the scan with fewer points, or give a measurement more memory (runner watch --memory)."
TIME_ADVICE = "Export the scan with fewer points, or give a measurement more time (runner watch --time-limit)."


class _RecipeChanged(Exception):
    """Decided by one recipe, about to be measured by another."""


def prepare() -> None:
    """Import what measuring needs, while the process waits for its first job."""
    import runner.pipeline.documents
    import runner.pipeline.inspect  # noqa: F401


def _measure(job: Job, progress: Progress, plans: Plans) -> None:
    from runner.pipeline.documents import write_evidence
    from runner.pipeline.inspect import inspect

    plan = plans.get(job.recipe, job.cache, progress)
    if job.fingerprint and plan.fingerprint != job.fingerprint:
        raise _RecipeChanged(f"the recipe {job.recipe.name}, or its nominal, is being changed")
    inspected = inspect(
        plan,
        list(job.scans),
        job.identity,
        progress=progress,
        recipe_status=job.recipe_status,
        hashes=dict(zip(job.scans, job.hashes, strict=True)),
    )
    with at("stage.evidence"):
        job.stage.mkdir(parents=True, exist_ok=True)
        write_evidence(inspected, plan, job.stage)


@dataclass
class Plans:
    """The prepared recipes of one process, each until its file or its nominal changes."""

    ready: dict[Path, tuple[tuple[int, ...], Plan]] = field(default_factory=dict)

    def get(self, recipe: Path, cache: Path | None, progress: Progress = silent) -> Plan:
        """The plan of a recipe, prepared on first use and after a change.

        Raises ``RecipeError`` or ``InputError`` as ``load_plan`` does.
        """
        from runner.nominal.cache import ArrayCache
        from runner.pipeline.plan import load_plan

        found = self.ready.get(recipe)
        if found is not None and found[0] == _stamp(recipe, found[1].nominal_path):
            return found[1]
        plan = load_plan(recipe, cache=ArrayCache(cache), progress=progress)
        self.put(recipe, plan)
        return plan

    def put(self, recipe: Path, plan: Plan) -> None:
        """Keep a plan that was prepared elsewhere."""
        self.ready[recipe] = (_stamp(recipe, plan.nominal_path), plan)


_PLANS = Plans()


def _stamp(*paths: Path) -> tuple[int, ...]:
    """Sizes and times of files; a missing one counts as empty."""
    found: list[int] = []
    for path in paths:
        try:
            status = path.stat()
        except OSError:
            found += [0, 0]
        else:
            found += [status.st_size, status.st_mtime_ns]
    return tuple(found)
