"""One claimed scan: measured, committed to the ledger, filed away. The order is what makes it safe to kill."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from runner.intake.choose import choose
from runner.intake.folders import Folders, move_into, write_reason
from runner.ledger.store import Ledger
from runner.nominal.cache import ArrayCache
from runner.pipeline.documents import write_evidence
from runner.pipeline.identity import Identity
from runner.pipeline.inspect import file_hash, inspect, set_hash
from runner.pipeline.plan import Plan, load_plan
from runner.pipeline.progress import Progress, silent
from runner.pipeline.scan_set import wanted_scans
from runner.recipe.schema import Recipe
from runner.records import Inspection, Outcome


@dataclass
class Station:
    """What stays the same from scan to scan: folders, ledger, recipes and their plans."""

    folders: Folders
    ledger: Ledger
    out: Path
    recipes: dict[Path, Recipe]
    cache: ArrayCache
    name: str = ""
    plans: dict[Path, Plan] = field(default_factory=dict)

    def plan(self, recipe: Path, progress: Progress) -> Plan:
        """The plan of a recipe, prepared on first use."""
        if recipe not in self.plans:
            self.plans[recipe] = load_plan(recipe, cache=self.cache, progress=progress)
        return self.plans[recipe]


@dataclass(frozen=True)
class Done:
    """What became of one dropped file."""

    file: Path
    """Where it lies now."""
    inspection: Inspection | None
    reason: str
    """Why there is no inspection, or what is special about it; may be empty."""


def process(claimed: Path, station: Station, *, progress: Progress = silent) -> Done:
    """Take a claimed file to its end: ledger first, then the move, so that a kill between repeats only the move."""
    chosen = choose(claimed.name, station.recipes)
    if isinstance(chosen, str):
        return _hold(claimed, station, chosen, "Rename the file to the pattern of its recipe and drop it again.")
    recipe, identity = chosen
    if wanted_scans(station.recipes[recipe]):
        text = "it is one scan of a set, and this version's watch folder does not wait for the others"
        return _hold(claimed, station, text, f"Measure the set at once: runner measure {recipe.name} SCAN SCAN ...")
    hashes = {claimed: file_hash(claimed)}
    other = [i for i in station.ledger.same_scan(hashes[claimed]) if i.serial != identity.serial]
    if other:
        text = f"the same bytes were already measured as serial {other[0].serial!r}"
        return _hold(claimed, station, text, "Find out which piece this scan shows; scan the other piece again.")
    plan = station.plan(recipe, progress)
    known = station.ledger.find(set_hash([claimed], hashes), plan.fingerprint)
    if known is not None:
        return _file(claimed, station, known, "recognised: these bytes were measured before, nothing new recorded")
    identity = Identity(identity.serial, identity.lot, identity.operator, identity.station or station.name)
    inspected = inspect(plan, [claimed], identity, progress=progress, hashes=hashes)
    inspection = write_evidence(inspected, plan, station.out)
    station.ledger.record(inspection)
    return _file(claimed, station, inspection, "")


def _file(claimed: Path, station: Station, inspection: Inspection, remark: str) -> Done:
    """Move a measured scan to where its outcome belongs."""
    if inspection.outcome is not Outcome.HOLD:
        return Done(move_into(claimed, station.folders.measured), inspection, remark)
    moved = move_into(claimed, station.folders.held)
    write_reason(
        moved,
        [
            f"Part {inspection.part_number}, serial {inspection.serial}: on hold.",
            f"Why: {inspection.reason}",
            f"What to do: {inspection.advice or 'ask the engineer who wrote the recipe.'}",
            f"Inspection {inspection.id}, {inspection.provenance.finished_utc}",
        ],
    )
    return Done(moved, inspection, remark)


def _hold(claimed: Path, station: Station, reason: str, advice: str) -> Done:
    """Put a file aside that can't be measured as it is."""
    moved = move_into(claimed, station.folders.held)
    write_reason(moved, [f"Not measured: {claimed.name}", f"Why: {reason}", f"What to do: {advice}"])
    return Done(moved, None, reason)
